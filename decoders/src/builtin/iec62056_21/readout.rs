//! Readouts in a stream of characters, and the data sets in their lines. Knows
//! the form only: what a code stands for and what its number means is not its
//! business.

use serde::{Deserialize, Serialize};

/// A readout longer than this is given up.
pub const LONGEST_BYTES: usize = 32 * 1024;
/// An identification longer than this is none: a stroke, three letters, the
/// rate and 16 characters, with room for meters that send more.
const LONGEST_IDENTIFICATION: usize = 64;
/// Bytes outside a readout are reported by so many at the latest.
const MOST_UNREPORTED: usize = 1024;

const STX: u8 = 0x02;
const ETX: u8 = 0x03;
const ACK: u8 = 0x06;

/// The block check: exclusive or of the low seven bits of everything behind
/// the STX (or SOH), the ETX included.
pub fn block_check(behind_stx: &[u8]) -> u8 {
    behind_stx.iter().fold(0, |check, byte| check ^ byte) & 0x7F
}

/// What was found in the stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Piece<'a> {
    /// Who it is: what stands between `/` and the line's end.
    Identification(&'a [u8]),
    /// A whole readout.
    Readout {
        /// Its lines, without what frames them.
        lines: &'a [u8],
        /// Its block check is right; `false` where it has none.
        is_checked: bool,
    },
    /// A readout with a wrong block check.
    BadCheck {
        /// As sent.
        got: u8,
        /// As it should be.
        computed: u8,
        /// Its length.
        bytes: usize,
    },
    /// A readout without an end, or one that is too long.
    Incomplete(usize),
    /// So many bytes that belong to no readout.
    Outside(usize),
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
enum Place {
    /// Before `/` or STX.
    #[default]
    Outside,
    /// Behind `/`.
    Identification,
    /// In lines that end with `!`.
    Lines,
    /// Behind STX.
    Block,
    /// Behind ETX: the block check comes.
    Check,
}

/// Finds readouts.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Framer {
    place: Place,
    buffer: Vec<u8>,
    /// Something stands on the line already.
    in_line: bool,
    /// Bytes outside a readout that are not reported yet.
    outside: usize,
}

impl Framer {
    /// Bytes of a readout that has no end yet.
    pub fn pending(&self) -> usize {
        self.buffer.len()
    }

    /// Whether this can be the state of a framer.
    pub fn is_possible(&self) -> bool {
        self.buffer.len() <= LONGEST_BYTES + 1
            && (self.place != Place::Check || self.buffer.last() == Some(&ETX))
    }

    /// Takes in bytes and hands over what is complete.
    pub fn push(&mut self, bytes: &[u8], mut each: impl FnMut(Piece<'_>)) {
        for &byte in bytes {
            self.take(byte, &mut each);
        }
    }

    /// Gives up what has begun.
    pub fn give_up(&mut self, each: &mut impl FnMut(Piece<'_>)) {
        let begun = self.buffer.iter().filter(|byte| !byte.is_ascii_whitespace()).count();
        if begun > 0 && self.place != Place::Outside {
            each(Piece::Incomplete(self.buffer.len()));
        }
        if self.outside > 0 {
            each(Piece::Outside(self.outside));
        }
        *self = Framer::default();
    }

    fn take(&mut self, byte: u8, each: &mut impl FnMut(Piece<'_>)) {
        let begins = !self.in_line;
        self.in_line = !matches!(byte, b'\r' | b'\n');
        match (self.place, byte) {
            (Place::Check, got) => self.check(got, each),
            // Both begin something wherever they stand: what came before is cut.
            (_, STX) => self.begin(Place::Block, each),
            (_, b'/') if begins => self.begin(Place::Identification, each),
            (Place::Outside, byte) => self.pass(byte, each),
            (Place::Identification, b'\r' | b'\n') => self.identify(each),
            (Place::Block, ETX) => {
                self.buffer.push(ETX);
                self.place = Place::Check;
            }
            (place, byte) => {
                self.buffer.push(byte);
                let most = match place {
                    Place::Identification => LONGEST_IDENTIFICATION,
                    _ => LONGEST_BYTES,
                };
                if self.buffer.len() > most {
                    each(Piece::Incomplete(self.buffer.len()));
                    self.leave();
                } else if place == Place::Lines && !self.in_line {
                    self.end_line(each);
                }
            }
        }
    }

    fn begin(&mut self, place: Place, each: &mut impl FnMut(Piece<'_>)) {
        self.give_up(each);
        self.place = place;
        self.in_line = place == Place::Identification;
    }

    /// The next line begins afresh, whatever stood before.
    fn leave(&mut self) {
        *self = Framer { outside: self.outside, in_line: self.in_line, ..Framer::default() };
    }

    fn pass(&mut self, byte: u8, each: &mut impl FnMut(Piece<'_>)) {
        // Wake-up characters are NUL; line ends part readouts.
        self.outside += usize::from(!matches!(byte, 0 | b' ' | b'\r' | b'\n'));
        if self.outside >= MOST_UNREPORTED {
            each(Piece::Outside(std::mem::take(&mut self.outside)));
        }
    }

    /// Three letters of the maker, a character for the rate, and more.
    /// `?` is a request, as an optical head sends it back.
    fn identify(&mut self, each: &mut impl FnMut(Piece<'_>)) {
        let line = std::mem::take(&mut self.buffer);
        self.leave();
        let is_maker = line.len() >= 4 && line[..3].iter().all(u8::is_ascii_alphabetic);
        if is_maker && line.iter().all(|byte| *byte == b' ' || byte.is_ascii_graphic()) {
            each(Piece::Identification(&line));
            self.place = Place::Lines;
        } else if line.first() != Some(&b'?') {
            each(Piece::Outside(line.len() + 1));
        }
    }

    fn end_line(&mut self, each: &mut impl FnMut(Piece<'_>)) {
        let line = self.buffer.len() - 1;
        let start = memchr::memrchr2(b'\r', b'\n', &self.buffer[..line]).map_or(0, |at| at + 1);
        if self.buffer[start] == b'!' {
            each(Piece::Readout { lines: &self.buffer[..start], is_checked: false });
            self.leave();
        } else if self.buffer[start] == ACK {
            // Our own acknowledgement, as an optical head sends it back.
            self.buffer.truncate(start);
        }
    }

    fn check(&mut self, got: u8, each: &mut impl FnMut(Piece<'_>)) {
        let computed = block_check(&self.buffer);
        let lines = &self.buffer[..self.buffer.len() - 1];
        match got & 0x7F == computed {
            true => each(Piece::Readout { lines: until_end(lines), is_checked: true }),
            false => each(Piece::BadCheck { got, computed, bytes: self.buffer.len() + 1 }),
        }
        self.leave();
        self.in_line = false;
    }
}

/// What stands before the line that is `!`.
fn until_end(lines: &[u8]) -> &[u8] {
    let is_end =
        |at: &usize| lines[*at] == b'!' && (*at == 0 || matches!(lines[*at - 1], b'\r' | b'\n'));
    let end = memchr::memchr_iter(b'!', lines).find(is_end);
    &lines[..end.unwrap_or(lines.len())]
}

/// `address(value*unit)`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DataSet<'a> {
    /// The code, e.g. `1.8.0`; empty for a value that follows another.
    pub code: &'a str,
    /// As written, zeros in front and all.
    pub value: &'a str,
    /// As written.
    pub unit: Option<&'a str>,
}

/// A line that is not made of data sets.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("not made of `address(value*unit)`")]
pub struct NoDataSets;

/// The data sets of one line; an empty line has none.
pub fn data_sets(line: &str) -> Result<Vec<DataSet<'_>>, NoDataSets> {
    let mut found = Vec::new();
    let mut rest = line.trim();
    while !rest.is_empty() {
        let (code, behind) = rest.split_once('(').ok_or(NoDataSets)?;
        let (inside, behind) = behind.split_once(')').ok_or(NoDataSets)?;
        if code.contains(')') || inside.contains('(') {
            return Err(NoDataSets);
        }
        let (value, unit) = match inside.split_once('*') {
            Some((value, unit)) => (value, Some(unit)),
            None => (inside, None),
        };
        found.push(DataSet { code: code.trim(), value, unit });
        rest = behind.trim_start();
    }
    Ok(found)
}
