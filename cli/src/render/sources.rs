//! Sources for people: state, last values, what could not be read, what to do.

use ampledger_report::{dates, numbers, sentences};
use ampledger_types::api::{LatestReading, SourceState, SourceStatus};
use jiff::tz::TimeZone;

use super::style;

/// All sources at length.
pub fn sources(sources: &[SourceStatus], now_unix_us: i64, zone: &TimeZone) -> String {
    if sources.is_empty() {
        return "No source is configured.".to_owned();
    }
    let one = |source| at_length(source, now_unix_us, zone);
    sources.iter().map(one).collect::<Vec<_>>().join("\n\n")
}

/// A text in the colour of a state.
pub fn coloured(state: SourceState, text: &str) -> String {
    match state {
        SourceState::Live | SourceState::Finished => text.to_owned(),
        SourceState::Opening | SourceState::Quiet => style::open(text),
        SourceState::Dark | SourceState::Failed => style::bad(text),
    }
}

fn at_length(source: &SourceStatus, now_unix_us: i64, zone: &TimeZone) -> String {
    let sentence = sentences::source_state(source, now_unix_us, zone);
    let mut lines = vec![style::strong(&coloured(source.state, &sentence))];
    lines.push(match source.decoder.as_str() {
        "" => format!("  {}", source.connection),
        decoder => format!("  {}, decoder {decoder}", source.connection),
    });
    if let Some(identity) = &source.identity {
        lines.push(format!("  says it is: {identity}"));
    }
    lines.extend(source.latest.iter().map(reading));
    lines.push(style::faint(&format!("  {}", counted(source))));
    if let Some(complaint) = &source.counters.last_complaint {
        lines.push(format!("  last not understood: {complaint}"));
    }
    if let Some(advice) = advice(source) {
        lines.push(format!("  {} {advice}", style::open("What to do:")));
    }
    lines.join("\n")
}

fn reading(reading: &LatestReading) -> String {
    let value = numbers::value(reading.value, reading.quantity.unit());
    let age = dates::duration(reading.age_second);
    format!("  {:<26} {value:>12}  {}", reading.channel, style::faint(&format!("{age} ago")))
}

fn counted(source: &SourceStatus) -> String {
    let counters = &source.counters;
    let mut parts = vec![
        format!("{} samples", counters.samples),
        format!("{} bytes", counters.bytes),
        match counters.opened {
            1 => "opened once".to_owned(),
            times => format!("opened {times} times"),
        },
    ];
    if counters.lost > 0 {
        parts.push(format!("lost {}", counters.lost));
    }
    for (kind, count) in &counters.complaints {
        parts.push(format!("{count} {}", kind.replace('_', " ")));
    }
    if counters.dropped > 0 {
        parts.push(format!("{} dropped", counters.dropped));
    }
    parts.join(", ")
}

/// What a person can do about a source that is not as it should be.
pub fn advice(source: &SourceStatus) -> Option<String> {
    let reason = source.reason.as_deref().unwrap_or_default().to_lowercase();
    let cannot_open = matches!(source.state, SourceState::Failed | SourceState::Opening);
    let text = match source.state {
        _ if cannot_open && reason.contains("permission denied") => {
            "the daemon may not open the device. Add its user to the group that owns it \
             (often dialout): usermod -aG dialout ampledger, then restart the daemon"
        }
        _ if cannot_open && (reason.contains("no such") || reason.contains("not there")) => {
            "plug the adapter in, or correct the path; ls /dev/serial/by-id lists what is there. \
             It is opened by itself as soon as it appears"
        }
        _ if cannot_open && reason.contains("busy") => {
            "another program holds the device; end it. fuser names it"
        }
        SourceState::Failed => "correct the configuration, then: ampledger reload",
        SourceState::Dark | SourceState::Quiet => {
            "check that the instrument is on and its cable or radio reaches; if the pack powers \
             it, the pack's protection may have tripped"
        }
        _ if mostly_unreadable(source) => {
            "most of what arrives cannot be read: check baud rate, parity and decoder"
        }
        SourceState::Live | SourceState::Finished if !source.never_read.is_empty() => {
            return Some(never_read(&source.never_read));
        }
        SourceState::Live | SourceState::Opening | SourceState::Finished => return None,
    };
    Some(text.to_owned())
}

/// Fields that are configured and never came: what to do.
pub fn never_read(fields: &[String]) -> String {
    format!(
        "no reading has come from `{}`: compare the name in the configuration with what the \
         instrument sends",
        fields.join("`, `")
    )
}

/// More complaints than samples, and enough of them to mean something.
pub fn mostly_unreadable(source: &SourceStatus) -> bool {
    let complaints: u64 = source.counters.complaints.values().sum();
    complaints > 10 && complaints > source.counters.samples
}

#[cfg(test)]
pub mod tests {
    use ampledger_types::Quantity;
    use ampledger_types::api::SourceCounters;

    use super::*;

    /// A live source with one reading.
    pub fn live() -> SourceStatus {
        SourceStatus {
            name: "bench-shunt".to_owned(),
            connection: "serial /dev/ttyUSB0, 115200 baud".to_owned(),
            decoder: "text-lines".to_owned(),
            state: SourceState::Live,
            since_unix_time_second: Some(0.0),
            reason: None,
            retry_in_second: None,
            identity: None,
            latest: vec![LatestReading {
                channel: "voltage_volt".to_owned(),
                quantity: Quantity::Voltage,
                unit: "V".to_owned(),
                value: 26.512,
                age_second: 0.4,
            }],
            never_read: Vec::new(),
            counters: SourceCounters { samples: 100, ..SourceCounters::default() },
        }
    }

    #[test]
    fn a_good_source_gets_no_advice() {
        assert_eq!(advice(&live()), None);
    }

    #[test]
    fn each_trouble_gets_its_own_advice() {
        let failed = |reason: &str| {
            let reason = Some(reason.to_owned());
            advice(&SourceStatus { state: SourceState::Failed, reason, ..live() }).unwrap()
        };
        assert!(failed("/dev/ttyUSB0: Permission denied").contains("dialout"));
        assert!(failed("/dev/ttyUSB0: No such file or directory").contains("by-id"));
        assert!(failed("unknown key `bauds`").contains("configuration"));
        let dark = advice(&SourceStatus { state: SourceState::Dark, ..live() }).unwrap();
        assert!(dark.contains("protection"));
    }

    #[test]
    fn a_wrong_baud_rate_is_suspected_only_where_most_is_unreadable() {
        let mut source = live();
        source.counters.complaints.insert("not_mine".to_owned(), 100);
        assert_eq!(advice(&source), None);
        source.counters.complaints.insert("not_mine".to_owned(), 101);
        assert!(advice(&source).unwrap().contains("baud"));
    }

    #[test]
    fn a_source_shows_values_counts_and_where_it_hangs() {
        let text = sources(&[live()], 0, &TimeZone::UTC);
        let text = anstream::adapter::strip_str(&text).to_string();
        for part in ["26.5 V", "100 samples", "/dev/ttyUSB0", "text-lines"] {
            assert!(text.contains(part), "{part} is not in {text}");
        }
    }
}
