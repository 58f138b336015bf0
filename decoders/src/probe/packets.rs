//! Cutting a stream of bytes into packets: by the pauses between them, by COBS or
//! SLIP, or by bytes that come again at even distances.

use serde::Serialize;

use super::{Piece, seal, shape};
use crate::framing::{cobs, slip};

/// How one packet is told from the next.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Cut {
    /// By a pause: this long at least between two packets, and that long at most
    /// within one, seconds.
    Pause {
        /// Between two.
        between_second: f64,
        /// Within one.
        within_second: f64,
    },
    /// Each piece that arrives is one.
    Pieces,
    /// It is stuffed by COBS and ends with a zero.
    Cobs,
    /// It is stuffed by SLIP and ends with C0.
    Slip,
    /// It begins with these bytes.
    Begins(Vec<u8>),
    /// Nothing was found that parts them.
    Nothing,
}

/// Packets with the times at which they were complete.
#[derive(Clone, Debug, Default)]
pub struct Packets {
    bytes: Vec<u8>,
    spans: Vec<(i64, usize, usize)>,
}

impl Packets {
    pub fn len(&self) -> usize {
        self.spans.len()
    }

    pub fn iter(&self) -> impl Iterator<Item = (i64, &[u8])> {
        self.spans.iter().map(|(t_us, from, to)| (*t_us, &self.bytes[*from..*to]))
    }

    pub fn push(&mut self, t_us: i64, packet: &[u8]) {
        let from = self.bytes.len();
        self.bytes.extend_from_slice(packet);
        self.spans.push((t_us, from, self.bytes.len()));
    }
}

/// Fewer packets say nothing.
const FEWEST: usize = 8;
/// A packet that is found by its beginning alone is no shorter, bytes.
const SHORTEST_PACKET: usize = 4;
/// A shorter pause may be one between two reads of a port.
const SHORTEST_PAUSE_US: i64 = 1_000;
/// Which share of the packets must have one of a few lengths, to take a cut for
/// right.
const EVEN: f64 = 0.9;
/// That share and the share that begins alike, together: nothing else need be tried.
const CLEAR: f64 = 1.8;

/// Cuts the pieces of one endpoint.
pub fn cut(bytes: &[u8], pieces: &[Piece], is_record: bool) -> (Cut, Packets) {
    for (cut, end, decode) in [
        (Cut::Cobs, cobs::END, &(|b: &[u8]| cobs::decode(b).ok()) as Decode<'_>),
        (Cut::Slip, slip::END, &|b: &[u8]| slip::decode(b).ok()),
    ] {
        if let Some(packets) = stuffed(bytes, pieces, end, decode) {
            return (cut, packets);
        }
    }
    let by_pause = match is_record && pieces.windows(2).all(|p| p[0].t_us == p[1].t_us) {
        true => None,
        false => by_pause(bytes, pieces),
    };
    if let Some((cut, packets, (lengths, firsts))) = by_pause {
        if lengths + firsts >= CLEAR {
            return (cut, packets);
        }
        return match by_beginning(bytes, pieces) {
            Some((cut, packets, true)) => (cut, packets),
            _ if lengths >= EVEN => (cut, packets),
            Some((cut, packets, false)) => (cut, packets),
            None => (Cut::Nothing, packets),
        };
    }
    match by_beginning(bytes, pieces) {
        Some((cut, packets, _)) => (cut, packets),
        None => (Cut::Nothing, joined(bytes, pieces, i64::MAX)),
    }
}

type Decode<'a> = &'a dyn Fn(&[u8]) -> Option<Vec<u8>>;

/// Frames that end with `end`, if nearly all of what lies between can be unstuffed
/// and the lengths are even.
fn stuffed(bytes: &[u8], pieces: &[Piece], end: u8, decode: Decode<'_>) -> Option<Packets> {
    let (mut packets, mut partial, mut bad) = (Packets::default(), Vec::new(), 0);
    let mut is_first = true;
    for piece in pieces {
        for byte in &bytes[piece.from..piece.to] {
            if *byte != end {
                partial.push(*byte);
                continue;
            }
            let stuffed = std::mem::take(&mut partial);
            // Two ends in a row are one; the first may have lost its beginning.
            if stuffed.is_empty() || std::mem::take(&mut is_first) {
                continue;
            }
            match decode(&stuffed).filter(|packet| packet.len() > 1) {
                Some(packet) => packets.push(piece.t_us, &packet),
                None => bad += 1,
            }
        }
    }
    let ends_in_pieces = pieces.iter().filter(|p| bytes[p.to - 1] == end).count();
    // By SLIP nearly anything can be unstuffed, so that the pieces must agree.
    let agree = end == cobs::END || 4 * ends_in_pieces >= pieces.len();
    let is_sound = packets.len() >= FEWEST && 20 * bad <= packets.len() && agree;
    (is_sound && shape::evenness(&packets).0 >= 0.8).then_some(packets)
}

/// The packets that a pause of more than so long parts.
fn joined(bytes: &[u8], pieces: &[Piece], longest_us: i64) -> Packets {
    let mut packets = Packets::default();
    let mut from = 0;
    let mut partial: Vec<u8> = Vec::new();
    for (i, piece) in pieces.iter().enumerate() {
        let parts = i > from
            && (piece.parted || piece.t_us.saturating_sub(pieces[i - 1].t_us) > longest_us);
        if parts {
            packets.push(pieces[i - 1].t_us, &partial);
            partial.clear();
            from = i;
        }
        partial.extend_from_slice(&bytes[piece.from..piece.to]);
    }
    if let Some(last) = pieces.last() {
        packets.push(last.t_us, &partial);
    }
    packets
}

/// The cut by pauses that makes packets most alike, and how alike they are.
fn by_pause(bytes: &[u8], pieces: &[Piece]) -> Option<(Cut, Packets, (f64, f64))> {
    let mut gaps: Vec<i64> = pieces
        .windows(2)
        .filter(|pair| !pair[1].parted)
        .map(|pair| (pair[1].t_us - pair[0].t_us).max(1))
        .collect();
    gaps.sort_unstable();
    let mut jumps: Vec<(f64, i64, i64)> = gaps
        .windows(2)
        .filter(|pair| pair[1] >= SHORTEST_PAUSE_US && pair[1] >= 2 * pair[0])
        .map(|pair| (pair[1] as f64 / pair[0] as f64, pair[0], pair[1]))
        .collect();
    jumps.sort_by(|a, b| b.0.total_cmp(&a.0));
    jumps.truncate(8);
    let mut best: Option<(Cut, Packets, (f64, f64))> = None;
    let mut consider = |cut: Cut, longest_us: i64| {
        let packets = joined(bytes, pieces, longest_us);
        let evenness = shape::evenness(&packets);
        let sum = evenness.0 + evenness.1;
        let is_better = best.as_ref().is_none_or(|(_, _, best)| sum > best.0 + best.1 + 0.02);
        if packets.len() >= FEWEST && is_better {
            best = Some((cut, packets, evenness));
        }
    };
    consider(Cut::Pieces, 0);
    jumps.sort_by_key(|(_, within, _)| *within);
    for (_, within, between) in jumps {
        let cut =
            Cut::Pause { between_second: between as f64 / 1e6, within_second: within as f64 / 1e6 };
        consider(cut, within);
    }
    best
}

/// Packets that begin with the same two bytes at even distances, and whether a
/// checksum fits them: where several pairs come as often, that tells which is the
/// beginning.
fn by_beginning(bytes: &[u8], pieces: &[Piece]) -> Option<(Cut, Packets, bool)> {
    let stream: Vec<u8> = pieces.iter().flat_map(|p| &bytes[p.from..p.to]).copied().collect();
    let mut counts = vec![0u32; 1 << 16];
    let pair = |at: usize| usize::from(stream[at]) << 8 | usize::from(stream[at + 1]);
    for at in 0..stream.len().saturating_sub(1) {
        counts[pair(at)] += 1;
    }
    let mut frequent: Vec<usize> = (0..counts.len()).filter(|p| counts[*p] >= 10).collect();
    frequent.sort_by_key(|pair| std::cmp::Reverse(counts[*pair]));
    let mut even: Vec<(Vec<u8>, Packets)> = Vec::new();
    for wanted in frequent.into_iter().take(16) {
        let begins = (0..stream.len() - 1).filter(|at| pair(*at) == wanted);
        let packets = parted(&stream, pieces, begins.collect());
        // What comes much less often is a value that stays for a while.
        let is_rare = even.first().is_some_and(|(_, most)| 5 * packets.len() < 2 * most.len());
        if packets.len() >= FEWEST && !is_rare && shape::evenness(&packets).0 >= EVEN {
            even.push((vec![(wanted >> 8) as u8, wanted as u8], packets));
        }
    }
    let sealed = even.iter().position(|(_, packets)| {
        let all: Vec<&[u8]> = packets.iter().map(|(_, bytes)| bytes).collect();
        seal::find(&all).is_some()
    });
    // Zeros and all ones are more often a value than a beginning.
    let telling = |begin: &[u8]| !begin.contains(&0) && !begin.contains(&0xFF);
    let at = sealed.or_else(|| even.iter().position(|(begin, _)| telling(begin)));
    let at = at.or((!even.is_empty()).then_some(0))?;
    let (begin, packets) = even.swap_remove(at);
    Some((Cut::Begins(begin), packets, sealed.is_some()))
}

/// Packets from one of these places to the next; the last may be cut and is left
/// out. Where a byte is repeated, the first pair counts.
fn parted(stream: &[u8], pieces: &[Piece], mut begins: Vec<usize>) -> Packets {
    begins.dedup_by(|next, kept| *next - *kept < SHORTEST_PACKET);
    let mut packets = Packets::default();
    let (mut piece, mut passed) = (0, 0);
    for pair in begins.windows(2) {
        // The piece in which the packet was complete.
        while piece + 1 < pieces.len() && passed + pieces[piece].to - pieces[piece].from < pair[1] {
            passed += pieces[piece].to - pieces[piece].from;
            piece += 1;
        }
        packets.push(pieces[piece].t_us, &stream[pair[0]..pair[1]]);
    }
    packets
}
