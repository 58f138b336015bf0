//! Frames of known length, with or without bytes that they begin with. What is
//! no frame costs one byte, and the search goes on behind it, so that rubbish
//! that looks like a beginning hides no frame. Holds less than one frame.

use serde::{Deserialize, Serialize};

/// How long the frame is that begins here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Length {
    /// So many bytes in all, at least one.
    Bytes(usize),
    /// That cannot be said yet.
    NotYet,
    /// No frame begins here.
    NoFrame,
}

/// The framer.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counted {
    pending: Vec<u8>,
}

impl Counted {
    /// Begins anew. Returns the bytes given up.
    pub fn opened(&mut self) -> usize {
        std::mem::take(&mut self.pending).len()
    }

    /// Bytes of the frame that is not complete yet.
    pub fn pending(&self) -> usize {
        self.pending.len()
    }

    /// Takes in bytes. A frame begins with `sync`, which may be empty; `length`
    /// says how long it is, which must be bounded, and `take` whether it is
    /// sound. Returns how many bytes belonged to no frame.
    pub fn push(
        &mut self,
        bytes: &[u8],
        sync: &[u8],
        length: impl Fn(&[u8]) -> Length,
        mut take: impl FnMut(&[u8]) -> bool,
    ) -> usize {
        self.pending.extend_from_slice(bytes);
        let (mut at, mut skipped) = (0, 0);
        loop {
            let to_sync = distance(&self.pending[at..], sync);
            (at, skipped) = (at + to_sync, skipped + to_sync);
            let rest = &self.pending[at..];
            if rest.len() < sync.len().max(1) {
                break;
            }
            match length(rest) {
                Length::NotYet => break,
                Length::Bytes(n) if n > rest.len() => break,
                Length::Bytes(n) if n > 0 && take(&rest[..n]) => at += n,
                Length::Bytes(_) | Length::NoFrame => (at, skipped) = (at + 1, skipped + 1),
            }
        }
        self.pending.drain(..at);
        skipped
    }
}

/// How far it is to `sync`, or to the beginning of it at the end.
fn distance(bytes: &[u8], sync: &[u8]) -> usize {
    let Some(first) = sync.first() else { return 0 };
    memchr::memchr_iter(*first, bytes)
        .find(|at| {
            let rest = &bytes[*at..];
            rest.starts_with(sync) || sync.starts_with(rest)
        })
        .unwrap_or(bytes.len())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// `A5 5A`, the number of bytes that follow, these, their sum.
    fn found(framer: &mut Counted, chunks: &[&[u8]]) -> (Vec<Vec<u8>>, usize) {
        let (mut frames, mut skipped) = (Vec::new(), 0);
        for chunk in chunks {
            let length = |start: &[u8]| match start.get(2) {
                None => Length::NotYet,
                Some(n @ 1..=16) => Length::Bytes(usize::from(*n) + 4),
                Some(_) => Length::NoFrame,
            };
            skipped += framer.push(chunk, &[0xA5, 0x5A], length, |frame| {
                let (sum, covered) = frame.split_last().unwrap();
                let sound = covered.iter().fold(0u8, |sum, b| sum.wrapping_add(*b)) == *sum;
                frames.extend(sound.then(|| frame.to_vec()));
                sound
            });
            assert!(framer.pending() < 20);
        }
        (frames, skipped)
    }

    const FRAME: [u8; 6] = [0xA5, 0x5A, 2, 7, 8, 0x10];

    #[test]
    fn a_false_beginning_hides_no_frame() {
        let rubbish = [0xA5, 0x5A, 4, 0xA5, 0xA5];
        let (frames, skipped) = found(&mut Counted::default(), &[&rubbish, &FRAME, &FRAME]);
        assert_eq!((frames.len(), skipped), (2, rubbish.len()));
    }

    #[test]
    fn a_length_over_the_bound_is_no_frame() {
        let (frames, skipped) = found(&mut Counted::default(), &[&[0xA5, 0x5A, 17], &FRAME]);
        assert_eq!((frames.len(), skipped), (1, 3));
    }

    proptest! {
        #[test]
        fn any_split_finds_the_same_frames(
            rubbish in proptest::collection::vec(prop_oneof![Just(0xA5u8), Just(0x5A), 0u8..4], 0..40),
            cut in 0usize..60,
        ) {
            let stream = [&rubbish[..], &FRAME, &rubbish, &FRAME, &[0; 24]].concat();
            let (a, b) = stream.split_at(cut.min(stream.len()));
            let whole = found(&mut Counted::default(), &[&stream]);
            prop_assert_eq!(found(&mut Counted::default(), &[a, b]), whole);
        }
    }
}
