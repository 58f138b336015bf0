//! Lists with dates: of sessions, as the API and the command line on a store
//! file give it, and of a source's zeros and calibrations.

use ampledger_store::Reader;
use ampledger_types::api::SessionLine;
use ampledger_types::calibration::CalibrationLine;
use ampledger_types::{Bound, Calibration, Session};

use crate::compute::ReportError;
use crate::subject::Clocks;

/// All sessions of a store, each with its dates.
pub fn session_lines(reader: &Reader) -> Result<Vec<SessionLine>, ReportError> {
    let clocks = Clocks::read(reader)?;
    Ok(reader.sessions()?.into_iter().map(|session| line(session, &clocks)).collect())
}

fn line(session: Session, clocks: &Clocks) -> SessionLine {
    SessionLine {
        start_unix_time_second: date(session.start, clocks),
        end_unix_time_second: session.end.and_then(|end| date(end, clocks)),
        session,
    }
}

/// The zeros and calibrations of a source, in order of the moments from which
/// they hold.
pub fn calibration_lines(
    reader: &Reader,
    source: &str,
) -> Result<Vec<CalibrationLine>, ReportError> {
    let clocks = Clocks::read(reader)?;
    let of_source = reader.calibrations(None)?.into_iter().filter(|r| r.source == source);
    let line = |record: Calibration| CalibrationLine {
        taken_unix_time_second: date(record.taken, &clocks),
        from_unix_time_second: date(record.from, &clocks),
        record,
    };
    Ok(of_source.map(line).collect())
}

/// Seconds since 1970-01-01 UTC, where known.
fn date(at: Bound, clocks: &Clocks) -> Option<f64> {
    let run = clocks.run(at.run)?;
    Some(clocks.map(&run.boot_id).date(at.t_us)?.unix_us as f64 / 1e6)
}
