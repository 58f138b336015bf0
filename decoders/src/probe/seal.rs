//! The checksum at the end of packets: every one that is known is tried over
//! likely stretches, and one is named only if it fits all of many packets.

use std::collections::HashSet;
use std::ops::Range;

use serde::Serialize;

use crate::framing::checksum::{self, Algorithm};
use crate::layout::value::{Endian, unsigned};

/// Packets that must all fit, and no two of them alike: one more byte that fits by
/// chance is 1 in 256.
pub const FEWEST_DISTINCT: usize = 20;
/// Packets that are tried.
const MOST_DISTINCT: usize = 256;
/// Checksums that are all the same prove nothing.
const FEWEST_VALUES: usize = 5;
/// Where the covered bytes may begin.
const FROM: Range<usize> = 0..4;
/// Bytes that may follow the checksum, if they never change.
const BEHIND: Range<usize> = 0..3;

/// A checksum that fits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SealFound {
    /// Its name.
    pub algorithm: String,
    /// How many bytes it has.
    pub octets: usize,
    /// Which of them comes first: the high one or the low one.
    pub is_big_endian: bool,
    /// The first byte that it covers.
    pub from: usize,
    /// How many bytes follow it.
    pub behind: usize,
    /// How many packets, no two alike, it fits.
    pub fits: usize,
    /// How many other ways of reckoning fit as well.
    pub others: usize,
}

impl SealFound {
    /// Its bytes in a packet of that length.
    pub fn octets_at(&self, length: usize) -> Range<usize> {
        let end = length.saturating_sub(self.behind);
        end.saturating_sub(self.octets)..end
    }
}

/// The checksum that fits all the packets.
pub fn find(packets: &[&[u8]]) -> Option<SealFound> {
    let mut distinct: Vec<&[u8]> = Vec::new();
    let mut seen = HashSet::new();
    for packet in packets.iter().filter(|packet| packet.len() > 2) {
        if seen.insert(*packet) {
            distinct.push(packet);
        }
        if distinct.len() >= MOST_DISTINCT {
            break;
        }
    }
    if distinct.len() < FEWEST_DISTINCT {
        return None;
    }
    let mut found = Vec::new();
    for name in checksum::names() {
        let Some(algorithm) = Algorithm::named(&name) else { continue };
        let fitting = ways(algorithm.octets()).filter(|way| way.fits(&algorithm, &distinct));
        found.extend(fitting.map(|Way { behind, from, is_big_endian }| SealFound {
            octets: algorithm.octets(),
            algorithm: name.clone(),
            is_big_endian,
            from,
            behind,
            fits: distinct.len(),
            others: 0,
        }));
    }
    let others = found.len().saturating_sub(1);
    // Where bytes never change, one reckoning over less can equal another over more.
    let first = found.into_iter().min_by_key(|found| (found.behind, found.from))?;
    Some(SealFound { others, ..first })
}

fn ways(octets: usize) -> impl Iterator<Item = Way> {
    let orders: &[bool] = if octets > 1 { &[false, true] } else { &[false] };
    BEHIND.flat_map(move |behind| {
        let way =
            move |from| orders.iter().map(move |big| Way { behind, from, is_big_endian: *big });
        FROM.flat_map(way)
    })
}

struct Way {
    behind: usize,
    from: usize,
    is_big_endian: bool,
}

impl Way {
    fn fits(&self, algorithm: &Algorithm, packets: &[&[u8]]) -> bool {
        let mut values = HashSet::new();
        let mut tail = None;
        let endian = if self.is_big_endian { Endian::Big } else { Endian::Little };
        packets.iter().all(|packet| {
            let Some(end) = packet.len().checked_sub(self.behind) else { return false };
            let Some(at) = end.checked_sub(algorithm.octets()) else { return false };
            let covered = packet.get(self.from..at).filter(|covered| covered.len() >= 2);
            let Some(covered) = covered else { return false };
            let sent = unsigned(&packet[at..end], endian);
            values.insert(sent);
            *tail.get_or_insert(&packet[end..]) == &packet[end..]
                && algorithm.compute(covered) == sent
        }) && values.len() >= FEWEST_VALUES
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Packets of ten bytes that differ, with the checksum and a tail behind.
    fn packets(name: &str, count: u64, tail: &[u8]) -> Vec<Vec<u8>> {
        let algorithm = Algorithm::named(name).unwrap();
        let sealed = |n: u64| {
            let mut packet = vec![0xA5];
            packet.extend((0..9).map(|i| (n.wrapping_mul(0x9E37_79B9_97F4) >> (4 * i)) as u8));
            let sum = algorithm.compute(&packet[1..]).to_be_bytes();
            packet.extend(&sum[16 - algorithm.octets()..]);
            packet.extend(tail);
            packet
        };
        (1..=count).map(sealed).collect()
    }

    fn found(packets: &[Vec<u8>]) -> Option<SealFound> {
        find(&packets.iter().map(Vec::as_slice).collect::<Vec<_>>())
    }

    #[test]
    fn every_usual_checksum_is_named_with_what_it_covers() {
        for name in ["sum8", "xor8", "sum16", "CRC-8/SMBUS", "CRC-16/MODBUS", "CRC-32/ISO-HDLC"] {
            for tail in [&b""[..], b"\r\n"] {
                let found = found(&packets(name, 30, tail)).unwrap();
                assert_eq!(found.algorithm, name);
                assert_eq!((found.from, found.behind, found.fits), (1, tail.len(), 30), "{name}");
                assert!(found.is_big_endian || found.octets == 1, "{name}");
            }
        }
    }

    #[test]
    fn one_packet_that_does_not_fit_is_enough_and_so_are_too_few() {
        let mut all = packets("CRC-16/MODBUS", 30, b"");
        assert_eq!(found(&all[..FEWEST_DISTINCT - 1]), None);
        let repeated: Vec<Vec<u8>> = all[..5].iter().cycle().take(60).cloned().collect();
        assert_eq!(found(&repeated), None);
        all[17][3] ^= 1;
        assert_eq!(found(&all), None);
    }
}
