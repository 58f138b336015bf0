//! The frame log: reading its chunks, and dropping the oldest of what no
//! session needs once a source has more than its budget.

use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_types::{Bound, DecodeSet, Frame, RunId, Session};
use rusqlite::{Connection, OptionalExtension, Row, params};

use crate::append::FrameChunk;
use crate::error::{Fault, StoreError};
use crate::frames;
use crate::head::is_damage;
use crate::intern::Origins;
use crate::open::Store;
use crate::packed;
use crate::pin;
use crate::read::end;
use crate::reader::Reader;

/// Chunks dropped in one transaction.
const DROPPED_AT_ONCE: usize = 256;

/// A chunk of the frame log without its frames.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChunkHead {
    /// Its number in the store.
    pub id: i64,
    /// The run whose clock its times are.
    pub run: RunId,
    /// The decoder that took the frames in.
    pub decode_set: Arc<DecodeSet>,
    /// Number of its first frame.
    pub first_number: u64,
    /// Number of its last frame.
    pub last_number: u64,
    /// Time of the earliest frame, microseconds.
    pub t_min_us: i64,
    /// Time of the latest frame, microseconds.
    pub t_max_us: i64,
    /// Whether the decoder's state before it is kept.
    pub has_snapshot: bool,
    /// Whether its first frame is an opened connection: a decoder can begin
    /// there with nothing known.
    pub opens: bool,
    /// Whether a file was played: its samples may have times of their own,
    /// which the frames do not have.
    pub is_replayed: bool,
    /// Bytes it takes in the store.
    pub bytes: u64,
}

impl ChunkHead {
    /// Whether it may hold frames of samples between two moments. Each chunk
    /// of a replay may, if its run reaches in.
    pub fn may_reach(&self, from: Bound, to: Bound) -> bool {
        if self.is_replayed {
            return (from.run..=to.run).contains(&self.run);
        }
        let at = |t_us| Bound { run: self.run, t_us };
        at(self.t_max_us) >= from && at(self.t_min_us) <= to
    }
}

/// What was dropped of a source's frame log.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DroppedFrames {
    /// Chunks.
    pub chunks: usize,
    /// Their bytes.
    pub bytes: u64,
    /// Bytes above the budget that are left because sessions need them.
    pub held_bytes: u64,
}

/// A chunk of the frame log that cannot be read. No decoder is given any of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DamagedFrames {
    /// Its number in the store.
    pub id: i64,
    /// Whose frames it holds.
    pub source: String,
    /// First moment, microseconds, of `run`.
    pub from: Bound,
    /// Last moment.
    pub to: Bound,
    /// How many frames it holds.
    pub frames: u64,
    /// What was seen.
    pub detail: String,
}

impl Reader {
    /// Calls `take` with the frame log of one source between two moments, in
    /// order, until it breaks. Chunks come whole, since only from its snapshot
    /// on can one be decoded; the first and the last may reach beyond. One that
    /// is damaged is passed over; [`Reader::damaged_frames`] names it.
    pub fn frames(
        &self,
        source: &str,
        from: Bound,
        to: Option<Bound>,
        mut take: impl FnMut(FrameChunk) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let to = end(to);
        for head in self.chunks(source)? {
            if !head.may_reach(from, to) {
                continue;
            }
            if self.chunk(&head)?.is_some_and(|chunk| take(chunk).is_break()) {
                break;
            }
        }
        Ok(())
    }

    /// All chunks of a source's frame log, in order.
    pub fn chunks(&self, source: &str) -> Result<Vec<ChunkHead>, StoreError> {
        self.read(|db| heads(db, &self.origins, source))
    }

    /// A chunk with its frames, wherever they lie by now; `None` if it is
    /// damaged, or was dropped meanwhile.
    pub fn chunk(&self, head: &ChunkHead) -> Result<Option<FrameChunk>, StoreError> {
        match self.read(|db| load(db, head))? {
            Ok(chunk) => Ok(Some(chunk)),
            Err(None) => Ok(None),
            Err(Some(detail)) => {
                let mut damaged = self.damaged_frames.borrow_mut();
                if !damaged.iter().any(|known| known.id == head.id) {
                    damaged.push(head.damaged(detail));
                }
                Ok(None)
            }
        }
    }

    /// The damaged chunks of the frame log that this reader has come upon.
    pub fn damaged_frames(&self) -> Vec<DamagedFrames> {
        self.damaged_frames.borrow().clone()
    }
}

impl ChunkHead {
    pub(crate) fn damaged(&self, detail: String) -> DamagedFrames {
        let at = |t_us| Bound { run: self.run, t_us };
        DamagedFrames {
            id: self.id,
            source: self.decode_set.source.clone(),
            from: at(self.t_min_us),
            to: at(self.t_max_us),
            frames: self.last_number.wrapping_sub(self.first_number).wrapping_add(1),
            detail,
        }
    }
}

impl Store {
    /// Drops the oldest chunks of each source's frame log that no session and
    /// no pinned stretch needs, until it takes no more than `budget_bytes`. A
    /// session needs its sources' frames from the last saved state of the
    /// decoder before its start. Returns what was dropped, by source.
    pub fn drop_old_frames(
        &mut self,
        budget_bytes: u64,
    ) -> Result<Vec<(String, DroppedFrames)>, StoreError> {
        self.write(|tx, _| {
            let origins = Origins::default();
            let sessions = crate::records::sessions(tx, None)?;
            let pins = pin::pins(tx)?;
            let mut dropped = Vec::new();
            for source in sources(tx)? {
                let heads = heads(tx, &origins, &source)?;
                let mut needed = needed(&heads, &source, &sessions);
                for pin in pins.iter().filter(|pin| pin.source == source) {
                    let at = |t_us| Bound { run: pin.run, t_us };
                    need(&heads, at(pin.from_t_us), at(pin.to_t_us), &mut needed);
                }
                let (ids, of_source) = choose(&heads, &needed, budget_bytes);
                let mut delete = tx.prepare_cached("DELETE FROM frame_chunk WHERE id = ?1")?;
                for id in &ids {
                    delete.execute([id])?;
                }
                if of_source != DroppedFrames::default() {
                    dropped.push((source, of_source));
                }
            }
            Ok(dropped)
        })
    }
}

/// Which chunks the sessions need. What a rule opened and nobody took up needs
/// none.
fn needed(heads: &[ChunkHead], source: &String, sessions: &[Session]) -> Vec<bool> {
    let mut needed = vec![false; heads.len()];
    for session in sessions.iter().filter(|session| session.is_adopted()) {
        if !session.sources.is_empty() && !session.sources.contains(source) {
            continue;
        }
        need(heads, session.start, end(session.end), &mut needed);
    }
    needed
}

/// Notes what a stretch is decoded from: its chunks, and those before it from
/// where decoding can begin.
fn need(heads: &[ChunkHead], from: Bound, to: Bound, needed: &mut [bool]) {
    let inside = |head: &ChunkHead| head.may_reach(from, to);
    let Some(first) = heads.iter().position(inside) else { return };
    let of_run = |i: &usize| heads[*i].run == heads[first].run;
    let begin = (0..=first).rev().take_while(of_run).find(|i| heads[*i].has_snapshot);
    for (i, head) in heads.iter().enumerate().skip(begin.unwrap_or(first)) {
        needed[i] |= i <= first || inside(head);
    }
}

/// The chunks to drop now.
fn choose(heads: &[ChunkHead], needed: &[bool], budget: u64) -> (Vec<i64>, DroppedFrames) {
    let mut left: u64 = heads.iter().map(|head| head.bytes).sum();
    let (mut ids, mut dropped) = (Vec::new(), DroppedFrames::default());
    let mut all_looked_at = true;
    for (head, needed) in heads.iter().zip(needed) {
        if left <= budget || ids.len() == DROPPED_AT_ONCE {
            all_looked_at = false;
            break;
        }
        if !needed {
            ids.push(head.id);
            left -= head.bytes;
            dropped.chunks += 1;
            dropped.bytes += head.bytes;
        }
    }
    if all_looked_at {
        dropped.held_bytes = left.saturating_sub(budget);
    }
    (ids, dropped)
}

pub(crate) fn sources(db: &Connection) -> Result<Vec<String>, Fault> {
    let mut find = db.prepare_cached("SELECT DISTINCT source FROM decode_set ORDER BY source")?;
    let rows = find.query_map([], |row| row.get(0))?;
    Ok(rows.collect::<Result<_, _>>()?)
}

pub(crate) fn heads(
    db: &Connection,
    origins: &Origins,
    source: &str,
) -> Result<Vec<ChunkHead>, Fault> {
    let mut find = db.prepare_cached(
        "SELECT id, run, decode_set, first_number, last_number, t_min_us, t_max_us, \
         snapshot IS NOT NULL, opens, length(frames) + ifnull(length(snapshot), 0), \
         (SELECT replay_of IS NOT NULL FROM run WHERE run.id = frame_chunk.run) FROM frame_chunk \
         WHERE decode_set IN (SELECT id FROM decode_set WHERE source = ?1) \
         ORDER BY run, first_number, id",
    )?;
    let mut rows = find.query(params![source])?;
    let mut heads = Vec::new();
    while let Some(row) = rows.next()? {
        heads.push(head(db, origins, row)?);
    }
    Ok(heads)
}

fn head(db: &Connection, origins: &Origins, row: &Row<'_>) -> Result<ChunkHead, Fault> {
    Ok(ChunkHead {
        id: row.get(0)?,
        run: RunId(row.get(1)?),
        decode_set: origins.set(db, row.get(2)?)?,
        first_number: row.get::<_, i64>(3)?.cast_unsigned(),
        last_number: row.get::<_, i64>(4)?.cast_unsigned(),
        t_min_us: row.get(5)?,
        t_max_us: row.get(6)?,
        has_snapshot: row.get(7)?,
        opens: row.get(8)?,
        bytes: row.get::<_, i64>(9)?.cast_unsigned(),
        is_replayed: row.get::<_, Option<bool>>(10)?.unwrap_or(false),
    })
}

/// A row of the frame log as it lies in the store.
pub(crate) struct Packed {
    pub(crate) first_number: u64,
    pub(crate) last_number: u64,
    pub(crate) snapshot: Option<Vec<u8>>,
    pub(crate) frames: Vec<u8>,
}

/// The columns that [`Packed::of_row`] needs.
pub(crate) const PACKED: &str = "first_number, last_number, snapshot, frames";

impl Packed {
    pub(crate) fn of_row(row: &Row<'_>) -> rusqlite::Result<Packed> {
        Ok(Packed {
            first_number: row.get::<_, i64>("first_number")?.cast_unsigned(),
            last_number: row.get::<_, i64>("last_number")?.cast_unsigned(),
            snapshot: row.get("snapshot")?,
            frames: row.get("frames")?,
        })
    }

    /// Its frames and the decoder's state before them; otherwise what is wrong.
    pub(crate) fn open(&self) -> Result<(Vec<Frame>, Option<Vec<u8>>), &'static str> {
        let snapshot = self.snapshot.as_deref().map(packed::unpack).transpose()?;
        let frames =
            frames::read(&packed::unpack(&self.frames)?).ok_or("its content contradicts itself")?;
        let number = |frame: Option<&Frame>| frame.map(|frame| frame.number);
        let fits = number(frames.first()) == Some(self.first_number)
            && number(frames.last()) == Some(self.last_number);
        if fits { Ok((frames, snapshot)) } else { Err("it is not what its row says") }
    }
}

/// What is in a chunk; otherwise how it is damaged, or nothing if it is gone.
pub(crate) fn load(
    db: &Connection,
    head: &ChunkHead,
) -> Result<Result<FrameChunk, Option<String>>, Fault> {
    // Put together with others it lies in the row of the first of them.
    let mut find = db.prepare_cached(&format!(
        "SELECT {PACKED} FROM frame_chunk WHERE run = ?1 AND first_number <= ?2 \
         AND last_number >= ?2 AND decode_set IN (SELECT id FROM decode_set WHERE source = ?3) \
         ORDER BY first_number DESC LIMIT 1"
    ))?;
    let with = params![head.run.0, head.first_number.cast_signed(), head.decode_set.source];
    let row = match find.query_row(with, Packed::of_row).optional() {
        Ok(Some(row)) => row,
        Ok(None) => return Ok(Err(None)),
        // A page of it is bad; those of others need not be.
        Err(e) if is_damage(&e) => return Ok(Err(Some(e.to_string()))),
        Err(other) => return Err(other.into()),
    };
    let (mut frames, snapshot) = match row.open() {
        Ok(opened) => opened,
        Err(detail) => return Ok(Err(Some(detail.to_owned()))),
    };
    let is_first = row.first_number == head.first_number;
    frames.retain(|frame| (head.first_number..=head.last_number).contains(&frame.number));
    let (run, decode_set) = (head.run, head.decode_set.clone());
    Ok(Ok(FrameChunk { run, decode_set, snapshot: snapshot.filter(|_| is_first), frames }))
}
