//! What decoders share: the values of one line or frame on their way to a
//! sample, its time, and at most one complaint for all that is wrong with it.

use std::borrow::Cow;
use std::sync::Arc;

use ampledger_types::{Group, Sample};

pub(super) use crate::decoder::At as Place;
use crate::decoder::{Complaint, ComplaintKind, Outlet, Output, excerpt, excerpt_bytes};
use crate::instrument_time::{Axis, TimeReader};
use crate::mapping::Field;
use crate::number::{Cell, cell};

/// Bytes as text: UTF-8, or else Latin-1, in which older instruments write
/// their `°C` and `µA`.
pub(super) fn text(bytes: &[u8]) -> Cow<'_, str> {
    match std::str::from_utf8(bytes) {
        Ok(text) => Cow::Borrowed(text.trim_start_matches('\u{feff}')),
        Err(_) => Cow::Owned(bytes.iter().map(|b| char::from(*b)).collect()),
    }
}

/// The complaint about a line that may be cut off, or is too long.
pub(super) fn incomplete(bytes: usize, what: &str) -> Output {
    Output::Complaint(Complaint::new(ComplaintKind::Incomplete, bytes, what))
}

/// One line's or frame's values so far.
#[derive(Debug, Default)]
pub(super) struct Readings {
    values: Vec<f64>,
    /// The first value that the instrument itself does not know.
    unknown: Option<String>,
    trouble: Option<String>,
    more: usize,
}

impl Readings {
    /// Room for so many values.
    pub(super) fn of(values: usize) -> Readings {
        Readings { values: Vec::with_capacity(values), ..Readings::default() }
    }

    /// The next value, read from a cell. NaN where there is none.
    pub(super) fn take(&mut self, name: &str, field: &Field, written: &str, mark: char) {
        let value = match cell(written, mark) {
            Cell::Number { value, unit } => field.read(value, unit),
            Cell::Missing => Ok(f64::NAN),
            Cell::Other => Err(format!("{} is no number", excerpt(written))),
        };
        self.push(name, value);
    }

    /// Forgets what it holds.
    pub(super) fn clear(&mut self) {
        self.values.clear();
        (self.unknown, self.trouble, self.more) = (None, None, 0);
    }

    /// The next value, NaN where it is missing.
    pub(super) fn push_number(&mut self, value: f64) {
        self.values.push(value);
    }

    /// The next value, or why there is none.
    pub(super) fn push(&mut self, name: &str, value: Result<f64, String>) {
        match value {
            Ok(value) => self.values.push(value),
            Err(why) => {
                self.values.push(f64::NAN);
                self.complain(format!("{}: {why}", excerpt(name)));
            }
        }
    }

    /// The next value, of which the instrument says that it has none. That is
    /// worth a word only where nothing else is left.
    pub(super) fn push_unknown(&mut self, name: &str, why: &str) {
        self.values.push(f64::NAN);
        self.unknown.get_or_insert_with(|| format!("{}: {why}", excerpt(name)));
    }

    /// Something that is wrong with the line.
    pub(super) fn complain(&mut self, what: String) {
        match self.trouble {
            None => self.trouble = Some(what),
            Some(_) => self.more += 1,
        }
    }

    /// Ends the line: a sample, a complaint, or both.
    pub(super) fn finish(self, place: Place, group: Arc<Group>, line: &str, out: &mut dyn Outlet) {
        self.end(place, group, (line.len(), &|| excerpt(line)), out);
    }

    /// Ends the frame, as [`Readings::finish`] does a line.
    pub(super) fn finish_frame(
        self,
        place: Place,
        group: Arc<Group>,
        frame: &[u8],
        out: &mut dyn Outlet,
    ) {
        self.end(place, group, (frame.len(), &|| excerpt_bytes(frame)), out);
    }

    /// Ends the line as [`Readings::finish`] does, but lends the values.
    pub(super) fn lend(
        &mut self,
        place: Place,
        group: &Arc<Group>,
        line: &[u8],
        out: &mut dyn Outlet,
    ) {
        let shown = || excerpt(&String::from_utf8_lossy(line));
        if self.is_usable((line.len(), &shown), out) {
            out.sample(group, place, &self.values);
        }
    }

    /// `source` is the length of the line or frame, and how it is shown.
    fn end(
        mut self,
        place: Place,
        group: Arc<Group>,
        source: (usize, &dyn Fn() -> String),
        out: &mut dyn Outlet,
    ) {
        if self.is_usable(source, out) {
            let Place { t_us, instrument_t_us } = place;
            out.say(Output::Sample(Sample { group, t_us, instrument_t_us, values: self.values }));
        }
    }

    /// Whether there is any value; complains of what is wrong.
    fn is_usable(&mut self, source: (usize, &dyn Fn() -> String), out: &mut dyn Outlet) -> bool {
        let (length, shown) = source;
        let usable = self.values.iter().any(|v| !v.is_nan());
        let trouble = match (self.trouble.take(), std::mem::take(&mut self.more)) {
            (Some(what), 0) => Some(what),
            (Some(what), more) => Some(format!("{what}, and {more} more")),
            (None, _) if usable => None,
            (None, _) => Some(match self.unknown.take() {
                Some(what) => format!("no usable value: {what}"),
                None => format!("no usable value in {}", shown()),
            }),
        };
        if let Some(what) = trouble {
            let skipped = if usable { 0 } else { length };
            out.say(Output::Complaint(Complaint::new(ComplaintKind::Implausible, skipped, what)));
        }
        usable
    }
}

/// The time of a line as written, and what it was read as.
#[derive(Clone, Copy)]
pub(super) struct Written<'a> {
    pub(super) text: &'a [u8],
    pub(super) t_us: Option<i64>,
}

/// The times of a line's sample; complains where a configured time is missing
/// or cannot be read, or where the axis had to be taken up anew.
pub(super) fn place(
    now_us: i64,
    written: Option<Written<'_>>,
    axis: &mut Axis,
    reader: &TimeReader,
    readings: &mut Readings,
) -> Place {
    let is_axis = reader.is_axis(axis.is_record());
    let instrument_t_us = written.as_ref().and_then(|w| w.t_us);
    let t_us = match instrument_t_us {
        Some(device_us) if is_axis => {
            let (t_us, complaint) = axis.place(now_us, device_us, reader);
            if let Some(what) = complaint {
                readings.complain(what);
            }
            t_us
        }
        Some(_) => now_us,
        None => {
            if reader.column.is_some() || (is_axis && written.is_some()) {
                let shown = |w: Written<'_>| excerpt(&String::from_utf8_lossy(w.text));
                let what = written.map_or("the line has none".into(), shown);
                readings.complain(format!("no time: {what}"));
            }
            if is_axis { axis.without_time(now_us) } else { now_us }
        }
    };
    Place { t_us, instrument_t_us }
}
