//! A sample as a line of a table. What its cells hold is looked up once for each
//! stream: a decode set's samples of one group.

use std::sync::Arc;

use ampledger_methods::RunningTotals;
use ampledger_store::NumberedSample;
use ampledger_types::{DecodeSet, Group};

use super::columns::{Columns, Holds};
use super::survey::Heard;
use crate::numbers::Text;
use crate::timeline::Timeline;

/// Writes lines.
#[derive(Debug)]
pub(super) struct Lines<'a> {
    columns: &'a Columns,
    heard: &'a [Heard],
    timeline: &'a Timeline,
    streams: Vec<Stream>,
}

#[derive(Debug)]
struct Stream {
    decode_set: Arc<DecodeSet>,
    group: Arc<Group>,
    cells: Vec<Cell>,
    /// Where the current stands in a sample.
    current: Option<usize>,
}

#[derive(Clone, Copy, Debug)]
enum Cell {
    TestTime,
    UnixTime,
    /// The value with this place in the sample.
    Value(usize),
    Total(fn(&RunningTotals) -> Option<f64>),
    Nothing,
}

impl<'a> Lines<'a> {
    pub(super) fn new(columns: &'a Columns, heard: &'a [Heard], timeline: &'a Timeline) -> Self {
        Lines { columns, heard, timeline, streams: Vec::new() }
    }

    /// Puts the line of a sample at the end of a text: at this test time, with
    /// the totals up to it.
    pub(super) fn put(
        &mut self,
        stored: &NumberedSample,
        t_us: i64,
        totals: &RunningTotals,
        out: &mut Text,
    ) {
        let stream = self.stream(stored);
        let stream = &self.streams[stream];
        let values = &stored.sample.values;
        let value = |place: usize| values.get(place).copied().filter(|value| value.is_finite());
        let has_current = stream.current.and_then(value).is_some();
        let mut line = out.line();
        for cell in &stream.cells {
            match cell {
                Cell::TestTime => line.second(t_us),
                Cell::UnixTime => match self.timeline.unix_us(t_us) {
                    Some(unix_us) => line.second(unix_us),
                    None => line.nothing(),
                },
                Cell::Value(place) => match value(*place) {
                    Some(value) => line.plain(value),
                    None => line.nothing(),
                },
                Cell::Total(of) => match of(totals).filter(|_| has_current) {
                    Some(total) => line.total(total),
                    None => line.nothing(),
                },
                Cell::Nothing => line.nothing(),
            }
        }
        line.end();
    }

    /// The stream of a sample. A reader gives the same decode set and the same
    /// group each time.
    fn stream(&mut self, stored: &NumberedSample) -> usize {
        let (set, group) = (&stored.decode_set, &stored.sample.group);
        let is_its = |stream: &Stream| {
            Arc::ptr_eq(&stream.group, group) && Arc::ptr_eq(&stream.decode_set, set)
        };
        self.streams.iter().position(is_its).unwrap_or_else(|| {
            self.streams.push(self.stream_of(set, group));
            self.streams.len() - 1
        })
    }

    fn stream_of(&self, set: &Arc<DecodeSet>, group: &Arc<Group>) -> Stream {
        let place = |of: usize| {
            let Heard { source, channel, .. } = &self.heard[of];
            let is_its = *source == set.source;
            group.channels.iter().position(|c| c == channel).filter(|_| is_its)
        };
        let cell = |holds: &Holds| match holds {
            Holds::TestTime => Cell::TestTime,
            Holds::UnixTime => Cell::UnixTime,
            Holds::Readings(of) => place(*of).map_or(Cell::Nothing, Cell::Value),
            Holds::Total(of) => Cell::Total(*of),
            Holds::Nothing => Cell::Nothing,
        };
        Stream {
            decode_set: Arc::clone(set),
            group: Arc::clone(group),
            cells: self.columns.holds.iter().map(cell).collect(),
            current: self.columns.current.and_then(place),
        }
    }
}
