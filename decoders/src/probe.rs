//! Looks at what an unknown instrument sends: packets, what is constant, counts
//! or is a checksum in them, and which numbers move with a load that somebody
//! switches. It gives hints with figures, never a claim; it guesses a layout to
//! go on from. Memory and time are bounded by what is looked at.

pub mod guess;
mod load;
mod moves;
mod packets;
mod seal;
mod shape;
mod text;

use std::collections::BTreeMap;

use ampledger_types::{Frame, FrameKind};
use serde::Serialize;

pub use load::Load;
pub use moves::{Move, Place};
pub use packets::Cut;
pub use seal::SealFound;
pub use shape::Shape;
pub use text::{Column, TextForm, TextFound};

/// Bytes that are looked at; what comes later is only counted.
pub const MOST_BYTES: usize = 8 << 20;
/// Pieces that are looked at.
pub const MOST_PIECES: usize = 1 << 20;

/// Collects what arrived.
#[derive(Debug, Default)]
pub struct Probe {
    bytes: Vec<u8>,
    pieces: Vec<Piece>,
    /// Bytes and pieces in all, by endpoint.
    counted: BTreeMap<u16, (u64, u64)>,
    first_us: Option<i64>,
    last_us: i64,
    is_record: bool,
    /// Something else happened since the last piece, so that a new packet begins.
    parted: bool,
    requests: u64,
}

/// One piece that arrived.
#[derive(Clone, Copy, Debug)]
struct Piece {
    t_us: i64,
    endpoint: u16,
    from: usize,
    to: usize,
    parted: bool,
}

/// What was found.
#[derive(Clone, Debug, Serialize)]
pub struct Findings {
    /// From the first to the last piece, seconds.
    pub length_second: f64,
    /// Bytes that arrived.
    pub bytes: u64,
    /// Pieces in which they arrived.
    pub pieces: u64,
    /// Bytes that were looked at; the rest was only counted.
    pub looked_at_bytes: u64,
    /// Whether it is a file without times: pauses and rates are not known.
    pub is_record: bool,
    /// How often something was sent to the instrument.
    pub requests: u64,
    /// Bytes by endpoint, where there are several.
    pub endpoints: BTreeMap<u16, u64>,
    /// The endpoint that was looked at.
    pub endpoint: u16,
    /// What it is.
    pub content: Content,
    /// When the load was on and off.
    pub load: Load,
}

/// What arrives.
#[derive(Clone, Debug, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Content {
    /// Nothing did.
    Nothing,
    /// Lines of text.
    Text(TextFound),
    /// Anything else.
    Binary(BinaryFound),
}

/// Packets of bytes.
#[derive(Clone, Debug, Serialize)]
pub struct BinaryFound {
    /// How one packet is told from the next.
    pub cut: Cut,
    /// How many there are.
    pub packets: u64,
    /// How many have a length that is not among the shapes.
    pub others: u64,
    /// The usual lengths, the most frequent first.
    pub shapes: Vec<Shape>,
    /// The checksum that fits all of them.
    pub seal: Option<SealFound>,
    /// Where the length is written: the byte's place, and what must be added.
    pub length_field: Option<(usize, i64)>,
}

impl Probe {
    /// One entry of a frame log.
    pub fn frame(&mut self, frame: &Frame) {
        match frame.kind {
            FrameKind::Received => self.received(frame.t_us, frame.endpoint, &frame.payload),
            FrameKind::Opened => {
                self.is_record |= frame.payload == [1];
                self.parted = true;
            }
            FrameKind::Sent => {
                self.requests += 1;
                self.parted = true;
            }
            FrameKind::Closed | FrameKind::Drained => self.parted = true,
            FrameKind::Deadline | FrameKind::Command => {}
        }
    }

    fn received(&mut self, t_us: i64, endpoint: u16, bytes: &[u8]) {
        let counted = self.counted.entry(endpoint).or_default();
        *counted = (counted.0 + bytes.len() as u64, counted.1 + 1);
        self.first_us.get_or_insert(t_us);
        self.last_us = self.last_us.max(t_us);
        let parted = std::mem::take(&mut self.parted);
        let is_full =
            self.bytes.len() + bytes.len() > MOST_BYTES || self.pieces.len() >= MOST_PIECES;
        if is_full || bytes.is_empty() {
            return;
        }
        let from = self.bytes.len();
        self.bytes.extend_from_slice(bytes);
        self.pieces.push(Piece { t_us, endpoint, from, to: self.bytes.len(), parted });
    }

    /// When the first piece came.
    pub fn first_us(&self) -> Option<i64> {
        self.first_us
    }

    /// What is in it. The load was switched at these times, on with the first.
    pub fn findings(&self, switched_us: &[i64]) -> Findings {
        let total: (u64, u64) =
            self.counted.values().fold((0, 0), |sum, n| (sum.0 + n.0, sum.1 + n.1));
        let endpoint = self.counted.iter().max_by_key(|(_, n)| n.0).map_or(0, |(e, _)| *e);
        let pieces: Vec<Piece> =
            self.pieces.iter().copied().filter(|piece| piece.endpoint == endpoint).collect();
        let load = Load::new(switched_us);
        Findings {
            length_second: self.first_us.map_or(0.0, |first| (self.last_us - first) as f64 / 1e6),
            bytes: total.0,
            pieces: total.1,
            looked_at_bytes: pieces.iter().map(|piece| (piece.to - piece.from) as u64).sum(),
            is_record: self.is_record,
            requests: self.requests,
            endpoints: self.counted.iter().map(|(endpoint, n)| (*endpoint, n.0)).collect(),
            endpoint,
            content: self.content(&pieces, &load),
            load,
        }
    }

    fn content(&self, pieces: &[Piece], load: &Load) -> Content {
        if pieces.is_empty() {
            return Content::Nothing;
        }
        match text::look(&self.bytes, pieces, load) {
            Some(found) => Content::Text(found),
            None => Content::Binary(self.binary(pieces, load)),
        }
    }

    fn binary(&self, pieces: &[Piece], load: &Load) -> BinaryFound {
        let (cut, packets) = packets::cut(&self.bytes, pieces, self.is_record);
        let (lengths, others) = shape::lengths(&packets);
        let usual: Vec<&[u8]> = (packets.iter().map(|(_, bytes)| bytes))
            .filter(|bytes| lengths.contains(&bytes.len()))
            .collect();
        let seal = seal::find(&usual);
        let shapes = lengths.iter().map(|length| {
            let seal = seal.as_ref().map(|seal| seal.octets_at(*length));
            Shape::new(*length, &packets, seal.unwrap_or(0..0), load)
        });
        BinaryFound {
            packets: packets.len() as u64,
            others,
            shapes: shapes.collect(),
            length_field: shape::length_field(&usual),
            cut,
            seal,
        }
    }
}

#[cfg(test)]
mod tests;
