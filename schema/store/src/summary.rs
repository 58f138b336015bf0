//! Summaries of minutes and hours, written along with the samples about once a
//! minute and an hour. Between two such times the newest samples wait here;
//! after a restart they are counted again from the record.

use std::path::Path;

use rusqlite::{Connection, params};

use crate::append::NumberedSample;
use crate::columns::Block;
use crate::error::Fault;
use crate::intern::{Interned, Origins};
use crate::merge;
use crate::read::Range;
use crate::redecode::Redecoding;
use crate::walk::{Access, Numbers, Walk};

/// Microseconds in a minute.
pub(crate) const MINUTE_US: i64 = 60_000_000;
/// Microseconds in an hour.
pub(crate) const HOUR_US: i64 = 60 * MINUTE_US;

/// Cells that wait at most.
const WAITING: usize = 512;

/// What is known of several values. NaN, which stands for 'no value', is none.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Summary {
    /// How many.
    pub count: u64,
    /// The least.
    pub min: f64,
    /// The greatest.
    pub max: f64,
    /// All of them added up.
    pub sum: f64,
    /// The first that came.
    pub first: f64,
    /// The last that came.
    pub last: f64,
}

impl Summary {
    /// What is known of these, in order.
    pub(crate) fn of(values: &[f64]) -> Summary {
        let (Some(first), Some(last)) = (values.first(), values.last()) else {
            return Summary::default();
        };
        // Side by side: one after the other, each would wait for the one before.
        let (mut min, mut max, mut sum) = ([f64::INFINITY; 4], [f64::NEG_INFINITY; 4], [0.0; 4]);
        let (fours, rest) = values.as_chunks::<4>();
        for four in fours {
            for (i, value) in four.iter().enumerate() {
                min[i] = if *value < min[i] { *value } else { min[i] };
                max[i] = if *value > max[i] { *value } else { max[i] };
                sum[i] += *value;
            }
        }
        let total: f64 = sum.iter().sum::<f64>() + rest.iter().sum::<f64>();
        if total.is_nan() {
            // No value among them, or infinities of both signs.
            let mut summary = Summary::default();
            values.iter().for_each(|value| summary.add(*value));
            return summary;
        }
        Summary {
            count: values.len() as u64,
            min: min.iter().chain(rest).copied().fold(f64::INFINITY, f64::min),
            max: max.iter().chain(rest).copied().fold(f64::NEG_INFINITY, f64::max),
            sum: total,
            first: *first,
            last: *last,
        }
    }

    /// Their mean; `None` of no values.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.sum / self.count as f64)
    }

    /// Takes a value in.
    pub fn add(&mut self, value: f64) {
        if value.is_nan() {
            return;
        }
        if self.count == 0 {
            (self.min, self.max, self.first) = (value, value, value);
        }
        self.count += 1;
        self.min = self.min.min(value);
        self.max = self.max.max(value);
        self.sum += value;
        self.last = value;
    }

    /// Takes in what came after.
    pub fn join(&mut self, later: &Summary) {
        if self.count == 0 || later.count == 0 {
            if later.count > 0 {
                *self = *later;
            }
            return;
        }
        self.count += later.count;
        self.min = self.min.min(later.min);
        self.max = self.max.max(later.max);
        self.sum += later.sum;
        self.last = later.last;
    }
}

/// What waits to be written.
#[derive(Debug)]
pub(crate) struct Summaries {
    levels: [Level; 2],
    is_loaded: bool,
}

impl Default for Summaries {
    fn default() -> Self {
        let levels = [Level::new("minute", MINUTE_US), Level::new("hour", HOUR_US)];
        Summaries { levels, is_loaded: false }
    }
}

/// Summaries of one width.
#[derive(Debug)]
struct Level {
    table: &'static str,
    width_us: i64,
    counted_up_to: i64,
    waiting: Vec<Cell>,
    /// Whether a group has gone on to another cell.
    has_turned: bool,
}

#[derive(Debug)]
struct Cell {
    run: i64,
    group: i64,
    number: i64,
    channels: Vec<Summary>,
}

impl Cell {
    fn add(&mut self, values: &[f64]) {
        for (summary, value) in self.channels.iter_mut().zip(values) {
            summary.add(*value);
        }
    }
}

impl Summaries {
    /// Counts what was recorded and not written down yet, once.
    pub(crate) fn load(&mut self, db: &Connection, interned: &mut Interned) -> Result<(), Fault> {
        if self.is_loaded {
            return Ok(());
        }
        for level in &mut self.levels {
            let find = "SELECT up_to_seq FROM summed WHERE what = ?1";
            level.counted_up_to = db.query_row(find, [level.table], |row| row.get(0))?;
        }
        let after = self.levels.iter().map(|level| level.counted_up_to).min().unwrap_or(0);
        let (everything, access) = (Range::everything(), inside(db));
        let numbers = Numbers { after, last: i64::MAX, but: Vec::new() };
        let mut walk = Walk::new(&access, &everything, numbers);
        while let Some(sample) = walk.next().map_err(Fault::Found)? {
            let group = interned.group(db, &sample.decode_set, &sample.sample.group)?;
            for level in &mut self.levels {
                if sample.seq.cast_signed() > level.counted_up_to {
                    level.add(&sample, group);
                }
            }
        }
        self.is_loaded = true;
        Ok(())
    }

    /// Counts samples that are being recorded, and writes down what is due.
    pub(crate) fn add(
        &mut self,
        db: &Connection,
        new: &[NumberedSample],
        groups: &[i64],
    ) -> Result<(), Fault> {
        let Some(last) = new.last() else { return Ok(()) };
        for level in &mut self.levels {
            for (sample, group) in new.iter().zip(groups) {
                level.add(sample, *group);
            }
            if level.has_turned || level.waiting.len() > WAITING {
                level.write(db, last.seq.cast_signed())?;
            }
        }
        Ok(())
    }

    /// As [`Summaries::add`], with samples that lie in columns.
    pub(crate) fn add_block(
        &mut self,
        db: &Connection,
        block: &Block,
        group: i64,
    ) -> Result<(), Fault> {
        let Some(last) = block.seqs.last() else { return Ok(()) };
        for level in &mut self.levels {
            level.add_block(block, group);
            if level.has_turned || level.waiting.len() > WAITING {
                level.write(db, last.cast_signed())?;
            }
        }
        Ok(())
    }

    /// Writes down all that waits.
    pub(crate) fn write(&mut self, db: &Connection, up_to: i64) -> Result<(), Fault> {
        self.levels.iter_mut().try_for_each(|level| level.write(db, up_to))
    }

    /// Counts a stretch anew that was decoded again, given in the middle of the
    /// transaction that does so. Nothing may wait.
    pub(crate) fn count_again(
        &mut self,
        db: &Connection,
        interned: &mut Interned,
        redecoding: &Redecoding,
    ) -> Result<(), Fault> {
        let stretch = &redecoding.stretch;
        let from_us = stretch.from_t_us.div_euclid(HOUR_US).saturating_mul(HOUR_US);
        let to_us = stretch.to_t_us.div_euclid(HOUR_US).saturating_add(1).saturating_mul(HOUR_US);
        let range = stretch.range(from_us, to_us.saturating_sub(1));
        for level in &mut self.levels {
            level.forget(db, &stretch.source, stretch.run.0, from_us..to_us)?;
        }
        let (access, redecodings) = (inside(db), crate::redecode::redecodings(db, &range)?);
        let mut samples = Vec::new();
        let mut failed = None;
        let found = merge::samples(&access, &range, &redecodings, |sample| {
            samples.push(sample);
            if samples.len() < 4096 {
                return std::ops::ControlFlow::Continue(());
            }
            match self.add_read(db, interned, &mut samples) {
                Ok(()) => std::ops::ControlFlow::Continue(()),
                Err(fault) => {
                    failed = Some(fault);
                    std::ops::ControlFlow::Break(())
                }
            }
        });
        found.map_err(Fault::Found)?;
        failed.map_or(Ok(()), Err)?;
        self.add_read(db, interned, &mut samples)?;
        self.write(db, redecoding.last_seq.cast_signed())
    }

    fn add_read(
        &mut self,
        db: &Connection,
        interned: &mut Interned,
        samples: &mut Vec<NumberedSample>,
    ) -> Result<(), Fault> {
        for sample in samples.drain(..) {
            let group = interned.group(db, &sample.decode_set, &sample.sample.group)?;
            self.levels.iter_mut().for_each(|level| level.add(&sample, group));
        }
        self.levels.iter_mut().try_for_each(|level| level.write_cells(db))
    }
}

fn inside(db: &Connection) -> Access<'_> {
    Access::Inside { db, path: Path::new(db.path().unwrap_or("")), origins: Origins::default() }
}

impl Level {
    fn new(table: &'static str, width_us: i64) -> Level {
        Level { table, width_us, counted_up_to: 0, waiting: Vec::new(), has_turned: false }
    }

    fn add(&mut self, given: &NumberedSample, group: i64) {
        let (run, t_us, width_us) = (given.run.0, given.sample.t_us, self.width_us);
        // The cell is nearly always the last; that takes no division to see.
        let into = |cell: &Cell| t_us.checked_sub(cell.number.checked_mul(width_us)?);
        if let Some(last) = self.waiting.last_mut()
            && (last.run, last.group) == (run, group)
            && into(last).is_some_and(|us| (0..width_us).contains(&us))
        {
            return last.add(&given.sample.values);
        }
        let channels = given.sample.values.len();
        let number = t_us.div_euclid(width_us);
        self.cell((run, group, number), channels).add(&given.sample.values);
    }

    /// The cell of a run, a group and a number, which is made if there is none.
    fn cell(&mut self, (run, group, number): (i64, i64, i64), channels: usize) -> &mut Cell {
        let of_group = |cell: &&Cell| cell.run == run && cell.group == group;
        let newest = self.waiting.iter().rev().find(of_group);
        self.has_turned |= newest.is_some_and(|newest| newest.number != number);
        let is_it = |cell: &Cell| of_group(&cell) && cell.number == number;
        let place = self.waiting.iter().rposition(is_it).unwrap_or_else(|| {
            let channels = vec![Summary::default(); channels];
            self.waiting.push(Cell { run, group, number, channels });
            self.waiting.len() - 1
        });
        &mut self.waiting[place]
    }

    fn add_block(&mut self, block: &Block, group: i64) {
        let (width_us, mut begin) = (self.width_us, 0);
        while let Some(first_us) = block.t_us.get(begin) {
            let number = first_us.div_euclid(width_us);
            let begin_us = number.checked_mul(width_us);
            let is_in = |t_us: &i64| {
                let into = begin_us.and_then(|begin_us| t_us.checked_sub(begin_us));
                into.is_some_and(|us| (0..width_us).contains(&us))
            };
            let rest = &block.t_us[begin + 1..];
            let end = begin + 1 + rest.iter().position(|t| !is_in(t)).unwrap_or(rest.len());
            let cell = self.cell((block.run.0, group, number), block.values.len());
            for (summary, column) in cell.channels.iter_mut().zip(&block.values) {
                summary.join(&Summary::of(&column[begin..end]));
            }
            begin = end;
        }
    }

    fn write(&mut self, db: &Connection, up_to: i64) -> Result<(), Fault> {
        self.write_cells(db)?;
        self.counted_up_to = up_to;
        let set = "UPDATE summed SET up_to_seq = ?2 WHERE what = ?1";
        db.prepare_cached(set)?.execute(params![self.table, up_to])?;
        Ok(())
    }

    fn write_cells(&mut self, db: &Connection) -> Result<(), Fault> {
        let table = self.table;
        let mut write = db.prepare_cached(&format!(
            "INSERT INTO {table} (channel, run, {table}, count, min, max, sum, first, last) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) \
             ON CONFLICT DO UPDATE SET count = count + excluded.count, \
             min = min(min, excluded.min), max = max(max, excluded.max), \
             sum = sum + excluded.sum, last = excluded.last"
        ))?;
        let mut known: Option<(i64, Vec<i64>)> = None;
        for Cell { run, group, number, channels } in self.waiting.drain(..) {
            let (_, ids) = match known.take() {
                Some((of, ids)) if of == group => known.insert((of, ids)),
                _ => known.insert((group, channel_ids(db, group)?)),
            };
            for (id, summary) in ids.iter().zip(&channels) {
                let Summary { count, min, max, sum, first, last } = *summary;
                if count > 0 {
                    let count = count.cast_signed();
                    write.execute(params![id, run, number, count, min, max, sum, first, last])?;
                }
            }
        }
        self.has_turned = false;
        Ok(())
    }

    fn forget(
        &self,
        db: &Connection,
        source: &str,
        run: i64,
        t_us: std::ops::Range<i64>,
    ) -> rusqlite::Result<()> {
        let (from, to) = (t_us.start.div_euclid(self.width_us), t_us.end.div_euclid(self.width_us));
        let table = self.table;
        db.prepare_cached(&format!(
            "DELETE FROM {table} WHERE run = ?2 AND {table} >= ?3 AND {table} < ?4 \
             AND channel IN (SELECT id FROM channel WHERE channel_group IN \
             (SELECT channel_group.id FROM channel_group JOIN decode_set \
              ON decode_set.id = channel_group.decode_set WHERE source = ?1))"
        ))?
        .execute(params![source, run, from, to])?;
        Ok(())
    }
}

/// The numbers of a group's channels, in their order.
fn channel_ids(db: &Connection, group: i64) -> rusqlite::Result<Vec<i64>> {
    let find = "SELECT id FROM channel WHERE channel_group = ?1 ORDER BY position";
    db.prepare_cached(find)?.query_map([group], |row| row.get(0))?.collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn values_at_once_are_known_as_one_by_one(
            values in proptest::collection::vec(
                prop_oneof![
                    8 => -1e6..1e6,
                    1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(f64::NEG_INFINITY)],
                ],
                0..40,
            ),
        ) {
            let mut expected = Summary::default();
            values.iter().for_each(|value: &f64| expected.add(*value));
            let found = Summary::of(&values);
            let close = (found.sum - expected.sum).abs() <= 1e-9 * 1e6;
            let same = found.sum.to_bits() == expected.sum.to_bits()
                || (found.sum.is_nan() && expected.sum.is_nan());
            prop_assert!(close || same, "{} {}", found.sum, expected.sum);
            let sum = 0.0;
            prop_assert_eq!(Summary { sum, ..found }, Summary { sum, ..expected });
        }
    }
}
