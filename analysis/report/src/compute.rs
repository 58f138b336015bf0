//! A session's report straight from the store, with no daemon at hand.

use ampledger_store::{Reader, StoreError, Stretch};
use ampledger_types::result::SessionReport;

use crate::feed::SessionFeed;
use crate::session_report::markers;
use crate::subject::{Subject, View};
use crate::timeline::Timeline;

/// Why a session could not be reported or exported.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// There is none of that number.
    #[error("there is no session {id} in this store; `ampledger sessions` lists them")]
    NoSuchSession {
        /// The number asked for.
        id: i64,
    },
    /// The store could not be read.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The file could not be written.
    #[error("the export could not be written: {0}")]
    Write(#[from] std::io::Error),
}

/// The report that holds for a session.
#[derive(Clone, Debug)]
pub struct Holding {
    /// The report.
    pub report: SessionReport,
    /// Whether it was issued before.
    pub is_issued: bool,
    /// What it cites outside the session, for [`ampledger_store::Store::save_report`].
    pub cited: Vec<Stretch>,
}

/// The report that holds for a session: an ended one's as it was issued at its
/// present revision, with the tags and markers of today; else computed now.
pub fn holding(reader: &Reader, session_id: i64, view: &View) -> Result<Holding, ReportError> {
    let subject = Subject::read(reader, session_id)?;
    if let Some(report) = issued(reader, &subject)? {
        return Ok(Holding { report, is_issued: true, cited: Vec::new() });
    }
    let feed = SessionFeed::read(reader, &subject, view)?;
    let cited = feed.cited().to_vec();
    Ok(Holding { report: feed.report(&subject, view), is_issued: false, cited })
}

/// The same of a session whose samples were judged as they were written: what
/// was fed is read again only where something that counts was not known then.
pub fn holding_fed(
    reader: &Reader,
    session_id: i64,
    view: &View,
    fed: SessionFeed,
) -> Result<Holding, ReportError> {
    let subject = Subject::read(reader, session_id)?;
    if !fed.is_all(reader, &subject, view)? {
        return holding(reader, session_id, view);
    }
    let cited = fed.cited().to_vec();
    Ok(Holding { report: fed.report(&subject, view), is_issued: false, cited })
}

/// The report issued about an ended session at its present revision, if one
/// was, with the tags and markers of today.
pub(crate) fn issued(
    reader: &Reader,
    subject: &Subject,
) -> Result<Option<SessionReport>, ReportError> {
    let session = &subject.session;
    if session.is_open() {
        return Ok(None);
    }
    let mut all = reader.reports(session.id)?.into_iter();
    let of_today = |mut report: SessionReport| {
        let timeline = Timeline::new(session.start, &subject.clocks, &[]);
        report.markers = markers(subject, &timeline);
        report.session.session = session.clone();
        report
    };
    Ok(all.find(|(revision, _)| *revision == session.revision).map(|(_, r)| of_today(r)))
}

/// The report of a session, computed afresh from the store.
///
/// A live [`SessionFeed`] that was fed the same samples gives the same report
/// to the last digit.
pub fn compute(
    reader: &Reader,
    session_id: i64,
    view: &View,
) -> Result<SessionReport, ReportError> {
    let subject = Subject::read(reader, session_id)?;
    Ok(SessionFeed::read(reader, &subject, view)?.report(&subject, view))
}
