//! Text for files, made of lines of numbers in cells. Numbers are put down where
//! they will stay; nothing is copied on the way.

use super::{decimal, shortest};

/// Bytes made room for at once.
const MORE: usize = 256;

/// A text that grows line by line.
#[derive(Debug, Default)]
pub struct Text {
    /// The text, and beyond it room for more.
    bytes: Vec<u8>,
    length: usize,
}

impl Text {
    /// An empty one that holds so many bytes without growing.
    pub fn of_capacity(bytes: usize) -> Text {
        Text { bytes: vec![0; bytes], length: 0 }
    }

    /// The text.
    pub fn as_bytes(&self) -> &[u8] {
        &self.bytes[..self.length]
    }

    /// Begins anew, in the same place.
    pub fn clear(&mut self) {
        self.length = 0;
    }

    /// Puts what is written already at the end.
    pub fn put(&mut self, bytes: &[u8]) {
        self.length = put(&mut self.bytes, self.length, bytes);
    }

    /// A line at the end; it counts once it has ended.
    pub fn line(&mut self) -> Line<'_> {
        Line { at: self.length, bytes: &mut self.bytes, length: &mut self.length }
    }
}

/// A line that is being written. It keeps its own end, which is never looked up in
/// memory as long as all of this is inlined: that would take longer than the digits.
#[derive(Debug)]
pub struct Line<'a> {
    bytes: &'a mut Vec<u8>,
    length: &'a mut usize,
    at: usize,
}

impl Line<'_> {
    /// A cell with microseconds as seconds.
    #[inline(always)]
    pub fn second(&mut self, us: i64) {
        let written = self.room().map_or(0, |room| decimal::write_millionths(us, room));
        self.number(written, || us as f64 / 1e6);
    }

    /// A cell with a value, written as [`super::plain`] does.
    #[inline(always)]
    pub fn plain(&mut self, value: f64) {
        let written = self.room().map_or(0, |room| decimal::write(value, room));
        self.number(written, || value);
    }

    /// A cell with a running total, to a billionth of its unit: at 10 Hz that is
    /// below a tenth of a milliampere between two readings.
    #[inline(always)]
    pub fn total(&mut self, value: f64) {
        let written = self.room().map_or(0, |room| decimal::write_billionths(value, room));
        self.number(written, || value);
    }

    /// An empty cell.
    #[inline(always)]
    pub fn nothing(&mut self) {
        self.byte(b',');
    }

    /// Ends the line after its last cell.
    #[inline(always)]
    pub fn end(mut self) {
        self.at -= 1;
        self.byte(b'\n');
        *self.length = self.at;
    }

    /// Ends the cell of a number of that length; if it has none, it is another's.
    #[inline(always)]
    fn number(&mut self, written: usize, value: impl Fn() -> f64) {
        match written {
            0 => self.at = put_shortest(self.bytes, self.at, value()),
            _ => self.at += written,
        }
        self.byte(b',');
    }

    #[inline(always)]
    fn byte(&mut self, byte: u8) {
        match self.bytes.get_mut(self.at) {
            Some(place) => {
                *place = byte;
                self.at += 1;
            }
            None => self.at = put(self.bytes, self.at, &[byte]),
        }
    }

    #[inline(always)]
    fn room(&mut self) -> Option<&mut decimal::Room> {
        if self.bytes.len() < self.at + size_of::<decimal::Room>() {
            make_room(self.bytes, self.at);
        }
        self.bytes.get_mut(self.at..)?.first_chunk_mut()
    }
}

/// A number that is no decimal of a few places.
#[inline(never)]
fn put_shortest(bytes: &mut Vec<u8>, at: usize, value: f64) -> usize {
    put(bytes, at, shortest(value).as_bytes())
}

/// Puts bytes at a place in others; gives the place behind them.
#[inline(never)]
fn put(bytes: &mut Vec<u8>, at: usize, more: &[u8]) -> usize {
    let end = at + more.len();
    if bytes.len() < end {
        make_room(bytes, end);
    }
    bytes[at..end].copy_from_slice(more);
    end
}

#[cold]
#[inline(never)]
fn make_room(bytes: &mut Vec<u8>, at: usize) {
    bytes.resize(bytes.capacity().max(at + MORE), 0);
}
