//! What is said when a session begins and when it ends.

use ampledger_types::result::{EarlierRevision, SessionReport};
use jiff::tz::TimeZone;

use super::subject;
use crate::dates;

/// Said after `start`: `Session 3 about GAL-07 began 2026-03-01 09:12:30
/// +01:00 on bench-shunt.`
pub fn started(report: &SessionReport, zone: &TimeZone) -> String {
    let session = &report.session.session;
    let sources = match session.sources.is_empty() {
        true => "no source".to_owned(),
        false => session.sources.join(", "),
    };
    let about = match session.pack {
        Some(_) => format!("about {}", subject(report)),
        None => "about a pack without a name yet".to_owned(),
    };
    let began = moment(report.session.started.unix_time_second, zone);
    format!("Session {} {about} began {began} on {sources}.", session.id)
}

/// Said after `stop`, before the claim: `Session 3 ended 2026-03-01 18:12:30
/// +01:00 after 9 h.`
pub fn stopped(report: &SessionReport, zone: &TimeZone) -> String {
    let id = report.session.session.id;
    let Some(end) = report.session.ended else {
        return format!("Session {id} is still open.");
    };
    let lasted = dates::duration(end.test_time_second);
    format!("Session {id} ended {} after {lasted}.", moment(end.unix_time_second, zone))
}

/// What was said at an earlier revision: `Revision 1: Delivered 57.4 Ah …`
pub fn earlier(earlier: &EarlierRevision) -> String {
    format!("Revision {}: {}", earlier.revision, earlier.claim)
}

fn moment(unix_time_second: Option<f64>, zone: &TimeZone) -> String {
    match unix_time_second {
        Some(second) => dates::local(dates::unix_us(second), zone),
        None => "at an unknown date".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sentences::samples;

    #[test]
    fn beginning_and_end_are_said_in_local_time() {
        let zone = TimeZone::fixed(jiff::tz::offset(1));
        let mut report = samples::report();
        assert_eq!(
            started(&report, &zone),
            "Session 3 about GAL-07 began 2026-03-01 09:12:00 +01:00 on bench-shunt."
        );
        assert_eq!(
            stopped(&report, &zone),
            "Session 3 ended 2026-03-01 18:12:00 +01:00 after 9 h."
        );
        report.session.ended = None;
        assert_eq!(stopped(&report, &zone), "Session 3 is still open.");
        report.session.started.unix_time_second = None;
        report.session.session.pack = None;
        assert_eq!(
            started(&report, &zone),
            "Session 3 about a pack without a name yet began at an unknown date on bench-shunt."
        );
    }
}
