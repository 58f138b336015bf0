//! What looks like a test and is no session yet.

use ampledger_report::dates;
use ampledger_types::api::Suggestion;
use jiff::tz::TimeZone;

use super::sessions::{date, lasted_second};
use super::style;

/// All suggestions, each with what to type to take it up.
pub fn suggestions(found: &[Suggestion], since: &str, zone: &TimeZone) -> String {
    if found.is_empty() {
        return format!(
            "Nothing since {since} looks like a test that is no session yet. \
             --since looks further back."
        );
    }
    let mut lines: Vec<String> = found.iter().map(|suggestion| one(suggestion, zone)).collect();
    lines.push(style::faint("How well it is known is told once it is a session."));
    lines.join("\n\n")
}

fn one(suggestion: &Suggestion, zone: &TimeZone) -> String {
    let dates = (suggestion.start_unix_time_second, suggestion.end_unix_time_second);
    let lasted = match suggestion.stretch.end {
        None => ", still going on".to_owned(),
        Some(end) => lasted_second(suggestion.stretch.start, end, dates)
            .map_or(String::new(), |second| format!(", {}", dates::duration(second))),
    };
    let head = format!(
        "{}  {} from {}{lasted}",
        suggestion.number,
        suggestion.source,
        date(suggestion.start_unix_time_second, zone)
    );
    let take_up = match suggestion.session {
        Some(id) => format!("ampledger tag {id} --pack LABEL"),
        None => format!("ampledger start --adopt {} --pack LABEL", suggestion.number),
    };
    let take_up = style::faint(&format!("  Take it up: {take_up}"));
    format!("{}\n  {}\n{take_up}", style::strong(&head), suggestion.claim)
}

#[cfg(test)]
mod tests {
    use ampledger_types::api::Stretch;
    use ampledger_types::{Bound, RunId};

    use super::*;

    fn suggestion(session: Option<i64>) -> Suggestion {
        let at = |t_us| Bound { run: RunId(1), t_us };
        Suggestion {
            number: 4_711,
            source: "bench-shunt".to_owned(),
            stretch: Stretch { start: at(0), end: Some(at(8_400_000_000)) },
            start_unix_time_second: Some(1_772_352_750.0),
            end_unix_time_second: Some(1_772_352_750.0 + 8_400.0),
            claim: "Delivered 57.4 Ah.".to_owned(),
            session,
        }
    }

    fn plain(found: &[Suggestion]) -> String {
        let text = suggestions(found, "7 days ago", &TimeZone::UTC);
        anstream::adapter::strip_str(&text).to_string()
    }

    #[test]
    fn each_says_how_it_is_taken_up() {
        let text = plain(&[suggestion(None), suggestion(Some(3))]);
        assert!(text.contains("4711  bench-shunt from 2026-03-01 08:12:30 +00:00, 2 h 20 min"));
        assert!(text.contains("ampledger start --adopt 4711 --pack LABEL"), "{text}");
        assert!(text.contains("ampledger tag 3 --pack LABEL"), "{text}");
        assert!(text.contains("How well it is known"), "{text}");
    }

    #[test]
    fn none_says_where_it_looked() {
        assert!(plain(&[]).contains("7 days ago"));
    }
}
