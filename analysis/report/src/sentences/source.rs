//! What a source is doing.

use ampledger_types::api::{SourceState, SourceStatus};
use ampledger_types::{Quantity, Unit};
use jiff::tz::TimeZone;

use crate::{dates, numbers};

/// What a source is doing: `bench-shunt has been dark since 14:02 (12 min): last
/// 20.3 V.` `now_unix_us` is the present; `zone` that of the reader.
pub fn source_state(status: &SourceStatus, now_unix_us: i64, zone: &TimeZone) -> String {
    let name = &status.name;
    match status.state {
        SourceState::Live => match readings(status) {
            Some(values) => format!("{name} is live: {values}."),
            None => format!("{name} is live."),
        },
        SourceState::Quiet => {
            full_stop(format!("{name} {}", silent("quiet", status, now_unix_us, zone)))
        }
        SourceState::Dark => {
            full_stop(format!("{name} {}", silent("dark", status, now_unix_us, zone)))
        }
        SourceState::Opening => full_stop(format!("{name} is being opened{}", why(status))),
        SourceState::Failed => full_stop(format!("{name} cannot be used{}", why(status))),
        SourceState::Finished => format!("{name} has been played to its end."),
    }
}

/// A reason may end with a question; it is no better with a full stop.
fn full_stop(text: String) -> String {
    if text.ends_with('?') { text } else { text + "." }
}

fn silent(how: &str, status: &SourceStatus, now_unix_us: i64, zone: &TimeZone) -> String {
    let since = status.since_unix_time_second.map_or(format!("is {how}"), |second| {
        let since_us = dates::unix_us(second);
        let lasted = dates::duration((now_unix_us - since_us) as f64 / 1e6);
        let since = dates::local_since(since_us, now_unix_us, zone);
        format!("has been {how} since {since} ({lasted})")
    });
    let last = readings(status).map_or(String::new(), |values| format!(": last {values}"));
    let reason = status.reason.as_ref().map_or(String::new(), |r| format!("; {}", trimmed(r)));
    since + &last + &reason + &retry(status)
}

fn why(status: &SourceStatus) -> String {
    let reason = status.reason.as_ref().map_or(String::new(), |r| format!(": {}", trimmed(r)));
    reason + &retry(status)
}

fn retry(status: &SourceStatus) -> String {
    let text = |second: f64| format!("; next try in {}", dates::duration(second));
    status.retry_in_second.map_or(String::new(), text)
}

/// The latest voltage, and the current while it is live.
fn readings(status: &SourceStatus) -> Option<String> {
    let latest = |quantity: Quantity, unit: Unit| {
        let reading = status.latest.iter().find(|r| r.quantity == quantity)?;
        Some(numbers::value(reading.value, unit))
    };
    let voltage = latest(Quantity::Voltage, Unit::Volt);
    let current = latest(Quantity::Current, Unit::Ampere);
    match (voltage, current, status.state) {
        (Some(voltage), Some(current), SourceState::Live) => Some(format!("{voltage}, {current}")),
        (Some(voltage), ..) => Some(voltage),
        (None, current, _) => current,
    }
}

fn trimmed(reason: &str) -> &str {
    reason.trim().trim_end_matches('.')
}

#[cfg(test)]
mod tests {
    use ampledger_types::api::{LatestReading, SourceCounters};

    use super::*;

    const NOW_US: i64 = 1_772_370_840_000_000; // 2026-03-01T13:14:00Z

    fn reading(quantity: Quantity, value: f64) -> LatestReading {
        LatestReading {
            channel: quantity.name(),
            quantity,
            unit: quantity.unit().symbol().to_owned(),
            value,
            age_second: 720.0,
        }
    }

    fn said(state: SourceState, change: impl FnOnce(&mut SourceStatus)) -> String {
        let mut status = SourceStatus {
            name: "bench-shunt".to_owned(),
            connection: "serial".to_owned(),
            decoder: "lines".to_owned(),
            state,
            since_unix_time_second: Some(1_772_370_120.0),
            reason: None,
            retry_in_second: None,
            identity: None,
            latest: vec![reading(Quantity::Voltage, 20.31), reading(Quantity::Current, -12.08)],
            never_read: Vec::new(),
            counters: SourceCounters::default(),
        };
        change(&mut status);
        source_state(&status, NOW_US, &TimeZone::fixed(jiff::tz::offset(1)))
    }

    #[test]
    fn every_state_has_its_sentence() {
        let same = |_: &mut SourceStatus| {};
        assert_eq!(said(SourceState::Live, same), "bench-shunt is live: 20.3 V, −12.1 A.");
        assert_eq!(
            said(SourceState::Dark, same),
            "bench-shunt has been dark since 14:02 (12 min): last 20.3 V."
        );
        assert_eq!(
            said(SourceState::Quiet, |s| s.since_unix_time_second = Some(1_772_370_834.0)),
            "bench-shunt has been quiet since 14:13 (6 s): last 20.3 V."
        );
        assert_eq!(said(SourceState::Finished, same), "bench-shunt has been played to its end.");
    }

    #[test]
    fn a_source_that_cannot_be_opened_says_why_and_when_it_is_tried_again() {
        let lost = |s: &mut SourceStatus| {
            s.reason = Some("the port is not there.".to_owned());
            s.retry_in_second = Some(4.2);
        };
        assert_eq!(
            said(SourceState::Opening, lost),
            "bench-shunt is being opened: the port is not there; next try in 4 s."
        );
        assert_eq!(
            said(SourceState::Failed, |s| s.reason = Some("unknown key `bauds`".to_owned())),
            "bench-shunt cannot be used: unknown key `bauds`."
        );
        assert_eq!(
            said(SourceState::Dark, |s| s.reason = Some("the cable was pulled".to_owned())),
            "bench-shunt has been dark since 14:02 (12 min): last 20.3 V; the cable was pulled."
        );
    }

    #[test]
    fn nothing_known_is_not_made_up() {
        let empty = |s: &mut SourceStatus| {
            s.latest.clear();
            s.since_unix_time_second = None;
        };
        assert_eq!(said(SourceState::Dark, empty), "bench-shunt is dark.");
        assert_eq!(said(SourceState::Live, empty), "bench-shunt is live.");
    }
}
