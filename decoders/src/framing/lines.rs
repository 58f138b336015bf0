//! Lines in a stream of bytes, split anywhere on the way. LF, CR LF and CR
//! alone end a line. Holds at most [`LONGEST_LINE_BYTES`] of an unfinished
//! line; a longer one is skipped up to its end and reported once.

use serde::{Deserialize, Serialize};

/// Lines longer than this are skipped.
pub const LONGEST_LINE_BYTES: usize = 64 * 1024;

/// What the framer found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line<'a> {
    /// A line, without its end.
    Whole(&'a [u8]),
    /// A line that may lack its beginning (the first after opening a live
    /// connection) or its end (the last before closing).
    Part(&'a [u8]),
    /// A line over the bound, with its length.
    TooLong(usize),
}

/// The framer.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Lines {
    /// What is there of the line that has no end yet.
    partial: Vec<u8>,
    /// How many bytes of an over-long line have been thrown away; 0 outside.
    skipped: usize,
    /// The last byte was a CR, so that an LF belongs to it.
    after_cr: bool,
    /// No line end has been seen since opening half-way.
    maybe_cut: bool,
}

impl Lines {
    /// Begins anew. The first line is a [`Line::Part`] unless the stream is
    /// known to start at its beginning. Returns the bytes given up.
    pub fn opened(&mut self, at_beginning: bool) -> usize {
        let given_up = self.pending();
        *self = Lines { maybe_cut: !at_beginning, ..Lines::default() };
        given_up
    }

    /// Bytes of the line that has no end yet.
    pub fn pending(&self) -> usize {
        self.partial.len() + self.skipped
    }

    /// Takes in bytes and hands each line that ends in them to `each`.
    pub fn push(&mut self, mut bytes: &[u8], mut each: impl FnMut(Line<'_>)) {
        while let Some(&first) = bytes.first() {
            if std::mem::take(&mut self.after_cr) && first == b'\n' {
                bytes = &bytes[1..];
                continue;
            }
            let Some(end) = memchr::memchr2(b'\n', b'\r', bytes) else {
                self.keep(bytes);
                return;
            };
            self.after_cr = bytes[end] == b'\r';
            self.end_line(&bytes[..end], &mut each);
            bytes = &bytes[end + 1..];
        }
    }

    /// The connection is gone: hands over what has no end.
    pub fn closed(&mut self, each: impl FnOnce(Line<'_>)) {
        match self.pending() {
            0 => {}
            long if self.skipped > 0 => each(Line::TooLong(long)),
            _ => each(Line::Part(&self.partial)),
        }
        *self = Lines::default();
    }

    fn keep(&mut self, bytes: &[u8]) {
        if self.skipped == 0 && self.partial.len() + bytes.len() <= LONGEST_LINE_BYTES {
            self.partial.extend_from_slice(bytes);
        } else {
            self.skipped += self.partial.len() + bytes.len();
            self.partial = Vec::new();
        }
    }

    fn end_line(&mut self, rest: &[u8], each: &mut impl FnMut(Line<'_>)) {
        let wrap = if std::mem::take(&mut self.maybe_cut) { Line::Part } else { Line::Whole };
        let length = self.pending() + rest.len();
        if length > LONGEST_LINE_BYTES {
            each(Line::TooLong(length));
        } else if self.partial.is_empty() {
            each(wrap(rest));
        } else {
            self.partial.extend_from_slice(rest);
            each(wrap(&self.partial));
        }
        self.partial.clear();
        self.skipped = 0;
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn found(lines: &mut Lines, chunks: &[&[u8]]) -> Vec<String> {
        let mut out = Vec::new();
        for chunk in chunks {
            lines.push(chunk, |line| {
                out.push(match line {
                    Line::Whole(text) => String::from_utf8_lossy(text).into_owned(),
                    Line::Part(text) => format!("part:{}", String::from_utf8_lossy(text)),
                    Line::TooLong(length) => format!("long:{length}"),
                });
            });
        }
        out
    }

    #[test]
    fn three_line_ends_are_one_line_end_each() {
        let mut lines = Lines::default();
        assert_eq!(
            found(&mut lines, &[b"a\nb\r\nc\rd\r", b"\n\ne\n"]),
            ["a", "b", "c", "d", "", "e"]
        );
    }

    #[test]
    fn a_line_joined_half_way_is_a_part_and_the_next_is_whole() {
        let mut lines = Lines::default();
        lines.opened(false);
        assert_eq!(found(&mut lines, &[b"3.2\n13.2\n"]), ["part:3.2", "13.2"]);
        lines.opened(true);
        assert_eq!(found(&mut lines, &[b"13.2\n1"]), ["13.2"]);
        let mut last = Vec::new();
        lines.closed(|line| last.push(line == Line::Part(b"1")));
        assert_eq!(last, [true]);
    }

    #[test]
    fn a_line_of_ten_megabytes_costs_the_bound_and_is_counted_once() {
        let mut lines = Lines::default();
        let chunk = [b'7'; 4096];
        for _ in 0..10 * 256 {
            assert_eq!(found(&mut lines, &[&chunk]), [""; 0]);
            // A vector doubles as it grows, so up to twice the bound.
            assert!(lines.partial.capacity() <= 2 * LONGEST_LINE_BYTES);
        }
        assert_eq!(found(&mut lines, &[b"7\n13.2\n"]), ["long:10485761", "13.2"]);
    }

    #[test]
    fn the_bound_is_exact() {
        let (fits, long) = ([b'1'; LONGEST_LINE_BYTES], [b'1'; LONGEST_LINE_BYTES + 1]);
        for split in [0, 1, LONGEST_LINE_BYTES] {
            let mut lines = Lines::default();
            let whole = found(&mut lines, &[&fits[..split], &fits[split..], b"\n"]);
            assert_eq!(whole[0].len(), LONGEST_LINE_BYTES);
            assert_eq!(found(&mut lines, &[&long[..split], &long[split..], b"\n"]), ["long:65537"]);
        }
    }

    proptest! {
        #[test]
        fn any_split_finds_the_same_lines(
            text in "[a\r\n]{0,40}",
            cuts in proptest::collection::vec(0usize..40, 0..6),
        ) {
            let mut cuts: Vec<usize> = cuts.iter().map(|c| (*c).min(text.len())).collect();
            cuts.extend([0, text.len()]);
            cuts.sort_unstable();
            let chunks: Vec<&[u8]> =
                cuts.windows(2).map(|w| &text.as_bytes()[w[0]..w[1]]).collect();
            let whole = found(&mut Lines::default(), &[text.as_bytes()]);
            prop_assert_eq!(found(&mut Lines::default(), &chunks), whole);
        }
    }
}
