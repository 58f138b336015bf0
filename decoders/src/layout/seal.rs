//! A frame's checksum: which, over what, and where in the frame it lies.

use super::value::{Endian, position, unsigned};
use crate::framing::checksum::Algorithm;

/// What protects a frame.
#[derive(Debug)]
pub struct Seal {
    /// How it is computed.
    pub algorithm: Algorithm,
    /// Its first byte; from the frame's end if negative.
    pub at: i32,
    /// The first byte it covers.
    pub from: i32,
    /// The last byte it covers; if missing, the one ahead of it.
    pub to: Option<i32>,
    /// Which of its bytes comes first.
    pub endian: Endian,
}

/// What a look at a checksum shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Check {
    /// It is right.
    Right,
    /// It is wrong: what is there, and what should be.
    Wrong(u128, u128),
    /// The frame is too short to have one.
    TooShort,
}

impl Seal {
    /// Looks whether the frame's checksum is right.
    pub fn check(&self, frame: &[u8]) -> Check {
        let sent = self.sent(frame);
        match sent.and_then(|(at, sent)| Some((sent, self.covered(frame, at)?))) {
            None => Check::TooShort,
            Some((sent, covered)) => match self.algorithm.compute(covered) {
                computed if computed == sent => Check::Right,
                computed => Check::Wrong(sent, computed),
            },
        }
    }

    /// Appends the checksum over what is there, for a request.
    pub fn append(&self, frame: &mut Vec<u8>) {
        let from = position(self.from, frame.len()).unwrap_or(0).min(frame.len());
        let computed = self.algorithm.compute(&frame[from..]);
        let mut bytes = computed.to_le_bytes()[..self.algorithm.octets()].to_vec();
        if self.endian == Endian::Big {
            bytes.reverse();
        }
        frame.extend(bytes);
    }

    fn sent(&self, frame: &[u8]) -> Option<(usize, u128)> {
        let at = position(self.at, frame.len())?;
        let bytes = frame.get(at..at.checked_add(self.algorithm.octets())?)?;
        Some((at, unsigned(bytes, self.endian)))
    }

    fn covered<'a>(&self, frame: &'a [u8], at: usize) -> Option<&'a [u8]> {
        let from = position(self.from, frame.len())?;
        let to = match self.to {
            Some(to) => position(to, frame.len())?.checked_add(1)?,
            None => at,
        };
        frame.get(from..to).filter(|covered| !covered.is_empty())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seal(name: &str, at: i32, from: i32, to: Option<i32>) -> Seal {
        let algorithm = Algorithm::named(name).unwrap();
        Seal { algorithm, at, from, to, endian: Endian::Little }
    }

    /// A worked frame: MODBUS over Serial Line V1.02, 2.5.1.2 and Appendix B
    /// (02 07 has the CRC 0x1241, low byte first).
    #[test]
    fn a_frame_with_the_crc_at_its_end_is_right() {
        let seal = seal("CRC-16/MODBUS", -2, 0, None);
        assert_eq!(seal.check(&[0x02, 0x07, 0x41, 0x12]), Check::Right);
        assert_eq!(seal.check(&[0x02, 0x06, 0x41, 0x12]), Check::Wrong(0x1241, 0xD280));
        assert_eq!(seal.check(&[0x41, 0x12]), Check::TooShort);
        let mut request = vec![0x02, 0x07];
        seal.append(&mut request);
        assert_eq!(request, [0x02, 0x07, 0x41, 0x12]);
    }

    #[test]
    fn what_is_covered_and_where_it_lies_are_free() {
        // The sum of bytes 2 to 4 lies in byte 1.
        let frame = [0xAA, 0x06, 1, 2, 3, 0x55];
        assert_eq!(seal("sum8", 1, 2, Some(-2)).check(&frame), Check::Right);
        assert_eq!(seal("sum8", 1, 2, Some(-1)).check(&frame), Check::Wrong(6, 0x5B));
        for (at, from, to) in [(6, 0, None), (-7, 0, None), (1, 5, Some(4)), (1, 0, Some(6))] {
            assert_eq!(seal("sum8", at, from, to).check(&frame), Check::TooShort, "{at} {from}");
        }
    }
}
