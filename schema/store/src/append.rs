//! Appending: samples, frames, markers and clock observations, one batch in
//! one transaction.

use std::sync::Arc;

use ampledger_types::{
    ClockObservation, DecodeSet, Frame, FrameKind, LineMark, Marker, RunId, Sample, Seq,
};
use rusqlite::{Connection, params};

use crate::columns::Block;
use crate::error::{Fault, Refusal, StoreError};
use crate::frames;
use crate::intern;
use crate::open::Store;
use crate::packed::Packer;
use crate::working::Working;
use crate::{again, seal};

/// A sample with its number and where it came from.
#[derive(Clone, Debug, PartialEq)]
pub struct NumberedSample {
    /// Its number in the store, from 1, growing in order of arrival.
    pub seq: Seq,
    /// The run whose clock its time is.
    pub run: RunId,
    /// What made it.
    pub decode_set: Arc<DecodeSet>,
    /// The sample.
    pub sample: Sample,
}

/// A stretch of the frame log of one source.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameChunk {
    /// The run whose clock the frames' times are.
    pub run: RunId,
    /// The decoder that took the frames in, with its source.
    pub decode_set: Arc<DecodeSet>,
    /// The decoder's state before the first of the frames; `None` where the
    /// chunk goes on from the one before.
    pub snapshot: Option<Vec<u8>>,
    /// The frames, in order, at least one.
    pub frames: Vec<Frame>,
}

/// What is written in one transaction.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Batch {
    /// Samples, their numbers growing.
    pub samples: Vec<NumberedSample>,
    /// Samples that lie in columns, their numbers growing, after those above.
    /// Where a block fills chunks they are written as they lie.
    pub blocks: Vec<Block>,
    /// Frames of any sources.
    pub frames: Vec<FrameChunk>,
    /// Markers.
    pub markers: Vec<Marker>,
    /// Clock observations, each with its boot id.
    pub observations: Vec<(String, ClockObservation)>,
    /// Where in a file the samples came from.
    pub line_marks: Vec<LineMark>,
}

impl Batch {
    /// Whether there is nothing to write.
    pub fn is_empty(&self) -> bool {
        self.samples.is_empty()
            && self.blocks.is_empty()
            && self.frames.is_empty()
            && self.markers.is_empty()
            && self.observations.is_empty()
            && self.line_marks.is_empty()
    }
}

impl Store {
    /// Writes the batch in one transaction and returns up to which number all
    /// samples are recorded.
    ///
    /// After an error nothing of it is written, and the batch can be given
    /// again, with more added to it, to this handle or to a new one. Whatever
    /// of it is on disk already, because only the confirmation was lost, is
    /// left as it is.
    pub fn append(&mut self, batch: &Batch) -> Result<Seq, StoreError> {
        if batch.is_empty() {
            return Ok(self.recorded_up_to);
        }
        let before = self.recorded_up_to;
        self.write(|tx, working| {
            write_samples(tx, working, &batch.samples, before)?;
            let mut after = batch.samples.last().map_or(0, |sample| sample.seq);
            for block in &batch.blocks {
                after = write_block(tx, working, block, (after, before))?;
            }
            for chunk in &batch.frames {
                write_frames(tx, &mut working.packer, chunk)?;
            }
            for marker in &batch.markers {
                write_marker(tx, marker)?;
            }
            for (boot_id, seen) in &batch.observations {
                write_observation(tx, boot_id, *seen)?;
            }
            for mark in &batch.line_marks {
                write_line_mark(tx, mark)?;
            }
            Ok(())
        })?;
        let of_blocks = batch.blocks.iter().filter_map(|block| block.seqs.last().copied());
        let newest = of_blocks.chain(batch.samples.last().map(|s| s.seq)).max().unwrap_or(0);
        self.recorded_up_to = before.max(newest);
        Ok(self.recorded_up_to)
    }
}

pub(crate) fn write_samples(
    db: &Connection,
    working: &mut Working,
    samples: &[NumberedSample],
    recorded_up_to: Seq,
) -> Result<(), Fault> {
    let (mut after, mut groups) = (0, Vec::with_capacity(samples.len()));
    for given in samples {
        check(given, after)?;
        working.interned.run(db, given.run.0)?;
        groups.push(working.interned.group(db, &given.decode_set, &given.sample.group)?);
        after = given.seq;
    }
    let (old, new) = samples.split_at(samples.partition_point(|s| s.seq <= recorded_up_to));
    let (old_groups, new_groups) = groups.split_at(old.len());
    again::check(db, old, old_groups)?;
    working.summaries.load(db, &mut working.interned)?;
    working.summaries.add(db, new, new_groups)?;
    seal::write(db, &mut working.tails, new, new_groups)
}

/// Writes a block; gives back its last number. `after` is the number ahead of it.
fn write_block(
    db: &Connection,
    working: &mut Working,
    block: &Block,
    (after, recorded_up_to): (Seq, Seq),
) -> Result<Seq, Fault> {
    let (Some(first), Some(last)) = (block.seqs.first(), block.seqs.last()) else {
        return Ok(after);
    };
    if !block.is_even() {
        return Err(Refusal::Uneven { seq: *first }.into());
    }
    let in_order = *first > after && i64::try_from(*last).is_ok();
    // Sample by sample it is found where a number is wrong, or taken.
    if !in_order || !block.seqs.is_sorted_by(|a, b| a < b) || *first <= recorded_up_to {
        let samples: Vec<NumberedSample> = block.samples().collect();
        check(&samples[0], after)?;
        write_samples(db, working, &samples, recorded_up_to)?;
        return Ok(*last);
    }
    working.interned.run(db, block.run.0)?;
    let group = working.interned.group(db, &block.decode_set, &block.group)?;
    working.summaries.load(db, &mut working.interned)?;
    working.summaries.add_block(db, block, group)?;
    seal::write_block(db, &mut working.tails, block, group)?;
    Ok(*last)
}

/// Whether the sample can be kept.
fn check(given: &NumberedSample, after: Seq) -> Result<(), Refusal> {
    let seq = given.seq;
    let (values, channels) = (given.sample.values.len(), given.sample.group.channels.len());
    if values != channels {
        return Err(Refusal::ValueCount { seq, values, channels });
    }
    match i64::try_from(seq) {
        Ok(_) if seq > after => Ok(()),
        _ => Err(Refusal::OutOfOrder { seq, after }),
    }
}

fn write_frames(db: &Connection, packer: &mut Packer, chunk: &FrameChunk) -> Result<(), Fault> {
    let set = intern::decode_set(db, &chunk.decode_set)?;
    let mut insert = db.prepare_cached(
        "INSERT INTO frame_chunk \
         (run, decode_set, first_number, last_number, t_min_us, t_max_us, opens, snapshot, frames) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO NOTHING",
    )?;
    let mut is_there = db.prepare_cached(
        "SELECT 1 FROM frame_chunk WHERE decode_set = ?1 AND run = ?2 \
         AND first_number <= ?3 AND last_number >= ?3",
    )?;
    let (mut snapshot, mut rest) = (chunk.snapshot.as_deref(), chunk.frames.as_slice());
    while let Some(first) = rest.first() {
        let (bytes, taken) = frames::write(rest);
        let (row, left) = rest.split_at(taken);
        rest = left;
        // Given again: it may have been put together with others meanwhile.
        if is_there.exists(params![set, chunk.run.0, first.number.cast_signed()])? {
            snapshot = None;
            continue;
        }
        let times = || row.iter().map(|f| f.t_us);
        let last = row.last().unwrap_or(first);
        insert.execute(params![
            chunk.run.0,
            set,
            first.number.cast_signed(),
            last.number.cast_signed(),
            times().min(),
            times().max(),
            first.kind == FrameKind::Opened,
            snapshot.take().map(|snapshot| packer.pack(snapshot)),
            packer.pack(&bytes)
        ])?;
    }
    Ok(())
}

pub(crate) fn write_marker(db: &Connection, marker: &Marker) -> Result<(), Fault> {
    let Marker { at, kind, source, session, count, lines, text } = marker;
    let lines = crate::records::to_json("the marker", lines)?;
    let kind = crate::records::to_json("the marker", kind)?;
    let kind = kind.trim_matches('"');
    db.prepare_cached(
        "INSERT INTO marker (run, t_us, kind, source, session, text, count, lines) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT DO NOTHING",
    )?
    .execute(params![at.run.0, at.t_us, kind, source, session, text, *count as i64, lines])?;
    Ok(())
}

fn write_line_mark(db: &Connection, mark: &LineMark) -> rusqlite::Result<()> {
    db.prepare_cached(
        "INSERT INTO line_mark (run, seq, line) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
    )?
    .execute(params![mark.run.0, mark.seq as i64, mark.line as i64])?;
    Ok(())
}

fn write_observation(
    db: &Connection,
    boot_id: &str,
    seen: ClockObservation,
) -> rusqlite::Result<()> {
    db.prepare_cached(
        "INSERT INTO clock_observation (boot_id, t_us, unix_us, synchronised) \
         VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING",
    )?
    .execute(params![boot_id, seen.t_us, seen.unix_us, seen.synchronised])?;
    Ok(())
}

#[cfg(test)]
pub(crate) mod testing {
    use super::*;
    use ampledger_types::{Channel, Group, Quantity};

    pub(crate) fn samples(
        run: RunId,
        numbers: std::ops::RangeInclusive<Seq>,
    ) -> Vec<NumberedSample> {
        let decode_set = Arc::new(DecodeSet {
            source: "bench-shunt".to_owned(),
            decoder: "text-lines".to_owned(),
            decoder_version: "1".to_owned(),
            config_digest: String::new(),
            identity: None,
        });
        let channels = vec![Channel::of(Quantity::Voltage), Channel::of(Quantity::Current)];
        let group = Arc::new(Group { name: String::new(), channels });
        numbers
            .map(|seq| NumberedSample {
                seq,
                run,
                decode_set: decode_set.clone(),
                sample: Sample {
                    group: group.clone(),
                    t_us: seq.cast_signed() * 100_000,
                    instrument_t_us: None,
                    values: vec![26.4, -12.1],
                },
            })
            .collect()
    }
}
