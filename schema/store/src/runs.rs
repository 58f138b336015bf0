//! Runs, and the clock observations that give their times a date.

use std::collections::BTreeMap;

use ampledger_types::{
    Bound, ClockMap, ClockObservation, Instrument, LineMark, Marker, Run, RunId,
};
use rusqlite::{Row, params};

use crate::error::{Fault, StoreError};
use crate::open::Store;
use crate::read::end;
use crate::reader::Reader;
use crate::records::{from_json, to_json};

/// A run that begins.
#[derive(Clone, Debug, PartialEq)]
pub struct NewRun {
    /// Whose clock its times are.
    pub boot_id: String,
    /// Boot clock at its start, microseconds.
    pub started_t_us: i64,
    /// Real seconds are multiplied by this.
    pub clock_rate: f64,
    /// Version and build of the program.
    pub recorded_by: String,
    /// The one source of a replay; `None` for a live run.
    pub replay_of: Option<String>,
}

impl Store {
    /// Writes the run down and gives it its number.
    pub fn begin_run(&mut self, new: &NewRun) -> Result<Run, StoreError> {
        let NewRun { boot_id, started_t_us, clock_rate, recorded_by, replay_of } = new;
        self.write(|tx, working| {
            tx.execute(
                "INSERT INTO run (boot_id, started_t_us, clock_rate, recorded_by, replay_of) \
                 VALUES (?1, ?2, ?3, ?4, ?5)",
                params![boot_id, started_t_us, clock_rate, recorded_by, replay_of],
            )?;
            let id = tx.last_insert_rowid();
            working.tails.seal_before(tx, id)?;
            Ok(Run {
                id: RunId(id),
                boot_id: boot_id.clone(),
                started_t_us: *started_t_us,
                clock_rate: *clock_rate,
                recorded_by: recorded_by.clone(),
                replay_of: replay_of.clone(),
            })
        })
    }

    /// Makes sure that a run is there which began in a store that was set aside.
    pub fn bring_run(&mut self, run: &Run) -> Result<(), StoreError> {
        self.write(|tx, _| {
            tx.execute(
                "INSERT INTO run (id, boot_id, started_t_us, clock_rate, recorded_by, replay_of) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT DO NOTHING",
                params![
                    run.id.0,
                    run.boot_id,
                    run.started_t_us,
                    run.clock_rate,
                    run.recorded_by,
                    run.replay_of
                ],
            )?;
            Ok(())
        })
    }

    /// Notes how the instruments are described from a run on, by source; what
    /// was described the same before is not repeated.
    pub fn put_instruments(
        &mut self,
        run: RunId,
        instruments: &BTreeMap<String, Instrument>,
    ) -> Result<(), StoreError> {
        self.write(|tx, _| {
            for (source, instrument) in instruments {
                let body = to_json("the instrument", instrument)?;
                tx.execute(
                    "INSERT INTO instrument (source, from_run, body) \
                     SELECT ?1, ?2, ?3 WHERE ?3 IS NOT \
                     (SELECT body FROM instrument WHERE source = ?1 ORDER BY from_run DESC LIMIT 1) \
                     ON CONFLICT DO UPDATE SET body = excluded.body",
                    params![source, run.0, body],
                )?;
            }
            Ok(())
        })
    }
}

impl Reader {
    /// All runs, in order.
    pub fn runs(&self) -> Result<Vec<Run>, StoreError> {
        self.read(|db| {
            let mut find = db.prepare_cached(
                "SELECT id, boot_id, started_t_us, clock_rate, recorded_by, replay_of \
                 FROM run ORDER BY id",
            )?;
            let rows = find.query_map([], run)?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }

    /// What was seen of the wall clock in one boot, in order of the boot clock.
    pub fn observations(&self, boot_id: &str) -> Result<Vec<ClockObservation>, StoreError> {
        self.read(|db| {
            let mut find = db.prepare_cached(
                "SELECT t_us, unix_us, synchronised FROM clock_observation \
                 WHERE boot_id = ?1 ORDER BY t_us, unix_us, synchronised",
            )?;
            let rows = find.query_map([boot_id], |row| {
                Ok(ClockObservation {
                    t_us: row.get(0)?,
                    unix_us: row.get(1)?,
                    synchronised: row.get(2)?,
                })
            })?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }

    /// Gives one boot's times a date.
    pub fn clock_map(&self, boot_id: &str) -> Result<ClockMap, StoreError> {
        Ok(ClockMap::new(self.observations(boot_id)?))
    }

    /// What happened between two moments, both included, in order of time.
    pub fn markers(&self, from: Bound, to: Option<Bound>) -> Result<Vec<Marker>, StoreError> {
        let to = end(to);
        self.read(|db| {
            let mut find = db.prepare_cached(
                "SELECT run, t_us, kind, source, session, text, count, lines FROM marker \
                 WHERE (run, t_us) >= (?1, ?2) AND (run, t_us) <= (?3, ?4) \
                 ORDER BY run, t_us, id",
            )?;
            let mut rows = find.query(params![from.run.0, from.t_us, to.run.0, to.t_us])?;
            let mut markers = Vec::new();
            while let Some(row) = rows.next()? {
                markers.push(marker(row)?);
            }
            Ok(markers)
        })
    }

    /// Where in files the samples of a run came from, in order of number.
    pub fn line_marks(&self, run: RunId) -> Result<Vec<LineMark>, StoreError> {
        self.read(|db| {
            let find = "SELECT seq, line FROM line_mark WHERE run = ?1 ORDER BY seq";
            let mut find = db.prepare_cached(find)?;
            let mark = |row: &Row<'_>| {
                let (seq, line): (i64, i64) = (row.get(0)?, row.get(1)?);
                Ok(LineMark { run, seq: seq.unsigned_abs(), line: line.unsigned_abs() })
            };
            let rows = find.query_map([run.0], mark)?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }

    /// What concerns one session, whenever it was written down.
    pub fn markers_of(&self, session: i64) -> Result<Vec<Marker>, StoreError> {
        self.read(|db| {
            let mut find = db.prepare_cached(
                "SELECT run, t_us, kind, source, session, text, count, lines FROM marker \
                 WHERE session = ?1 ORDER BY run, t_us, id",
            )?;
            let mut rows = find.query([session])?;
            let mut markers = Vec::new();
            while let Some(row) = rows.next()? {
                markers.push(marker(row)?);
            }
            Ok(markers)
        })
    }

    /// How the instruments were described in a run, by source.
    pub fn instruments(&self, run: RunId) -> Result<BTreeMap<String, Instrument>, StoreError> {
        self.read(|db| {
            let mut find = db.prepare_cached(
                "SELECT source, body FROM instrument WHERE from_run <= ?1 ORDER BY from_run",
            )?;
            let mut rows = find.query([run.0])?;
            let mut instruments = BTreeMap::new();
            while let Some(row) = rows.next()? {
                let body: String = row.get(1)?;
                instruments.insert(row.get(0)?, from_json("instrument", &body)?);
            }
            Ok(instruments)
        })
    }

    /// Every source that ever recorded, in order of name.
    pub fn sources(&self) -> Result<Vec<String>, StoreError> {
        self.read(|db| {
            let find = "SELECT DISTINCT source FROM decode_set ORDER BY source";
            let mut find = db.prepare_cached(find)?;
            let rows = find.query_map([], |row| row.get(0))?;
            Ok(rows.collect::<Result<_, _>>()?)
        })
    }
}

fn run(row: &Row<'_>) -> rusqlite::Result<Run> {
    Ok(Run {
        id: RunId(row.get(0)?),
        boot_id: row.get(1)?,
        started_t_us: row.get(2)?,
        clock_rate: row.get(3)?,
        recorded_by: row.get(4)?,
        replay_of: row.get(5)?,
    })
}

fn marker(row: &Row<'_>) -> Result<Marker, Fault> {
    let kind: String = row.get(2)?;
    let lines: String = row.get(7)?;
    Ok(Marker {
        at: Bound { run: RunId(row.get(0)?), t_us: row.get(1)? },
        kind: from_json("marker", &format!("\"{kind}\""))?,
        source: row.get(3)?,
        session: row.get(4)?,
        text: row.get(5)?,
        count: row.get::<_, i64>(6)?.unsigned_abs(),
        lines: from_json("marker", &lines)?,
    })
}
