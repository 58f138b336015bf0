//! The frames of a chunk as bytes. Each frame is a head byte, then what the
//! head announces:
//!
//! | bits of the head | meaning |
//! | --- | --- |
//! | 0 to 2 | kind |
//! | 3 | an endpoint follows (varint); otherwise 0 |
//! | 4 | a difference follows (signed varint) by which its number is not the one before plus 1 |
//! | 5 | a payload follows: length (varint), bytes; otherwise empty |
//! | 6, 7 | 0 |
//!
//! Between number and payload stands the time since the frame before,
//! microseconds (signed varint). Numbers and times begin at 0 in each chunk
//! and wrap. A varint has 7 bits a byte, lowest first, high bit on all but the
//! last; a signed one is `(x << 1) ^ (x >> 63)` first.

use ampledger_types::{Frame, FrameKind};

use crate::varint;

/// A chunk ends with the frame that reaches this many bytes.
const BYTES: usize = 1 << 20;
/// A chunk has at most this many frames.
const FRAMES: usize = 1 << 16;

const ENDPOINT: u8 = 1 << 3;
const NUMBER: u8 = 1 << 4;
const PAYLOAD: u8 = 1 << 5;

const KINDS: [FrameKind; 7] = [
    FrameKind::Opened,
    FrameKind::Received,
    FrameKind::Sent,
    FrameKind::Drained,
    FrameKind::Deadline,
    FrameKind::Command,
    FrameKind::Closed,
];

const fn kind_bits(kind: FrameKind) -> u8 {
    match kind {
        FrameKind::Opened => 0,
        FrameKind::Received => 1,
        FrameKind::Sent => 2,
        FrameKind::Drained => 3,
        FrameKind::Deadline => 4,
        FrameKind::Command => 5,
        FrameKind::Closed => 6,
    }
}

/// As many of the frames as fit a chunk, at least one if there are any, and
/// how many that are.
pub(crate) fn write(frames: &[Frame]) -> (Vec<u8>, usize) {
    let mut out = Vec::new();
    let (mut number, mut t_us) = (0u64, 0i64);
    let mut taken = 0;
    for frame in frames.iter().take(FRAMES) {
        let skipped = frame.number.wrapping_sub(number.wrapping_add(1));
        let mut head = kind_bits(frame.kind);
        head |= if frame.endpoint != 0 { ENDPOINT } else { 0 };
        head |= if skipped != 0 { NUMBER } else { 0 };
        head |= if frame.payload.is_empty() { 0 } else { PAYLOAD };
        out.push(head);
        if frame.endpoint != 0 {
            varint::write(frame.endpoint.into(), &mut out);
        }
        if skipped != 0 {
            varint::write_signed(skipped.cast_signed(), &mut out);
        }
        varint::write_signed(frame.t_us.wrapping_sub(t_us), &mut out);
        if !frame.payload.is_empty() {
            varint::write(frame.payload.len() as u64, &mut out);
            out.extend_from_slice(&frame.payload);
        }
        (number, t_us) = (frame.number, frame.t_us);
        taken += 1;
        if out.len() >= BYTES {
            break;
        }
    }
    (out, taken)
}

/// The frames of a chunk; `None` if the bytes are not what [`write`] makes.
/// Takes memory in proportion to the bytes, whatever they say.
pub(crate) fn read(mut bytes: &[u8]) -> Option<Vec<Frame>> {
    let (mut number, mut t_us) = (0u64, 0i64);
    let mut frames = Vec::new();
    while let Some((&head, rest)) = bytes.split_first() {
        bytes = rest;
        if frames.len() == FRAMES || head & 0b1100_0000 != 0 {
            return None;
        }
        let kind = *KINDS.get(usize::from(head & 0b111))?;
        let endpoint = match head & ENDPOINT {
            0 => 0,
            _ => u16::try_from(varint::read(&mut bytes)?).ok()?,
        };
        let skipped = match head & NUMBER {
            0 => 0,
            _ => varint::read_signed(&mut bytes)?,
        };
        number = number.wrapping_add(1).wrapping_add_signed(skipped);
        t_us = t_us.wrapping_add(varint::read_signed(&mut bytes)?);
        let payload = match head & PAYLOAD {
            0 => Vec::new(),
            _ => {
                let length = usize::try_from(varint::read(&mut bytes)?).ok()?;
                let (payload, rest) = bytes.split_at_checked(length)?;
                bytes = rest;
                payload.to_vec()
            }
        };
        frames.push(Frame { number, t_us, kind, endpoint, payload });
    }
    Some(frames)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn frame() -> impl Strategy<Value = Frame> {
        let number = prop_oneof![0u64..50, any::<u64>()];
        let t_us = prop_oneof![0i64..1_000_000, any::<i64>()];
        let endpoint = prop_oneof![Just(0u16), any::<u16>()];
        let payload = proptest::collection::vec(any::<u8>(), 0..200);
        (number, t_us, prop::sample::select(&KINDS[..]), endpoint, payload).prop_map(
            |(number, t_us, kind, endpoint, payload)| Frame {
                number,
                t_us,
                kind,
                endpoint,
                payload,
            },
        )
    }

    proptest! {
        #[test]
        fn frames_come_back_as_they_were(frames in proptest::collection::vec(frame(), 0..40)) {
            let (bytes, taken) = write(&frames);
            prop_assert_eq!(taken, frames.len());
            prop_assert_eq!(read(&bytes), Some(frames));
        }

        #[test]
        fn rubbish_is_refused_or_read_but_never_more_than_it_can_hold(
            bytes in proptest::collection::vec(any::<u8>(), 0..400),
        ) {
            if let Some(frames) = read(&bytes) {
                let payload: usize = frames.iter().map(|f| f.payload.len()).sum();
                prop_assert!(frames.len() * 2 + payload <= bytes.len());
            }
        }

        #[test]
        fn a_chunk_cut_short_never_gives_other_frames(
            frames in proptest::collection::vec(frame(), 1..20),
            cut in any::<prop::sample::Index>(),
        ) {
            let (bytes, _) = write(&frames);
            if let Some(read) = read(&bytes[..cut.index(bytes.len())]) {
                prop_assert!(read.len() < frames.len());
                prop_assert_eq!(&read[..], &frames[..read.len()]);
            }
        }
    }

    #[test]
    fn the_usual_frame_costs_four_bytes_beside_its_payload() {
        let at = |number, t_us| Frame {
            number,
            t_us,
            kind: FrameKind::Received,
            endpoint: 0,
            payload: b"26.41,-12.10\n".to_vec(),
        };
        let one = write(&[at(1, 0)]).0.len();
        // 100 ms are 200 000 as a signed varint: three bytes.
        assert_eq!(write(&[at(1, 0), at(2, 100_000)]).0.len() - one, 13 + 1 + 3 + 1);
    }

    #[test]
    fn what_does_not_fit_a_chunk_is_left_for_the_next() {
        let big = Frame {
            number: 1,
            t_us: 0,
            kind: FrameKind::Received,
            endpoint: 0,
            payload: vec![7; BYTES + 1],
        };
        let (bytes, taken) = write(&[big.clone(), big.clone()]);
        assert_eq!((taken, read(&bytes)), (1, Some(vec![big.clone()])));
        let small = Frame { payload: Vec::new(), ..big };
        assert_eq!(write(&vec![small; FRAMES + 1]).1, FRAMES);
    }
}
