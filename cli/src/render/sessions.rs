//! The list of sessions.

use ampledger_report::dates;
use ampledger_types::api::SessionLine;
use ampledger_types::{Bound, Session};
use jiff::tz::TimeZone;

use super::table::{Side, table};

/// All sessions, one a line, oldest first.
pub fn sessions(sessions: &[SessionLine], zone: &TimeZone) -> String {
    if sessions.is_empty() {
        return "There is no session yet. Begin one with `ampledger start`.".to_owned();
    }
    let head = [
        ("session", Side::Right),
        ("pack", Side::Left),
        ("began", Side::Left),
        ("lasted", Side::Right),
        ("sources", Side::Left),
        ("tags", Side::Left),
    ];
    let rows: Vec<Vec<String>> = sessions.iter().map(|line| row(line, zone)).collect();
    table(&head, &rows)
}

fn row(line: &SessionLine, zone: &TimeZone) -> Vec<String> {
    let session = &line.session;
    let dates = (line.start_unix_time_second, line.end_unix_time_second);
    let lasted = match session.end {
        None => "open".to_owned(),
        Some(end) => match lasted_second(session.start, end, dates) {
            Some(second) => dates::duration(second),
            None => "unknown".to_owned(),
        },
    };
    let tags: Vec<String> = session.tags.iter().map(ToString::to_string).collect();
    vec![
        session.id.to_string(),
        session.pack.clone().unwrap_or_else(|| unnamed(session).to_owned()),
        date(line.start_unix_time_second, zone),
        lasted,
        session.sources.join(", "),
        tags.join(", "),
    ]
}

/// Seconds from start to end: by the clock of their run if it is one, or else
/// by their dates.
pub fn lasted_second(start: Bound, end: Bound, dates: (Option<f64>, Option<f64>)) -> Option<f64> {
    if start.run == end.run {
        return Some((end.t_us - start.t_us) as f64 / 1e6);
    }
    dates.1.zip(dates.0).map(|(end, start)| end - start)
}

/// A session of a rule is a hint until somebody names its pack.
fn unnamed(session: &Session) -> &'static str {
    if session.is_adopted() { "not named" } else { "by rule" }
}

/// A date for people, or that there is none.
pub fn date(unix_time_second: Option<f64>, zone: &TimeZone) -> String {
    match unix_time_second {
        Some(second) => dates::local(dates::unix_us(second), zone),
        None => "unknown date".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use ampledger_types::{RunId, Tag};

    use super::*;

    #[test]
    fn an_open_session_and_an_ended_one_are_told_apart() {
        let session = |id, end| Session {
            id,
            uuid: String::new(),
            pack: Some("GAL-07".to_owned()),
            sources: vec!["bench-shunt".to_owned()],
            opened_by: Default::default(),
            start: Bound { run: RunId(1), t_us: 0 },
            end,
            revision: 1,
            cutoff_voltage_volt: None,
            cutoff_rule: Default::default(),
            tags: Tag::parse("bench=2").into_iter().collect(),
        };
        let end = Bound { run: RunId(1), t_us: 8_400_000_000 };
        let lines = [(1, Some(end)), (2, None)].map(|(id, end)| SessionLine {
            session: session(id, end),
            start_unix_time_second: Some(1_772_352_750.0),
            end_unix_time_second: end.map(|_| 1_772_352_750.0 + 8_400.0),
        });
        let text = sessions(&lines, &TimeZone::UTC);
        let text = anstream::adapter::strip_str(&text).to_string();
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines[1].contains("2 h 20 min") && lines[1].contains("bench=2"), "{text}");
        assert!(lines[1].contains("2026-03-01 08:12:30 +00:00"), "{text}");
        assert!(lines[2].contains("open"), "{text}");
    }

    #[test]
    fn how_long_one_lasted_needs_no_date_within_a_run() {
        let at = |run, t_us| Bound { run: RunId(run), t_us };
        let (start, same, later) = (at(1, 5_000_000), at(1, 65_000_000), at(2, 0));
        assert_eq!(lasted_second(start, same, (None, None)), Some(60.0));
        assert_eq!(lasted_second(start, later, (None, None)), None);
        assert_eq!(lasted_second(start, later, (Some(10.0), Some(40.0))), Some(30.0));
    }
}
