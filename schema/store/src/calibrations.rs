//! Zeros and calibrations as plain records. Nothing here applies them.

use ampledger_types::{Bound, Calibration, RunId};
use rusqlite::params;

use crate::error::StoreError;
use crate::open::Store;
use crate::reader::Reader;
use crate::records::{from_json, to_json};

impl Store {
    /// Writes a record down and gives it its number. None is ever changed.
    pub fn insert_calibration(&mut self, new: &Calibration) -> Result<Calibration, StoreError> {
        let mut kept = new.clone();
        self.write(|tx, _| {
            // Its number is the row's.
            let body = to_json("the calibration", &Calibration { id: 0, ..new.clone() })?;
            tx.execute(
                "INSERT INTO calibration (source, run, t_us, from_run, from_t_us, body) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![
                    new.source,
                    new.taken.run.0,
                    new.taken.t_us,
                    new.from.run.0,
                    new.from.t_us,
                    body
                ],
            )?;
            kept.id = tx.last_insert_rowid();
            Ok(())
        })?;
        Ok(kept)
    }
}

impl Reader {
    /// All records that hold up to a moment, in order of the moments from
    /// which they hold.
    pub fn calibrations(&self, up_to: Option<Bound>) -> Result<Vec<Calibration>, StoreError> {
        let end = up_to.unwrap_or(Bound { run: RunId(i64::MAX), t_us: i64::MAX });
        self.read(|db| {
            let mut find = db.prepare_cached(
                "SELECT id, body FROM calibration WHERE (from_run, from_t_us) <= (?1, ?2) \
                 ORDER BY from_run, from_t_us, id",
            )?;
            let mut rows = find.query(params![end.run.0, end.t_us])?;
            let mut all = Vec::new();
            while let Some(row) = rows.next()? {
                let body: String = row.get(1)?;
                let kept: Calibration = from_json("calibration", &body)?;
                all.push(Calibration { id: row.get(0)?, ..kept });
            }
            Ok(all)
        })
    }
}
