//! A row of nothing but short numbers under a heading, as nearly all lines of a
//! long record are: read in one pass. Any other is left to be read with care,
//! which would come to the same for this one.

use super::Reader;
use super::cells::Delimiter;
use super::options::Layout;
use crate::builtin::readings::{Written, place};
use crate::decoder::Outlet;
use crate::number::leading;

impl Reader {
    /// Takes the line, trimmed, if it is such a row.
    pub(super) fn short_row(&mut self, now_us: i64, line: &[u8], out: &mut dyn Outlet) -> bool {
        let Some(delimiter) = self.delimiter_of_rows(line) else { return false };
        let mut readings = std::mem::take(&mut self.readings);
        readings.clear();
        let time = self.numbers(line, delimiter, |value| readings.push_number(value));
        if let Some(time) = time {
            let at = place(now_us, time, &mut self.axis, &self.time, &mut readings);
            readings.lend(at, &self.columns.group, line, out);
        }
        self.readings = readings;
        time.is_some()
    }

    /// What parts the cells, if the line may be such a row.
    fn delimiter_of_rows(&self, line: &[u8]) -> Option<u8> {
        let header = self.header.as_ref()?;
        let delimiter = self.options.delimiter.or(header.delimiter).and_then(Delimiter::byte)?;
        let is_other = self.options.layout == Some(Layout::Pairs)
            || self.columns.fields.is_empty()
            || self.options.is_comment(line)
            || char::from(delimiter) == self.mark;
        (!is_other).then_some(delimiter)
    }

    /// Hands the values of the row to `each` and gives its time, if it has any;
    /// `None` where it is no such row.
    fn numbers<'a>(
        &self,
        line: &'a [u8],
        delimiter: u8,
        mut each: impl FnMut(f64),
    ) -> Option<Option<Written<'a>>> {
        let mark = u8::try_from(self.mark).ok()?;
        let mut fields = self.columns.fields.iter().peekable();
        let (mut rest, mut cells, mut time) = (line, 0, None);
        loop {
            let (value, length) = leading(rest, mark)?;
            if let Some((_, _, field)) = fields.next_if(|(at, _, _)| *at == cells) {
                each(field.read_alone(value)?);
            }
            if let Some((at, unit)) = &self.columns.time
                && *at == cells
            {
                let t_us = self.time.read_number(value, unit.as_deref());
                time = Some(Written { text: &rest[..length], t_us });
            }
            cells += 1;
            match rest.get(length) {
                None => break,
                Some(byte) if *byte == delimiter => rest = &rest[length + 1..],
                Some(_) => return None,
            }
        }
        let is_whole = self.header.as_ref().is_some_and(|header| header.cells.len() == cells);
        (is_whole && fields.next().is_none()).then_some(time)
    }
}
