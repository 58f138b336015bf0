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

/// A frame whose payload lies elsewhere.
#[derive(Clone, Copy)]
pub(crate) struct FrameView<'a> {
    pub(crate) number: u64,
    t_us: i64,
    kind: FrameKind,
    endpoint: u16,
    payload: &'a [u8],
}

impl<'a> From<&'a Frame> for FrameView<'a> {
    fn from(frame: &'a Frame) -> FrameView<'a> {
        let Frame { number, t_us, kind, endpoint, ref payload } = *frame;
        FrameView { number, t_us, kind, endpoint, payload }
    }
}

/// A chunk that is being written.
#[derive(Default)]
pub(crate) struct FramesWriter {
    bytes: Vec<u8>,
    taken: usize,
    number: u64,
    t_us: i64,
    /// The earliest and the latest time.
    pub(crate) range_us: Option<(i64, i64)>,
}

impl FramesWriter {
    /// Takes a frame, unless the chunk is full.
    pub(crate) fn push(&mut self, frame: FrameView) -> bool {
        if self.taken == FRAMES || self.bytes.len() >= BYTES {
            return false;
        }
        let skipped = frame.number.wrapping_sub(self.number.wrapping_add(1));
        let mut head = kind_bits(frame.kind);
        head |= if frame.endpoint != 0 { ENDPOINT } else { 0 };
        head |= if skipped != 0 { NUMBER } else { 0 };
        head |= if frame.payload.is_empty() { 0 } else { PAYLOAD };
        self.bytes.push(head);
        if frame.endpoint != 0 {
            varint::write(frame.endpoint.into(), &mut self.bytes);
        }
        if skipped != 0 {
            varint::write_signed(skipped.cast_signed(), &mut self.bytes);
        }
        varint::write_signed(frame.t_us.wrapping_sub(self.t_us), &mut self.bytes);
        if !frame.payload.is_empty() {
            varint::write(frame.payload.len() as u64, &mut self.bytes);
            self.bytes.extend_from_slice(frame.payload);
        }
        let (min_us, max_us) = self.range_us.unwrap_or((frame.t_us, frame.t_us));
        self.range_us = Some((min_us.min(frame.t_us), max_us.max(frame.t_us)));
        (self.number, self.t_us) = (frame.number, frame.t_us);
        self.taken += 1;
        true
    }

    /// Its bytes, and how many frames are in them.
    pub(crate) fn finish(self) -> (Vec<u8>, usize) {
        (self.bytes, self.taken)
    }
}

/// As many of the frames as fit a chunk, at least one if there are any, and
/// how many that are.
pub(crate) fn write(frames: &[Frame]) -> (Vec<u8>, usize) {
    let mut writer = FramesWriter::default();
    let _ = frames.iter().all(|frame| writer.push(frame.into()));
    writer.finish()
}

/// The frames of a chunk; `None` if the bytes are not what [`write`] makes.
/// Takes memory in proportion to the bytes, whatever they say.
pub(crate) fn read(bytes: &[u8]) -> Option<Vec<Frame>> {
    let frame = |FrameView { number, t_us, kind, endpoint, payload }| {
        let payload = payload.to_vec();
        Frame { number, t_us, kind, endpoint, payload }
    };
    views(bytes).map(|view| view.map(frame)).collect()
}

/// The frames of a chunk where they lie, one after another; a `None` where the
/// bytes are not what [`write`] makes, and nothing after it.
pub(crate) fn views(mut bytes: &[u8]) -> impl Iterator<Item = Option<FrameView<'_>>> {
    let (mut number, mut t_us, mut taken) = (0u64, 0i64, 0);
    std::iter::from_fn(move || {
        if bytes.is_empty() {
            return None;
        }
        let view = (taken < FRAMES).then(|| view(&mut bytes, number, t_us)).flatten();
        match view {
            Some(view) => (number, t_us, taken) = (view.number, view.t_us, taken + 1),
            None => bytes = &[],
        }
        Some(view)
    })
}

/// The next frame, after one of this number and time.
fn view<'a>(bytes: &mut &'a [u8], number: u64, t_us: i64) -> Option<FrameView<'a>> {
    let head = *bytes.split_off_first()?;
    if head & 0b1100_0000 != 0 {
        return None;
    }
    let kind = *KINDS.get(usize::from(head & 0b111))?;
    let endpoint = match head & ENDPOINT {
        0 => 0,
        _ => u16::try_from(varint::read(bytes)?).ok()?,
    };
    let skipped = match head & NUMBER {
        0 => 0,
        _ => varint::read_signed(bytes)?,
    };
    let number = number.wrapping_add(1).wrapping_add_signed(skipped);
    let t_us = t_us.wrapping_add(varint::read_signed(bytes)?);
    let payload: &[u8] = match head & PAYLOAD {
        0 => &[],
        _ => {
            let length = usize::try_from(varint::read(bytes)?).ok()?;
            bytes.split_off(..length)?
        }
    };
    Some(FrameView { number, t_us, kind, endpoint, payload })
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
