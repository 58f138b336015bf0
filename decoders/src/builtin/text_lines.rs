//! `text-lines`: lines of text as boards and meters print them: CSV, TSV,
//! `;`, blanks, `key=value`, with or without headings and units.
//!
//! ```text
//! time_s;U [V];I [mA]        a heading line, found by itself; may change
//! 12,0;13,25;-12100          a row under it: as many cells, or it is cut off
//! # shunt warmed up          a comment
//! V=13.2V I=-12.1A           or: keys with values, units behind
//! ```
//! There is no check sum: a damaged digit passes as another number. What can
//! be told is told: a row with the wrong number of cells, a first or last
//! line that may be cut, a cell that should be a number and is none.

use std::borrow::Cow;

use ampledger_types::unit::parse_unit;
use serde::{Deserialize, Serialize};

use super::readings::{Readings, Written, incomplete, place, text};
use crate::config::{ConfigProblem, DecoderConfig};
use crate::decoder::{
    BadSnapshot, Complaint, ComplaintKind, Decoder, Descriptor, Input, Integrity, Outlet, Output,
    excerpt,
};
use crate::framing::{Line, Lines};
use crate::instrument_time::{Axis, TimeReader};
use crate::mapping::{Groups, Mapping, heading};
use crate::number::is_number;

pub(crate) mod cells;
mod columns;
mod options;
mod short_row;
#[cfg(test)]
mod tests;

use cells::{Delimiter, Pairs};
use columns::{Columns, Header};
use options::{Layout, Options};

/// More cells than this make no row.
const MOST_CELLS: usize = 1024;

/// Everything that depends on what came before.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct State {
    lines: Lines,
    header: Option<Header>,
    width: Width,
    axis: Axis,
}

/// How many cells a row without a heading has. Two rows in a row settle it
/// anew, so that one damaged row is found and a new format is taken up.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
struct Width {
    settled: Option<usize>,
    latest: Option<usize>,
}

impl Width {
    fn fits(&mut self, cells: usize) -> bool {
        let before = self.latest.replace(cells);
        if self.settled.is_none() || before == Some(cells) {
            self.settled = Some(cells);
        }
        self.settled == Some(cells)
    }
}

/// The decoder.
struct TextLines {
    reader: Reader,
    lines: Lines,
}

/// All of it but the framer, so that lines can be read while it hands them out.
struct Reader {
    options: Options,
    mark: char,
    mapping: Mapping,
    time: TimeReader,
    groups: Groups,
    header: Option<Header>,
    columns: Columns,
    width: Width,
    axis: Axis,
    /// What short rows are read into, one after the other.
    readings: Readings,
}

impl Decoder for TextLines {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            Input::Opened { record } => {
                let given_up = self.lines.opened(record || self.reader.options.keeps_parts());
                if given_up > 0 {
                    out.push(incomplete(given_up, "the connection was opened anew in a line"));
                }
                self.reader.opened(record);
            }
            Input::Received { bytes, .. } => self.lend(now_us, bytes, out),
            Input::Closed => {
                let reader = &mut self.reader;
                self.lines.closed(|line| reader.last_line(now_us, line, out));
            }
            Input::Command(command) => out.push(Output::CommandDone {
                id: command.id,
                result: Err("text-lines only listens; it takes no commands".to_owned()),
            }),
            Input::Sent { .. } | Input::Drained | Input::Deadline => {}
        }
    }

    fn lend(&mut self, now_us: i64, bytes: &[u8], out: &mut dyn Outlet) {
        let reader = &mut self.reader;
        self.lines.push(bytes, |line| {
            out.line();
            reader.line(now_us, line, out);
        });
    }

    fn snapshot(&self) -> Vec<u8> {
        let state = State {
            lines: self.lines.clone(),
            header: self.reader.header.clone(),
            width: self.reader.width,
            axis: self.reader.axis.clone(),
        };
        serde_json::to_vec(&state).unwrap_or_default()
    }

    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        let state: State =
            serde_json::from_slice(snapshot).map_err(|error| BadSnapshot(error.to_string()))?;
        self.lines = state.lines;
        self.reader.width = state.width;
        self.reader.axis = state.axis;
        self.reader.header = state.header;
        self.reader.columns = self.reader.columns();
        Ok(())
    }
}

impl Reader {
    fn new(config: &DecoderConfig) -> Result<Self, ConfigProblem> {
        let options: Options = config.options()?;
        options.check()?;
        let mapping = Mapping::new(config)?;
        let time = TimeReader::new(&options.time, options.axis_tolerance_second)?;
        let mut groups = Groups::default();
        let columns = Columns::numbered(&mapping, &time, &mut groups);
        let mut reader = Reader {
            mark: options.decimal.char(),
            header: options.header(),
            width: Width::default(),
            axis: Axis::default(),
            readings: Readings::default(),
            options,
            mapping,
            time,
            groups,
            columns,
        };
        reader.columns = reader.columns();
        match reader.columns.problems.pop() {
            Some(problem) => Err(problem),
            None => Ok(reader),
        }
    }

    /// A header is kept while a live line is closed and opened again: a board
    /// that prints it once does not print it again when the cable is back.
    fn opened(&mut self, record: bool) {
        self.axis.opened(record);
        if record {
            self.header = self.options.header();
            self.width = Width::default();
            self.columns = self.columns();
        }
    }

    fn columns(&mut self) -> Columns {
        match &self.header {
            Some(header) => Columns::under(header, &self.mapping, &self.time, &mut self.groups),
            None => Columns::numbered(&self.mapping, &self.time, &mut self.groups),
        }
    }

    fn line(&mut self, now_us: i64, line: Line<'_>, out: &mut dyn Outlet) {
        match line {
            Line::Whole(bytes) if self.short_row(now_us, bytes.trim_ascii(), out) => {}
            Line::Whole(bytes) => self.whole(now_us, &text(bytes), out),
            // A heading does no harm when it is cut: a name is not recognised,
            // or the rows under it do not have as many cells.
            Line::Part(bytes) => {
                if !bytes.is_empty() && !self.heading_line(text(bytes).trim(), out) {
                    out.say(incomplete(bytes.len(), "the first line after opening may be cut"));
                }
            }
            Line::TooLong(length) => out.say(incomplete(length, "the line is too long")),
        }
    }

    fn last_line(&mut self, now_us: i64, line: Line<'_>, out: &mut dyn Outlet) {
        match line {
            Line::Whole(bytes) | Line::Part(bytes) if self.options.keeps_parts() => {
                self.whole(now_us, &text(bytes), out);
            }
            Line::Whole(bytes) | Line::Part(bytes) => {
                out.say(incomplete(bytes.len(), "the last line has no end and may be cut"));
            }
            Line::TooLong(length) => out.say(incomplete(length, "the line is too long")),
        }
    }

    fn whole(&mut self, now_us: i64, line: &str, out: &mut dyn Outlet) {
        let line = line.trim();
        if line.is_empty() {
            return;
        }
        if let Some(comment) = self.options.comment(line) {
            // Some programs write their heading line as a comment.
            if self.header.is_none() && self.header_in(comment).is_some_and(|h| h.1 > 1) {
                self.heading_line(comment, out);
            }
            return;
        }
        if let Some(pairs) = self.pairs(line) {
            self.pair_line(now_us, line, pairs, out);
        } else if !self.heading_line(line, out) {
            self.row(now_us, line, out);
        }
    }

    fn delimiter(&self, line: &str) -> Delimiter {
        let of_header = self.header.as_ref().and_then(|header| header.delimiter);
        self.options.delimiter.or(of_header).unwrap_or_else(|| Delimiter::of(line, self.mark))
    }

    /// The line as pairs, if that is what it is to be read as.
    fn pairs(&self, line: &str) -> Option<Pairs> {
        if self.options.layout == Some(Layout::Columns) {
            return None;
        }
        let found = cells::pairs(line, self.options.delimiter, self.mark)?;
        let certain = self.options.layout == Some(Layout::Pairs) || self.header.is_none();
        (certain || found.others == 0).then_some(found)
    }

    fn pair_line(&mut self, now_us: i64, line: &str, found: Pairs, out: &mut dyn Outlet) {
        let mut readings = Readings::default();
        let mut channels = Vec::new();
        let mut time = None;
        for (key, value) in &found.pairs {
            if self.is_time(key) {
                let unit = heading::part(key).map(|p| p.unit);
                let t_us = || self.time.read(value, self.mark, unit);
                time = time.or_else(|| Some(Written { text: value.as_bytes(), t_us: t_us() }));
                continue;
            }
            match self.mapping.field(key) {
                Ok(Some(field)) if !channels.contains(&field.channel) => {
                    readings.take(key, &field, value, self.mark);
                    channels.push(field.channel);
                }
                Ok(_) => {}
                Err(problem) => readings.complain(problem.to_string()),
            }
        }
        let at = place(now_us, time, &mut self.axis, &self.time, &mut readings);
        readings.finish(at, self.groups.of(channels), line, out);
    }

    fn is_time(&self, key: &str) -> bool {
        match &self.time.column {
            Some(column) => column == key || heading::part(key).is_some_and(|p| p.name == column),
            None => heading::is_time(key) && !self.mapping.is_configured(key),
        }
    }

    /// The line as a header, and how many of its cells are of use. It has no
    /// number in it, and at least one cell that is configured or recognised.
    fn header_in(&self, line: &str) -> Option<(Header, usize)> {
        let delimiter = self.options.delimiter.unwrap_or_else(|| Delimiter::of(line, self.mark));
        let cells = cells::split(line, delimiter, self.mark);
        let is_number = |cell: &Cow<'_, str>| {
            is_number(cell, self.mark) || self.time.read(cell, self.mark, None).is_some()
        };
        if cells.len() > MOST_CELLS || cells.iter().any(is_number) {
            return None;
        }
        let mut cells: Vec<String> = cells.into_iter().map(Cow::into_owned).collect();
        if cells.last().is_some_and(String::is_empty) {
            cells.pop();
        }
        let header = Header { cells, units: None, delimiter: Some(delimiter) };
        let is_of_use = |cell: &&String| !matches!(self.mapping.field(cell), Ok(None));
        let of_use = header.cells.iter().filter(is_of_use).count();
        (of_use > 0).then_some((header, of_use))
    }

    /// Takes the line as a heading line or a row of units, if it is one.
    fn heading_line(&mut self, line: &str, out: &mut dyn Outlet) -> bool {
        // Most lines are rows, and most rows begin with a number.
        let end = line.bytes().position(|byte| matches!(byte, b',' | b';' | b'\t' | b' '));
        let first = &line[..end.unwrap_or(line.len())];
        if self.options.layout == Some(Layout::Pairs) || is_number(first, self.mark) {
            return false;
        }
        if self.take_units(line) {
            return true;
        }
        let Some((mut header, _)) = self.header_in(line) else { return false };
        if let Some(known) = self.header.as_ref().filter(|known| known.cells == header.cells) {
            header.units = known.units.clone();
        }
        self.header = Some(header);
        self.columns = self.columns();
        for problem in &self.columns.problems {
            let detail = format!("in the heading {}: {problem}", excerpt(line));
            out.say(Output::Complaint(Complaint::new(ComplaintKind::Implausible, 0, detail)));
        }
        true
    }

    /// A row under the header that has nothing but units which fit, one for
    /// each value at least.
    fn take_units(&mut self, line: &str) -> bool {
        let delimiter = self.delimiter(line);
        let Some(header) = &self.header else { return false };
        let cells = cells::split(line, delimiter, self.mark);
        let is_unit = |c: &Cow<'_, str>| c.is_empty() || parse_unit(c).is_some() || *c == "F";
        let has_unit = |at: usize| cells.get(at).is_some_and(|cell| !cell.is_empty());
        let for_each_value = self.columns.fields.iter().all(|(at, _, _)| has_unit(*at));
        if !for_each_value || !cells.iter().all(is_unit) || cells.iter().eq(&header.cells) {
            return false;
        }
        let units = Some(cells.into_iter().map(Cow::into_owned).collect());
        let with_units = Header { units, ..header.clone() };
        let columns = Columns::under(&with_units, &self.mapping, &self.time, &mut self.groups);
        if !columns.problems.is_empty() {
            return false;
        }
        (self.header, self.columns) = (Some(with_units), columns);
        true
    }

    fn row(&mut self, now_us: i64, line: &str, out: &mut dyn Outlet) {
        if self.columns.fields.is_empty() {
            let detail = format!("neither a key nor a heading line yet for {}", excerpt(line));
            let complaint = Complaint::new(ComplaintKind::NotMine, line.len(), detail);
            out.say(Output::Complaint(complaint));
            return;
        }
        let cells = cells::split(line, self.delimiter(line), self.mark);
        if !self.has_width(&cells) {
            let detail =
                format!("{} cells in {}, not as many as before", cells.len(), excerpt(line));
            out.say(incomplete(line.len(), &detail));
            return;
        }
        let cell = |at: usize| cells.get(at).map_or("", |cell| &**cell);
        let mut readings = Readings::of(self.columns.fields.len());
        for (at, name, field) in &self.columns.fields {
            readings.take(name, field, cell(*at), self.mark);
        }
        let time = self.columns.time.as_ref().map(|(at, unit)| {
            let text = cell(*at);
            let t_us = self.time.read(text, self.mark, unit.as_deref());
            Written { text: text.as_bytes(), t_us }
        });
        let at = place(now_us, time, &mut self.axis, &self.time, &mut readings);
        readings.finish(at, self.columns.group.clone(), line, out);
    }

    /// Under a header, a delimiter may close the row.
    fn has_width(&mut self, cells: &[Cow<'_, str>]) -> bool {
        let Some(header) = &self.header else {
            return cells.len() <= MOST_CELLS && self.width.fits(cells.len());
        };
        let closed = cells.last().is_some_and(|cell| cell.is_empty());
        cells.len() == header.cells.len() || (closed && cells.len() == header.cells.len() + 1)
    }
}

/// The entry in the list.
pub static DESCRIPTOR: Descriptor = Descriptor {
    name: "text-lines",
    version: "1",
    summary: "lines of text: CSV, TSV, blanks or key=value, with or without headings and units",
    integrity: |_| Integrity::None,
    build: |config| {
        Ok(Box::new(TextLines { reader: Reader::new(config)?, lines: Lines::default() }))
    },
};
