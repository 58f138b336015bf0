//! Frames arrive in a row a second; here the rows become few and large, which
//! is what lets them be compressed well.

use rusqlite::{Connection, Row, params};

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
            let mut together = 0;
            for rows in due(tx)? {
                together += join(tx, &mut working.packer, &rows)?;
            }
            Ok(together)
        })
    }
}

impl Small {
    fn of_row(row: &Row<'_>) -> rusqlite::Result<Small> {
        Ok(Small {
            id: row.get(0)?,
            decode_set: row.get(1)?,
            run: row.get(2)?,
            first_number: row.get(3)?,
            last_number: row.get(4)?,
            bytes: row.get(5)?,
            begins: row.get(6)?,
        })
    }

    fn is_of_one_log_with(&self, other: &Small) -> bool {
        (self.decode_set, self.run) == (other.decode_set, other.run)
    }
}

/// Some of the rows that are to become one, those together that become the
/// same. There may be thousands that are not due yet: these are not held.
fn due(db: &Connection) -> rusqlite::Result<Vec<Vec<Small>>> {
    let newest = db.query_row("SELECT ifnull(max(id), 0) FROM run", [], |row| row.get(0))?;
    let mut find = db.prepare_cached(
        "SELECT id, decode_set, run, first_number, last_number, length(frames), \
         snapshot IS NOT NULL OR opens FROM frame_chunk WHERE length(frames) < 8192 \
         ORDER BY decode_set, run, first_number",
    )?;
    let mut rows = find.query([])?;
    let (mut due, mut group) = (Vec::new(), Vec::new());
    while due.len() < AT_ONCE {
        let next = rows.next()?.map(Small::of_row).transpose()?;
        if next.as_ref().is_none_or(|next| !takes(&group, next)) {
            let whole = std::mem::take(&mut group);
            if is_due(&whole, next.as_ref(), newest) {
                due.push(whole);
            }
        }
        let Some(next) = next else { break };
        group.push(next);
    }
    Ok(due)
}

/// Whether a row follows those of a group and may become one with them.
fn takes(group: &[Small], next: &Small) -> bool {
    let bytes: i64 = group.iter().map(|row| row.bytes).sum();
    group.last().is_none_or(|last| {
        next.is_of_one_log_with(last)
            && next.first_number == last.last_number.wrapping_add(1)
            && !next.begins
            && group.len() < MOST
            && bytes < FULL
    })
}

/// Whether it is worth while; for a few rows only where no more can come to
/// them, since others follow in the same log or its run is over.
fn is_due(group: &[Small], next: Option<&Small>, newest_run: i64) -> bool {
    let Some(last) = group.last() else { return false };
    let bytes: i64 = group.iter().map(|row| row.bytes).sum();
    let is_over = last.run < newest_run || next.is_some_and(|next| next.is_of_one_log_with(last));
    let is_full = bytes >= FULL || group.len() == MOST;
    group.len() > 1 && (is_full || (is_over && group.len() >= SEVERAL))
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
