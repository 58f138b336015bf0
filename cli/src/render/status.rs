//! What is happening: sentences first, then sources and the record.

use ampledger_report::sentences;
use ampledger_types::api::{Check, CheckOutcome, ClockStatus, StatusResponse, StoreStatus};
use jiff::tz::TimeZone;

use super::{sources, style};

/// The whole status.
pub fn status(status: &StatusResponse, zone: &TimeZone) -> String {
    let mut lines: Vec<String> = status.alarms.iter().map(|alarm| style::bad(alarm)).collect();
    if status.open_sessions.is_empty() {
        lines.push(style::strong("No session is open."));
    }
    for open in &status.open_sessions {
        let number = style::faint(&format!("(session {})", open.session.id));
        lines.push(format!("{} {number}", style::strong(&open.sentence)));
        lines.extend(sentences::opened_by(&open.session).map(|hint| style::faint(&hint)));
    }
    lines.push(String::new());
    if status.sources.is_empty() {
        lines.push(
            "No source is configured. Add one to the daemon's configuration, \
             then: ampledger reload"
                .to_owned(),
        );
    }
    let now_us = ampledger_report::dates::unix_us(status.clock.unix_time_second);
    for source in &status.sources {
        let sentence = sentences::source_state(source, now_us, zone);
        lines.push(sources::coloured(source.state, &sentence));
    }
    lines.extend(store(&status.store));
    lines.extend(clock(&status.clock));
    lines.join("\n")
}

/// What is said while there is no reserve.
pub const RESERVE_GIVEN_UP: &str = "The disk is full or nearly so: there is no room for the \
     reserve of 4 MiB beside the record, which 20 MiB must be free for. Make room on that disk; \
     `ampledger thin` helps.";

fn store(store: &StoreStatus) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(trouble) = &store.trouble {
        lines.push(style::bad(&format!("The record has trouble: {trouble}")));
    }
    if store.reserve_given_up {
        lines.push(style::bad(RESERVE_GIVEN_UP));
    }
    let waiting = store.newest.saturating_sub(store.recorded_up_to);
    let how_far = match waiting {
        0 => "all samples are on disk".to_owned(),
        1 => "1 sample is on its way to disk".to_owned(),
        n => format!("{n} samples are on their way to disk"),
    };
    lines.push(style::faint(&format!("Recording into {}; {how_far}.", store.path)));
    lines
}

fn clock(clock: &ClockStatus) -> Option<String> {
    if clock.rate != 1.0 {
        let text =
            format!("Time runs {} times as fast as on the wall: a demo or test.", clock.rate);
        return Some(style::faint(&text));
    }
    (!clock.synchronised).then(|| {
        style::open(
            "The clock is not synchronised: dates may be wrong, lengths of time are right. \
             Check with timedatectl.",
        )
    })
}

/// Checks, one a line.
pub fn checks(checks: &[Check]) -> String {
    let lines: Vec<String> = checks.iter().map(check).collect();
    lines.join("\n")
}

fn check(check: &Check) -> String {
    let mark = match check.outcome {
        CheckOutcome::Good => style::good("good"),
        CheckOutcome::Open => style::open("open"),
        CheckOutcome::Bad => style::bad("BAD "),
    };
    format!("  {mark}  {}: {}", check.name, check.text)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn response() -> StatusResponse {
        StatusResponse {
            build: "0.1.0".to_owned(),
            store: StoreStatus {
                path: "/var/lib/ampledger/ampledger.db".to_owned(),
                uuid: String::new(),
                recorded_up_to: 10,
                newest: 12,
                trouble: None,
                reserve_given_up: false,
            },
            clock: ClockStatus { unix_time_second: 0.0, synchronised: true, rate: 1.0 },
            sources: Vec::new(),
            open_sessions: Vec::new(),
            alarms: Vec::new(),
        }
    }

    fn plain(response: &StatusResponse) -> String {
        let text = status(response, &TimeZone::UTC);
        anstream::adapter::strip_str(&text).to_string()
    }

    #[test]
    fn an_idle_daemon_says_so_and_what_is_missing() {
        let text = plain(&response());
        assert!(text.starts_with("No session is open."), "{text}");
        assert!(text.contains("No source is configured."), "{text}");
        assert!(text.contains("2 samples are on their way to disk"), "{text}");
        assert!(!text.contains("synchronised"), "{text}");
    }

    #[test]
    fn trouble_and_an_unset_clock_are_said() {
        let mut response = response();
        response.store.trouble = Some("the disk is full".to_owned());
        response.clock.synchronised = false;
        let text = plain(&response);
        assert!(text.contains("The record has trouble: the disk is full"), "{text}");
        assert!(text.contains("The clock is not synchronised"), "{text}");
    }
}
