//! The plain way, to compare with: a SQLite row for each sample, its time as
//! the key.

use std::path::Path;

use ampledger_store::NumberedSample;
use rusqlite::{Connection, params};

use super::Failure;
use super::data::CHANNELS;

const INSERT: &str = "INSERT OR IGNORE INTO reading VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";

/// A database of rows.
pub struct Rows {
    pub db: Connection,
}

impl Rows {
    pub fn create(path: &Path, synchronous: &str) -> Result<Rows, Failure> {
        let db = Connection::open(path)?;
        db.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
        db.pragma_update(None, "synchronous", synchronous)?;
        db.execute_batch(
            "CREATE TABLE reading (source INTEGER, t_us INTEGER, voltage REAL, current REAL, \
             celsius REAL, watt REAL, ah REAL, PRIMARY KEY (source, t_us)) WITHOUT ROWID",
        )?;
        Ok(Rows { db })
    }

    pub fn append(&mut self, source: i64, samples: &[NumberedSample]) -> Result<(), Failure> {
        let tx = self.db.transaction()?;
        {
            let mut insert = tx.prepare_cached(INSERT)?;
            for given in samples {
                let v = &given.sample.values;
                insert.execute(params![source, given.sample.t_us, v[0], v[1], v[2], v[3], v[4]])?;
            }
        }
        Ok(tx.commit()?)
    }

    /// As they come in, source by source, in one transaction.
    pub fn append_one_by_one(&self, samples: &[(i64, NumberedSample)]) -> Result<(), Failure> {
        self.db.execute_batch("BEGIN IMMEDIATE")?;
        for (source, given) in samples {
            let (t_us, v) = (given.sample.t_us, &given.sample.values);
            self.db
                .prepare_cached(INSERT)?
                .execute(params![source, t_us, v[0], v[1], v[2], v[3], v[4]])?;
        }
        Ok(self.db.execute_batch("COMMIT")?)
    }

    /// Bytes of the file, with nothing left in the log.
    pub fn bytes(&self) -> Result<f64, Failure> {
        self.db.pragma_update_and_check(None, "wal_checkpoint", "TRUNCATE", |_| Ok(()))?;
        Ok(std::fs::metadata(self.db.path().unwrap_or_default())?.len() as f64)
    }

    /// Reads a stretch of time into columns.
    pub fn columns(&self, from_us: i64, to_us: i64) -> Result<usize, Failure> {
        let mut find = self.db.prepare_cached(
            "SELECT t_us, voltage, current, celsius, watt, ah FROM reading \
             WHERE source = 1 AND t_us BETWEEN ?1 AND ?2",
        )?;
        let mut rows = find.query([from_us, to_us])?;
        let (mut times, mut columns) = (Vec::new(), vec![Vec::new(); CHANNELS]);
        while let Some(row) = rows.next()? {
            times.push(row.get::<_, i64>(0)?);
            for (i, column) in columns.iter_mut().enumerate() {
                column.push(row.get::<_, f64>(i + 1)?);
            }
        }
        Ok(std::hint::black_box((times, columns)).0.len())
    }
}
