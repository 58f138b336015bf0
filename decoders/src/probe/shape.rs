//! What packets of one length have in common: bytes that stay, bytes that count,
//! and where a length is written.

use std::collections::BTreeMap;
use std::ops::Range;

use serde::Serialize;

use super::load::Load;
use super::moves::{self, Move};
use super::packets::Packets;

/// How many lengths are looked at.
const MOST_LENGTHS: usize = 4;
/// Bytes of a packet that are looked at.
pub const LOOKED_AT: usize = 128;

/// Packets of one length.
#[derive(Clone, Debug, Serialize)]
pub struct Shape {
    /// The length, bytes.
    pub length: usize,
    /// How many there are.
    pub count: u64,
    /// Bytes that are always the same: place and value.
    pub constant: Vec<(usize, u8)>,
    /// Bytes that step by one from each packet to the next.
    pub counters: Vec<usize>,
    /// What moves with the load, the clearest first.
    pub moves: Vec<Move>,
}

impl Shape {
    /// Looks at the packets of that length; `sealed` are the checksum's bytes.
    pub fn new(length: usize, packets: &Packets, sealed: Range<usize>, load: &Load) -> Shape {
        let width = length.min(LOOKED_AT);
        let (mut first, mut before): (Option<&[u8]>, Option<&[u8]>) = (None, None);
        let mut is_constant = vec![true; width];
        let (mut steps, mut count) = (vec![0u64; width], 0u64);
        for (_, packet) in packets.iter().filter(|(_, packet)| packet.len() == length) {
            let first = *first.get_or_insert(packet);
            for at in 0..width {
                is_constant[at] &= packet[at] == first[at];
                let is_step = before.is_some_and(|b| packet[at] == b[at].wrapping_add(1));
                steps[at] += u64::from(is_step);
            }
            before = Some(packet);
            count += 1;
        }
        let first = first.unwrap_or_default();
        let is_counter = |at: &usize| count > 8 && 20 * steps[*at] >= 19 * (count - 1);
        let skipped = |at: usize| sealed.contains(&at);
        let constant = (0..width).filter(|at| is_constant[*at]).map(|at| (at, first[at])).collect();
        Shape {
            length,
            count,
            constant,
            counters: (0..width).filter(|at| !skipped(*at)).filter(is_counter).collect(),
            moves: moves::in_packets(length, packets, &is_constant, sealed.clone(), load),
        }
    }

    /// Whether the byte is always the same.
    pub fn constant_at(&self, at: usize) -> Option<u8> {
        self.constant.iter().find(|(place, _)| *place == at).map(|(_, value)| *value)
    }
}

/// The usual lengths, the most frequent first, and how many packets have another.
pub fn lengths(packets: &Packets) -> (Vec<usize>, u64) {
    let counts = counts(packets.iter().map(|(_, packet)| packet.len()));
    let total: u64 = counts.iter().map(|(_, n)| n).sum();
    let is_usual = |n: u64| n >= 3 && 50 * n >= total;
    let usual = counts.iter().filter(|(length, n)| is_usual(*n) && *length > 0);
    let usual: Vec<(usize, u64)> = usual.take(MOST_LENGTHS).copied().collect();
    let among: u64 = usual.iter().map(|(_, n)| n).sum();
    (usual.into_iter().map(|(length, _)| length).collect(), total - among)
}

/// Which share of the packets has one of four lengths, and which begins alike.
/// Where every length is its own, nothing is even.
pub fn evenness(packets: &Packets) -> (f64, f64) {
    let share = |counts: Vec<(usize, u64)>, most: usize| {
        let total: u64 = counts.iter().map(|(_, n)| n).sum();
        let most: u64 = counts.iter().take(most).map(|(_, n)| n).sum();
        most as f64 / total.max(1) as f64
    };
    let lengths = counts(packets.iter().map(|(_, packet)| packet.len()));
    let firsts =
        counts(packets.iter().map(|(_, packet)| packet.first().map_or(256, |b| usize::from(*b))));
    (share(lengths, MOST_LENGTHS), share(firsts, 1))
}

fn counts(values: impl Iterator<Item = usize>) -> Vec<(usize, u64)> {
    let mut counts: BTreeMap<usize, u64> = BTreeMap::new();
    values.for_each(|value| *counts.entry(value).or_default() += 1);
    let mut counts: Vec<(usize, u64)> = counts.into_iter().collect();
    counts.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    counts
}

/// The byte that says how long a packet is, where packets differ in length.
pub fn length_field(packets: &[&[u8]]) -> Option<(usize, i64)> {
    let first = packets.first()?;
    if packets.iter().all(|packet| packet.len() == first.len()) {
        return None;
    }
    let shortest = packets.iter().map(|packet| packet.len()).min()?;
    let plus = |packet: &[u8], at: usize| packet.len() as i64 - i64::from(packet[at]);
    (0..shortest.min(8))
        .find(|at| packets.iter().all(|packet| plus(packet, *at) == plus(first, *at)))
        .map(|at| (at, plus(first, at)))
}
