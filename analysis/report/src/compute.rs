//! A session's report straight from the store, with no daemon at hand.

use ampledger_store::{Reader, StoreError};
use ampledger_types::result::SessionReport;

use crate::feed::SessionFeed;
use crate::subject::{Subject, View};

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
