//! Frames arrive in a row a second; here the rows become few and large, which
//! is what lets them be compressed well.

use rusqlite::{Connection, params};

use crate::error::{Fault, StoreError};
use crate::frame_log::{PACKED, Packed};
use crate::frames::FramesWriter;
use crate::open::Store;
use crate::packed::Packer;
use crate::{frames, packed};

/// A row below so many bytes is small; the index that finds them says the same.
const SMALL: i64 = 8192;
/// Rows that together have so many bytes become one at once.
const FULL: i64 = 16 << 10;
/// Rows that become one at most.
const MOST: usize = 512;
/// So many are worth while, where no more can come to them.
const SEVERAL: usize = 4;
/// Rows that are made in one transaction.
const AT_ONCE: usize = 8;

/// Where a small row lies.
struct Small {
    id: i64,
    decode_set: i64,
    run: i64,
    first_number: i64,
    last_number: i64,
    bytes: i64,
    /// Whether a decoder can begin with it.
    begins: bool,
}

impl Store {
    /// Puts small rows of the frame log together, a few at a time; gives back
    /// how many became others. No frame changes, nor where a decoder can begin.
    pub fn compact_frames(&mut self) -> Result<usize, StoreError> {
        self.write(|tx, working| {
            let small = small(tx)?;
            let newest = tx.query_row("SELECT ifnull(max(id), 0) FROM run", [], |r| r.get(0))?;
            let mut together = 0;
            let groups = groups(&small, newest).filter(|(rows, is_over)| is_due(rows, *is_over));
            for (rows, _) in groups.take(AT_ONCE) {
                together += join(tx, &mut working.packer, rows)?;
            }
            Ok(together)
        })
    }
}

fn small(db: &Connection) -> rusqlite::Result<Vec<Small>> {
    let mut find = db.prepare_cached(
        "SELECT id, decode_set, run, first_number, last_number, length(frames), \
         snapshot IS NOT NULL OR opens FROM frame_chunk WHERE length(frames) < 8192 \
         ORDER BY decode_set, run, first_number",
    )?;
    let rows = find.query_map([], |row| {
        Ok(Small {
            id: row.get(0)?,
            decode_set: row.get(1)?,
            run: row.get(2)?,
            first_number: row.get(3)?,
            last_number: row.get(4)?,
            bytes: row.get(5)?,
            begins: row.get(6)?,
        })
    })?;
    rows.collect()
}

/// Rows that follow one another and may become one, and whether no more will
/// come to them.
fn groups(small: &[Small], newest_run: i64) -> impl Iterator<Item = (&[Small], bool)> {
    let mut rest = small;
    std::iter::from_fn(move || {
        let mut bytes = rest.first()?.bytes;
        let mut taken = 1;
        for (before, next) in rest.iter().zip(&rest[1..]) {
            let follows = (before.decode_set, before.run) == (next.decode_set, next.run)
                && next.first_number == before.last_number.wrapping_add(1)
                && !next.begins;
            if !follows || taken == MOST || bytes >= FULL {
                break;
            }
            bytes += next.bytes;
            taken += 1;
        }
        let (group, others) = rest.split_at(taken);
        let key = (group[0].decode_set, group[0].run);
        let has_later = others.first().is_some_and(|next| (next.decode_set, next.run) == key);
        rest = others;
        Some((group, has_later || key.1 < newest_run))
    })
}

fn is_due(rows: &[Small], is_over: bool) -> bool {
    let bytes: i64 = rows.iter().map(|row| row.bytes).sum();
    rows.len() > 1 && (bytes >= FULL || rows.len() == MOST || (is_over && rows.len() >= SEVERAL))
}

/// Makes one row of several, in the place of the first.
fn join(db: &Connection, packer: &mut Packer, rows: &[Small]) -> Result<usize, Fault> {
    debug_assert!(rows.iter().all(|row| row.bytes < SMALL));
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(0) };
    let mut find = db.prepare_cached(&format!("SELECT {PACKED} FROM frame_chunk WHERE id = ?1"))?;
    // The frames are copied where they lie: as values of their own, ten minutes of a
    // fast meter would take megabytes.
    let mut all = FramesWriter::default();
    for row in rows {
        // Damage is for the doctor; nothing is put on top of it.
        let Some(()) = copy(&find.query_row([row.id], Packed::of_row)?, &mut all) else {
            return Ok(0);
        };
    }
    let range_us = all.range_us.unzip();
    let (bytes, _) = all.finish();
    db.prepare_cached(
        "DELETE FROM frame_chunk WHERE decode_set = ?1 AND run = ?2 \
         AND first_number > ?3 AND first_number <= ?4",
    )?
    .execute([first.decode_set, first.run, first.first_number, last.last_number])?;
    db.prepare_cached(
        "UPDATE frame_chunk SET last_number = ?2, t_min_us = ?3, t_max_us = ?4, frames = ?5 \
         WHERE id = ?1",
    )?
    .execute(params![
        first.id,
        last.last_number,
        range_us.0,
        range_us.1,
        packer.pack(&bytes)
    ])?;
    Ok(rows.len())
}

/// Copies the frames of a row; `None` if it is damaged or they do not fit.
fn copy(row: &Packed, to: &mut FramesWriter) -> Option<()> {
    let bytes = packed::unpack(&row.frames).ok()?;
    let mut numbers = None;
    for view in frames::views(&bytes) {
        let view = view?;
        let (first, _) = numbers.unwrap_or((view.number, view.number));
        numbers = Some((first, view.number));
        to.push(view).then_some(())?;
    }
    (numbers == Some((row.first_number, row.last_number))).then_some(())
}
