//! The list of sessions with their dates, as the API and the command line on
//! a store file give it.

use ampledger_store::Reader;
use ampledger_types::api::SessionLine;
use ampledger_types::{Bound, Session};

use crate::compute::ReportError;
use crate::subject::Clocks;

/// All sessions of a store, each with its dates.
pub fn session_lines(reader: &Reader) -> Result<Vec<SessionLine>, ReportError> {
    let clocks = Clocks::read(reader)?;
    Ok(reader.sessions()?.into_iter().map(|session| line(session, &clocks)).collect())
}

fn line(session: Session, clocks: &Clocks) -> SessionLine {
    let date = |at: Bound| {
        let run = clocks.run(at.run)?;
        Some(clocks.map(&run.boot_id).date(at.t_us)?.unix_us as f64 / 1e6)
    };
    SessionLine {
        start_unix_time_second: date(session.start),
        end_unix_time_second: session.end.and_then(date),
        session,
    }
}
