//! What was issued about a pack's sessions before one: a session that ended is
//! shown beside them; of an open one only what the pack gave last is looked for.

use ampledger_methods::to_empty::Measured;
use ampledger_store::Reader;
use ampledger_types::result::{SessionReport, Status};
use ampledger_types::{Pack, Session};

use crate::compute::ReportError;
use crate::setting::cutoff_volt;

/// Sessions that an open one is told the capacity from, the latest before it.
const LATEST: usize = 5;
/// End voltages this close are the same, as a part of them.
const SAME_END: f64 = 0.005;

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

/// What the latest session that came down to the same end voltage is said to have
/// given, while one on the same pack is open.
pub(crate) fn measured(
    reader: &Reader,
    session: &Session,
    pack: Option<&Pack>,
    all: &[Session],
) -> Result<Option<Measured>, ReportError> {
    let volt = cutoff_volt(session, pack);
    let (Some(volt), Some(_), true) = (volt, &session.pack, session.is_open()) else {
        return Ok(None);
    };
    let is_alike = |other: &&Session| {
        let end = cutoff_volt(other, pack);
        other.pack == session.pack
            && other.end.is_some_and(|end| end <= session.start)
            && end.is_some_and(|end| (end - volt).abs() <= SAME_END * volt)
    };
    for before in all.iter().rev().filter(is_alike).take(LATEST) {
        let issued = reader.reports(before.id)?.into_iter();
        let holds = |(revision, _): &(u32, SessionReport)| *revision == before.revision;
        let Some((_, report)) = issued.rev().find(holds) else { continue };
        let figure = &report.results.capacity_to_cutoff_ah;
        if let Some(capacity_ah) = figure.value.filter(|ah| *ah > 0.0) {
            return Ok(Some(Measured {
                session: before.id,
                capacity_ah,
                expanded_ah: figure.expanded_uncertainty.unwrap_or(0.0),
                is_proven: figure.status == Status::Proven,
            }));
        }
    }
    Ok(None)
}
