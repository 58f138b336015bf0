//! What was issued about a pack's sessions before one: a session that ended is
//! shown beside them. Of an open one nothing is read.

use ampledger_store::Reader;
use ampledger_types::Session;
use ampledger_types::result::SessionReport;

use crate::compute::ReportError;

/// Sessions looked at, the latest before it.
const SESSIONS: usize = 50;

/// The reports that hold, the oldest session first.
pub(crate) fn history(
    reader: &Reader,
    session: &Session,
    all: &[Session],
) -> Result<Vec<SessionReport>, ReportError> {
    if session.is_open() || session.pack.is_none() {
        return Ok(Vec::new());
    }
    let is_before = |other: &&Session| {
        other.id != session.id
            && other.pack == session.pack
            && other.end.is_some_and(|end| end <= session.start)
    };
    let mut before: Vec<&Session> = all.iter().filter(is_before).collect();
    before.sort_by_key(|other| other.start);
    let mut reports = Vec::new();
    for other in before.iter().rev().take(SESSIONS) {
        let issued = reader.reports(other.id)?.into_iter();
        let holds = |(revision, _): &(u32, SessionReport)| *revision == other.revision;
        reports.extend(issued.filter(holds).map(|(_, report)| report).next());
    }
    reports.reverse();
    Ok(reports)
}
