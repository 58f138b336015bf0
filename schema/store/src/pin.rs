//! Pins: stretches of the record that results cite as evidence though they lie
//! outside their session. Thinning and the frame log's budget pass them over.

use ampledger_types::RunId;
use rusqlite::{Connection, params};

use crate::error::Fault;
use crate::redecode::Stretch;

/// Keeps stretches for ever: a result of the session cites them.
pub(crate) fn write(db: &Connection, session: i64, cited: &[Stretch]) -> Result<(), Fault> {
    let mut insert = db.prepare_cached(
        "INSERT INTO pin (session, source, run, from_t_us, to_t_us) VALUES (?1, ?2, ?3, ?4, ?5) \
         ON CONFLICT DO NOTHING",
    )?;
    for Stretch { source, run, from_t_us, to_t_us } in cited {
        insert.execute(params![session, source, run.0, from_t_us, to_t_us])?;
    }
    Ok(())
}

/// Those that hold. What a rule opened and nobody took up keeps nothing; once
/// a person takes the session up, its pins hold.
pub(crate) fn pins(db: &Connection) -> Result<Vec<Stretch>, Fault> {
    let mut find = db.prepare_cached(
        "SELECT source, pin.run, from_t_us, to_t_us FROM pin \
         JOIN session ON session.id = pin.session WHERE opened_by <> 'rule'",
    )?;
    let rows = find.query_map([], |row| {
        Ok(Stretch {
            source: row.get(0)?,
            run: RunId(row.get(1)?),
            from_t_us: row.get(2)?,
            to_t_us: row.get(3)?,
        })
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}
