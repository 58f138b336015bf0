//! Frames that end with a byte that is found nowhere else, as those of COBS and
//! SLIP do. Holds at most the bound of an unfinished frame; a longer one is
//! skipped up to its end and reported once.

use serde::{Deserialize, Serialize};

/// What the framer found between two ends. Empty pieces are left out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece<'a> {
    /// A frame as sent, still stuffed, without its end.
    Whole(&'a [u8]),
    /// What may lack its beginning: the first after opening a live connection.
    Part(&'a [u8]),
    /// A frame over the bound, with its length.
    TooLong(usize),
}

/// The framer.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Delimited {
    partial: Vec<u8>,
    /// How many bytes of an over-long frame have been thrown away; 0 outside.
    skipped: usize,
    /// No end has been seen since opening half-way.
    maybe_cut: bool,
}

impl Delimited {
    /// Begins anew. The first frame is a [`Piece::Part`] unless the stream is
    /// known to start at its beginning. Returns the bytes given up.
    pub fn opened(&mut self, at_beginning: bool) -> usize {
        let given_up = self.pending();
        *self = Delimited { maybe_cut: !at_beginning, ..Delimited::default() };
        given_up
    }

    /// Bytes of the frame that has no end yet.
    pub fn pending(&self) -> usize {
        self.partial.len() + self.skipped
    }

    /// Whether it holds no more than it could have come to by itself.
    pub fn is_within(&self, longest: usize) -> bool {
        self.partial.len() <= longest && (self.skipped == 0 || self.partial.is_empty())
    }

    /// Takes in bytes and hands each frame of at most `longest` bytes that ends
    /// in them to `each`.
    pub fn push(
        &mut self,
        mut bytes: &[u8],
        end: u8,
        longest: usize,
        mut each: impl FnMut(Piece<'_>),
    ) {
        while let Some(at) = memchr::memchr(end, bytes) {
            self.keep(&bytes[..at], longest);
            bytes = &bytes[at + 1..];
            let was_cut = std::mem::take(&mut self.maybe_cut);
            match self.pending() {
                0 => {}
                length if self.skipped > 0 => each(Piece::TooLong(length)),
                _ if was_cut => each(Piece::Part(&self.partial)),
                _ => each(Piece::Whole(&self.partial)),
            }
            self.partial.clear();
            self.skipped = 0;
        }
        self.keep(bytes, longest);
    }

    fn keep(&mut self, bytes: &[u8], longest: usize) {
        if self.skipped == 0 && self.partial.len() + bytes.len() <= longest {
            self.partial.extend_from_slice(bytes);
        } else {
            self.skipped = self.skipped.saturating_add(self.partial.len() + bytes.len());
            self.partial.clear();
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn found(framer: &mut Delimited, chunks: &[&[u8]]) -> Vec<String> {
        let mut out = Vec::new();
        for chunk in chunks {
            framer.push(chunk, 0, 4, |piece| out.push(format!("{piece:?}")));
        }
        out
    }

    #[test]
    fn what_was_joined_half_way_is_a_part_and_the_next_is_whole() {
        let mut framer = Delimited::default();
        assert_eq!(framer.opened(false), 0);
        assert_eq!(
            found(&mut framer, &[&[7, 0, 0, 8], &[9, 0, 1]]),
            ["Part([7])", "Whole([8, 9])"]
        );
        assert_eq!(framer.opened(true), 1);
        assert_eq!(found(&mut framer, &[&[7, 0]]), ["Whole([7])"]);
    }

    #[test]
    fn the_bound_is_exact_and_what_is_longer_is_counted_once() {
        let mut framer = Delimited::default();
        assert_eq!(found(&mut framer, &[&[1, 2, 3, 4, 0]]), ["Whole([1, 2, 3, 4])"]);
        for _ in 0..1000 {
            assert_eq!(found(&mut framer, &[&[9; 100]]), [""; 0]);
            assert!(framer.partial.capacity() < 100 && framer.is_within(4));
        }
        assert_eq!(found(&mut framer, &[&[9, 0, 5, 0]]), ["TooLong(100001)", "Whole([5])"]);
    }

    proptest! {
        #[test]
        fn any_split_finds_the_same_pieces(
            bytes in proptest::collection::vec(0u8..3, 0..60),
            cut in 0usize..60,
        ) {
            let (a, b) = bytes.split_at(cut.min(bytes.len()));
            let whole = found(&mut Delimited::default(), &[&bytes]);
            prop_assert_eq!(found(&mut Delimited::default(), &[a, b]), whole);
        }
    }
}
