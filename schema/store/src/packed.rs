//! Bytes of the frame log as they lie in the store: with a checksum, and
//! compressed where that makes them fewer.

use std::io::Read;

use flate2::read::ZlibDecoder;
use flate2::{Compress, Compression, FlushCompress, Status};

use crate::varint;

/// As they are.
const PLAIN: u8 = 0;
/// Compressed: zlib's format, RFC 1950.
const ZLIB: u8 = 1;
/// How hard it is tried, of 9.
const LEVEL: u32 = 6;
/// Bytes that may come out of it, whatever it says.
const MOST: u64 = 256 << 20;

/// Packs bytes. The compressor's tables take a third of a megabyte: made anew
/// for each row they cost more than the row does, and memory falls to pieces.
#[derive(Debug, Default)]
pub(crate) struct Packer {
    compress: Option<Compress>,
}

impl Packer {
    /// A checksum of all that follows, how, how many bytes there are, and what
    /// they became.
    pub(crate) fn pack(&mut self, bytes: &[u8]) -> Vec<u8> {
        let compress =
            self.compress.get_or_insert_with(|| Compress::new(Compression::new(LEVEL), true));
        compress.reset();
        // There is room for what is shorter than the bytes are.
        let mut shorter = Vec::with_capacity(bytes.len());
        let (how, content) = match compress.compress_vec(bytes, &mut shorter, FlushCompress::Finish)
        {
            Ok(Status::StreamEnd) => (ZLIB, shorter.as_slice()),
            _ => (PLAIN, bytes),
        };
        let mut packed = vec![0, 0, 0, 0, how];
        varint::write(bytes.len() as u64, &mut packed);
        packed.extend_from_slice(content);
        let checksum = crc32fast::hash(&packed[4..]);
        packed[..4].copy_from_slice(&checksum.to_le_bytes());
        packed
    }
}

/// The bytes that were packed; otherwise what is wrong with them.
pub(crate) fn unpack(packed: &[u8]) -> Result<Vec<u8>, &'static str> {
    const CONTENT: &str = "its content contradicts itself";
    let (checksum, rest) = packed.split_at_checked(4).ok_or(CONTENT)?;
    if crc32fast::hash(rest).to_le_bytes() != checksum {
        return Err("its checksum does not fit");
    }
    let (how, mut rest) = rest.split_first().ok_or(CONTENT)?;
    let length = varint::read(&mut rest).filter(|n| *n <= MOST).ok_or(CONTENT)?;
    let bytes = match *how {
        PLAIN => rest.to_vec(),
        ZLIB => {
            let mut bytes = Vec::new();
            let read = ZlibDecoder::new(rest).take(length + 1).read_to_end(&mut bytes);
            read.map_err(|_| CONTENT)?;
            bytes
        }
        _ => return Err("its form is not known"),
    };
    if bytes.len() as u64 == length { Ok(bytes) } else { Err(CONTENT) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn bytes_come_back_as_they_were_one_after_another(
            rows in proptest::collection::vec(
                prop_oneof![
                    proptest::collection::vec(any::<u8>(), 0..2_000),
                    proptest::collection::vec(0u8..4, 0..2_000),
                ],
                1..4,
            ),
        ) {
            let mut packer = Packer::default();
            for bytes in rows {
                let packed = packer.pack(&bytes);
                prop_assert!(packed.len() <= bytes.len() + 4 + 1 + 2);
                prop_assert_eq!(unpack(&packed), Ok(bytes));
            }
        }

        #[test]
        fn a_byte_that_changed_is_noticed(
            bytes in proptest::collection::vec(0u8..4, 0..2_000),
            at in any::<prop::sample::Index>(),
            change in 1u8..,
        ) {
            let mut packed = Packer::default().pack(&bytes);
            let at = at.index(packed.len());
            packed[at] ^= change;
            prop_assert!(unpack(&packed).is_err());
        }

        #[test]
        fn rubbish_with_a_fitting_checksum_is_refused_or_read(
            bytes in proptest::collection::vec(any::<u8>(), 0..200),
        ) {
            let mut packed = crc32fast::hash(&bytes).to_le_bytes().to_vec();
            packed.extend(&bytes);
            let _ = unpack(&packed);
        }
    }

    /// Lines as the text-lines decoder reads them, and polls as Modbus has
    /// them, in frames; the noise is that of a bench.
    fn frames() -> [(&'static str, Vec<u8>); 2] {
        use ampledger_types::{Frame, FrameKind};
        let mut noise = 1u64;
        let mut next = |most: u64| {
            noise = noise.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (noise >> 33) % most
        };
        let (mut lines, mut polls) = (Vec::new(), Vec::new());
        for number in 1..=1_500u64 {
            let (mv, ma) = (26_400 - number / 50 + next(5), 12_100 + next(9));
            let t_us = (number * 100_000 + next(2_400)).cast_signed();
            let frame = |kind, payload| Frame { number, t_us, kind, endpoint: 0, payload };
            let line =
                format!("{}.{:03},-{}.{:03}\r\n", mv / 1000, mv % 1000, ma / 1000, ma % 1000);
            lines.push(frame(FrameKind::Received, line.into_bytes()));
            polls.push(frame(FrameKind::Sent, vec![1, 4, 0, 0, 0, 4, 0xf1, 0xc9]));
            let mut answer = vec![1, 4, 8];
            answer.extend(u32::try_from(mv).unwrap().to_be_bytes());
            answer.extend(u32::try_from(ma).unwrap().to_be_bytes());
            answer.extend((next(1 << 16) as u16).to_be_bytes());
            polls.push(frame(FrameKind::Received, answer));
        }
        [("text-lines", lines), ("modbus-rtu", polls)]
            .map(|(name, frames)| (name, crate::frames::write(&frames).0))
    }

    #[test]
    fn the_frames_of_a_bench_take_less_than_half() {
        for (name, bytes) in frames() {
            let packed = Packer::default().pack(&bytes);
            let part = packed.len() as f64 / bytes.len() as f64;
            eprintln!("{name}: {} bytes of frames take {} ({part:.2})", bytes.len(), packed.len());
            assert!(part < 0.5, "{name}: {part:.2}");
        }
    }
}
