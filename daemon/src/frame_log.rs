//! Collects one connection's frames into chunks for the record, each big
//! enough to be worth a row, with the decoder's state at the start of some.

use std::sync::Arc;

use ampledger_store::FrameChunk;
use ampledger_types::{DecodeSet, Frame, RunId};

use crate::recorder::Recorder;

/// Bytes of frames after which a chunk is handed over without waiting.
const CHUNK_BYTES: usize = 64 << 10;
/// Bytes of frames between two saved states of the decoder.
const BYTES_PER_SNAPSHOT: usize = 256 << 10;

/// The frames of one open connection that are not handed over yet.
pub struct FrameLog {
    recorder: Recorder,
    run: RunId,
    frames: Vec<Frame>,
    bytes: usize,
    snapshot: Option<Vec<u8>>,
    bytes_since_snapshot: usize,
    date_offset_us: Option<i64>,
}

impl FrameLog {
    /// For one run; the first chunk begins with a snapshot.
    pub fn new(recorder: Recorder, run: RunId) -> Self {
        FrameLog {
            recorder,
            run,
            frames: Vec::new(),
            bytes: 0,
            snapshot: None,
            bytes_since_snapshot: BYTES_PER_SNAPSHOT,
            date_offset_us: None,
        }
    }

    /// Call before an input is given: whether the decoder's state is wanted,
    /// because a chunk begins and it is time for one.
    pub fn wants_state(&self) -> bool {
        self.frames.is_empty() && self.bytes_since_snapshot >= BYTES_PER_SNAPSHOT
    }

    /// The decoder's state where the chunk begins.
    pub fn put_state(&mut self, state: Vec<u8>) {
        self.snapshot = Some(state);
        self.bytes_since_snapshot = self.bytes;
    }

    /// The decoder's state before the input of that number, which comes later
    /// than that. One that comes too late for its chunk is left out, and the
    /// next chunk wants one again.
    pub fn put_state_before(&mut self, number: u64, state: Vec<u8>) {
        if self.frames.first().is_some_and(|frame| frame.number == number) {
            self.put_state(state);
        }
    }

    /// Call with the frame of the input that was given.
    pub fn add(&mut self, frame: Frame, decode_set: &Arc<DecodeSet>) {
        let bytes = frame.payload.len() + 16;
        self.bytes += bytes;
        self.bytes_since_snapshot += bytes;
        self.frames.push(frame);
        if self.bytes >= CHUNK_BYTES {
            self.flush(decode_set);
        }
    }

    /// Hands over what there is.
    pub fn flush(&mut self, decode_set: &Arc<DecodeSet>) {
        if self.frames.is_empty() {
            return;
        }
        self.bytes = 0;
        self.recorder.frames(FrameChunk {
            run: self.run,
            snapshot: self.snapshot.take(),
            decode_set: decode_set.clone(),
            frames: std::mem::take(&mut self.frames),
        });
    }

    /// Whether `offset_us` (date minus replay time) differs by more than a
    /// second from what it was; remembers it then.
    pub fn dates_moved(&mut self, offset_us: i64) -> bool {
        let moved = self.date_offset_us.is_none_or(|was| (was - offset_us).abs() > 1_000_000);
        if moved {
            self.date_offset_us = Some(offset_us);
        }
        moved
    }
}
