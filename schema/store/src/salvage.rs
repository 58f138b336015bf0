//! Salvage: what can be read of a damaged store goes into a new one, row by
//! row. The damaged one is only read.

use std::ops::ControlFlow;
use std::path::Path;

use rusqlite::types::Value;
use rusqlite::{Connection, Row, params_from_iter};

use crate::chunk::Columns;
use crate::error::{Fault, OpenError};
use crate::frame_log::Packed;
use crate::head::is_damage;
use crate::migrations::{self, STEPS};
use crate::open::{Store, connect, make_sure, refuse_foreign};
use crate::path::{beside, length, resolve, resolve_existing};

/// Tables whose rows have a number, in the order in which they need each other.
const NUMBERED: [&str; 15] = [
    "run",
    "decode_set",
    "channel_group",
    "channel",
    "pack",
    "session",
    "calibration",
    "report",
    "marker",
    "redecoding",
    "frame_chunk",
    "tail",
    "chunk",
    "thinned",
    "pin",
];
/// Tables whose rows have none, after those they need.
const UNNUMBERED: [&str; 7] =
    ["instrument", "clock_observation", "session_tag", "line_mark", "minute", "hour", "summed"];
/// What a store that was set aside hands on: what is known, not what was read.
const KNOWN: [&str; 7] =
    ["run", "instrument", "clock_observation", "pack", "session", "session_tag", "calibration"];

/// What came over.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Salvaged {
    /// Rows that came over, by table, in order.
    pub rows: Vec<(String, u64)>,
    /// Samples that came over.
    pub samples: u64,
    /// Chunks of samples that could not be read, by number.
    pub lost_chunks: Vec<i64>,
    /// Chunks of the frame log that could not be read, by number.
    pub lost_frames: Vec<i64>,
    /// Tables of which something could not be read.
    pub damaged_tables: Vec<String>,
}

/// Makes a new store at `new` of what can be read of the one at `old`.
/// `progress` is told how many tables were copied, of how many, and may end it;
/// then nothing is left of it.
pub fn salvage(
    old: &Path,
    new: &Path,
    mut progress: impl FnMut(u64, u64) -> ControlFlow<()>,
) -> Result<Option<Salvaged>, OpenError> {
    let old = resolve_existing(old)?;
    refuse_foreign(&old)?;
    let new = resolve(new)?;
    if length(&new) > 0 {
        return Err(OpenError::Exists { path: new });
    }
    let at = |e: rusqlite::Error| OpenError::from(Fault::from(e).at(&old));
    let from = connect(&old).map_err(at)?;
    make_sure(&from, &old)?;
    let (found, known) = (migrations::format(&from).map_err(at)?, migrations::newest(STEPS));
    if found != known {
        return Err(OpenError::Newer { path: old, found, known });
    }
    drop(Store::open(&new)?);
    let into = connect(&new).map_err(|e| OpenError::from(Fault::from(e).at(&new)))?;
    let mut salvage = Salvage { from: &from, into: &into, done: Salvaged::default(), tries: 0 };
    let copied = salvage.everything(&mut progress);
    let is_whole = copied.map_err(|e| OpenError::from(Fault::from(e).at(&new)))?;
    let done = salvage.done;
    if is_whole {
        return Ok(Some(done));
    }
    drop(into);
    for suffix in ["", "-wal", "-shm", ".lock"] {
        // What is left of it is no store that anybody asked for.
        let _ = std::fs::remove_file(beside(&new, suffix));
    }
    Ok(None)
}

/// Copies what is known of packs and open sessions; what cannot be read is left.
pub(crate) fn hand_on(from: &Connection, into: &Connection) -> rusqlite::Result<()> {
    let mut salvage = Salvage { from, into, done: Salvaged::default(), tries: 0 };
    into.execute_batch("PRAGMA foreign_keys = OFF; BEGIN IMMEDIATE")?;
    for table in KNOWN {
        salvage.table(table)?;
    }
    into.execute_batch(
        "DELETE FROM session WHERE end_run IS NOT NULL; \
         DELETE FROM session_tag WHERE session NOT IN (SELECT id FROM session)",
    )?;
    salvage.mend()?;
    into.execute_batch("COMMIT; PRAGMA foreign_keys = ON")
}

struct Salvage<'a> {
    from: &'a Connection,
    into: &'a Connection,
    done: Salvaged,
    /// How often it may still be tried to read around damage in this table.
    tries: u32,
}

/// How often it is tried to read around damage in one table: enough for some
/// hundred pages, and an end where all of a table is gone.
const TRIES: u32 = 20_000;

impl Salvage<'_> {
    /// Whether it went through.
    fn everything(
        &mut self,
        progress: &mut dyn FnMut(u64, u64) -> ControlFlow<()>,
    ) -> rusqlite::Result<bool> {
        self.into.execute_batch("PRAGMA foreign_keys = OFF")?;
        let all = (NUMBERED.len() + UNNUMBERED.len()) as u64;
        for (done, table) in (0..).zip(NUMBERED.into_iter().chain(UNNUMBERED)) {
            if progress(done, all).is_break() {
                return Ok(false);
            }
            self.into.execute_batch("BEGIN IMMEDIATE")?;
            self.table(table)?;
            self.into.execute_batch("COMMIT")?;
        }
        self.into.execute_batch("BEGIN IMMEDIATE")?;
        self.mend()?;
        let tail: i64 = self.into.query_row("SELECT count(*) FROM tail", [], |r| r.get(0))?;
        self.done.samples += tail.unsigned_abs();
        self.into.execute_batch("COMMIT")?;
        Ok(true)
    }

    fn table(&mut self, table: &str) -> rusqlite::Result<()> {
        self.done.rows.push((table.to_owned(), 0));
        self.tries = TRIES;
        if table == "summed" {
            self.into.execute("DELETE FROM summed", [])?;
        }
        if NUMBERED.contains(&table) {
            let ends = format!("SELECT min(rowid), max(rowid) FROM {table}");
            match self.from.query_row(&ends, [], |row| Ok((row.get(0)?, row.get(1)?))) {
                Ok((Some(first), Some(last))) => self.span(table, first, last)?,
                Ok(_) => {}
                // Its ends cannot be found: look everywhere a row may be.
                Err(e) if is_damage(&e) => self.span(table, 1, 1 << 40)?,
                Err(other) => return Err(other),
            }
        } else {
            self.forth_and_back(table)?;
        }
        Ok(())
    }

    /// Copies the rows with these numbers; where that fails, each half alone.
    fn span(&mut self, table: &str, first: i64, last: i64) -> rusqlite::Result<()> {
        let all = format!("SELECT rowid, * FROM {table} WHERE rowid BETWEEN ?1 AND ?2");
        match self.copy(table, &all, &[first, last], 1) {
            Err(e) if is_damage(&e) => {
                self.damaged(table);
                self.tries = self.tries.saturating_sub(1);
                if first == last || self.tries == 0 {
                    return Ok(());
                }
                let middle = first + (last - first) / 2;
                self.span(table, first, middle)?;
                self.span(table, middle + 1, last)
            }
            other => other,
        }
    }

    /// Copies the rows from either end up to where they cannot be read.
    fn forth_and_back(&mut self, table: &str) -> rusqlite::Result<()> {
        let key = match table {
            "instrument" => "source DESC, from_run DESC",
            "clock_observation" => "boot_id DESC, t_us DESC",
            "session_tag" => "session DESC, position DESC",
            "line_mark" => "run DESC, seq DESC",
            "summed" => "what DESC",
            _ => "channel DESC, run DESC",
        };
        for order in [String::new(), format!(" ORDER BY {key}")] {
            match self.copy(table, &format!("SELECT * FROM {table}{order}"), &[], 0) {
                Err(e) if is_damage(&e) => self.damaged(table),
                other => return other,
            }
        }
        Ok(())
    }

    /// Copies what a query gives, but for its first columns.
    fn copy(
        &mut self,
        table: &str,
        query: &str,
        with: &[i64],
        skip: usize,
    ) -> rusqlite::Result<()> {
        let mut find = self.from.prepare(query)?;
        let columns = find.column_count();
        let marks = vec!["?"; columns - skip].join(", ");
        let insert = format!("INSERT OR IGNORE INTO {table} VALUES ({marks})");
        let mut insert = self.into.prepare(&insert)?;
        let mut rows = find.query(params_from_iter(with))?;
        while let Some(row) = rows.next()? {
            let values: Vec<Value> =
                (skip..columns).map(|i| row.get(i)).collect::<Result<_, _>>()?;
            if table == "chunk" && !self.chunk(row.get(0)?)? {
                continue;
            }
            if table == "frame_chunk" && !self.are_frames(row)? {
                continue;
            }
            let copied = insert.execute(params_from_iter(&values))? as u64;
            if let Some((_, rows)) = self.done.rows.last_mut() {
                *rows += copied;
            }
        }
        Ok(())
    }

    /// Copies what is in a chunk, if it is sound.
    fn chunk(&mut self, id: i64) -> rusqlite::Result<bool> {
        let find = "SELECT data FROM chunk_data WHERE chunk = ?1";
        let data = self.from.prepare_cached(find)?.query_row([id], |row| row.get::<_, Vec<u8>>(0));
        let sound = match data {
            Ok(data) => Columns::from_bytes(&data).ok().map(|columns| (data, columns.len())),
            Err(rusqlite::Error::QueryReturnedNoRows) => None,
            Err(e) if is_damage(&e) => None,
            Err(other) => return Err(other),
        };
        let Some((data, samples)) = sound else {
            if !self.done.lost_chunks.contains(&id) {
                self.done.lost_chunks.push(id);
            }
            return Ok(false);
        };
        let insert = "INSERT OR IGNORE INTO chunk_data VALUES (?1, ?2)";
        let copied = self.into.prepare_cached(insert)?.execute((id, data))?;
        self.done.samples += (copied * samples) as u64;
        Ok(true)
    }

    /// Whether the frames of a row are sound.
    fn are_frames(&mut self, row: &Row<'_>) -> rusqlite::Result<bool> {
        let is_sound = Packed::of_row(row)?.open().is_ok();
        if !is_sound {
            self.done.lost_frames.push(row.get(0)?);
        }
        Ok(is_sound)
    }

    fn damaged(&mut self, table: &str) {
        if !self.done.damaged_tables.iter().any(|known| known == table) {
            self.done.damaged_tables.push(table.to_owned());
        }
    }

    /// Rows name runs and decode sets that were lost: those come back without
    /// what was known of them. What names anything else that was lost goes.
    fn mend(&mut self) -> rusqlite::Result<()> {
        self.into.execute_batch(
            "INSERT OR IGNORE INTO run \
             SELECT DISTINCT run, 'lost-' || run, 0, 1.0, 'salvaged', NULL FROM tail; \
             DELETE FROM tail WHERE channel_group NOT IN (SELECT id FROM channel_group)",
        )?;
        // Rather too little counted than twice.
        for what in ["minute", "hour"] {
            let newest = crate::reader::NEWEST;
            let set = format!("INSERT OR IGNORE INTO summed VALUES (?1, ({newest}))");
            self.into.execute(&set, [what])?;
        }
        // What goes leaves others behind, but only so often: the references
        // of the tables are not that deep.
        for _ in 0..8 {
            let mut find = self.into.prepare("PRAGMA foreign_key_check")?;
            let orphans: Vec<(String, Option<i64>, String)> = find
                .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?
                .collect::<Result<_, _>>()?;
            if orphans.is_empty() {
                break;
            }
            for (table, row, missing) in orphans {
                self.mend_row(&table, row, &missing)?;
            }
        }
        Ok(())
    }

    fn mend_row(&mut self, table: &str, row: Option<i64>, missing: &str) -> rusqlite::Result<()> {
        let Some(row) = row else {
            // A row without a number is a note about what is lost.
            let key = if table == "session_tag" { "session" } else { missing };
            let gone = format!("DELETE FROM {table} WHERE {key} NOT IN (SELECT id FROM {missing})");
            return match table {
                "instrument" => self.bring_back("instrument", "from_run", "1 = ?1", 1),
                "line_mark" => self.bring_back("line_mark", "run", "1 = ?1", 1),
                _ => self.into.execute(&gone, []).map(drop),
            };
        };
        match (missing, table) {
            ("run", "session") => {
                self.bring_back(table, "start_run", "id = ?1", row)?;
                self.bring_back(table, "ifnull(end_run, start_run)", "id = ?1", row)
            }
            ("run", "calibration") => {
                self.bring_back(table, "from_run", "id = ?1", row)?;
                self.bring_back(table, "run", "id = ?1", row)
            }
            ("run", _) => self.bring_back(table, "run", "id = ?1", row),
            ("decode_set", _) => {
                let back = format!(
                    "INSERT OR IGNORE INTO decode_set \
                     SELECT decode_set, 'lost-' || decode_set, 'lost', '', '', NULL \
                     FROM {table} WHERE id = ?1"
                );
                self.into.execute(&back, [row]).map(drop)
            }
            (_, "chunk_data") => {
                self.into.execute("DELETE FROM chunk_data WHERE chunk = ?1", [row]).map(drop)
            }
            (_, "chunk") => {
                let find = "SELECT samples FROM chunk WHERE id = ?1";
                let samples: i64 = self.into.query_row(find, [row], |found| found.get(0))?;
                self.done.samples -= samples.unsigned_abs();
                self.done.lost_chunks.push(row);
                self.into.execute("DELETE FROM chunk WHERE id = ?1", [row]).map(drop)
            }
            _ => self.into.execute(&format!("DELETE FROM {table} WHERE id = ?1"), [row]).map(drop),
        }
    }

    /// Makes the runs that rows name.
    fn bring_back(&self, table: &str, run: &str, rows: &str, row: i64) -> rusqlite::Result<()> {
        let back = format!(
            "INSERT OR IGNORE INTO run \
             SELECT DISTINCT {run}, 'lost-' || {run}, 0, 1.0, 'salvaged', NULL \
             FROM {table} WHERE {rows}"
        );
        self.into.execute(&back, [row]).map(drop)
    }
}
