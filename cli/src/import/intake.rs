//! What goes on while a file is read: its rows go in columns into the store and
//! to the judge, each with the line it stands in; what is odd is counted.

use std::sync::Arc;

use ampledger_decoders::{At, ComplaintKind, Driver, Input, Outlet, Output};
use ampledger_report::SessionFeed;
use ampledger_store::{Batch, Block, Store};
use ampledger_types::time::EARLIEST_DATE_US;
use ampledger_types::{
    Bound, ClockObservation, DecodeSet, Group, LineMark, Marker, MarkerKind, Run, RunId, Seq,
};

use super::odd::Odd;
use super::open::Rows;
use super::order::{Order, Place};
use super::table::Table;
use super::{Plan, Understood, guess};
use crate::exit::Failure;

/// Rows that fill a chunk of the store.
const CHUNK: usize = 4096;
/// Fewer are written one by one.
const FEW: Seq = 64;
/// Rows written at once.
const BATCH: usize = CHUNK;

/// What is being written.
pub struct Intake {
    store: Store,
    source: Source,
    feed: SessionFeed,
    table: Table,
    order: Order,
    batch: Batch,
    next: Seq,
    /// Where the run's clock begins on the file's own, µs.
    origin_us: Option<i64>,
    /// Line being read, from 1.
    line: u64,
    /// Line that the next sample comes from, if no mark says otherwise.
    next_line: u64,
    odd: Odd,
    date: Dating,
    last_us: i64,
    /// What to tell about how the file was read.
    notes: Vec<String>,
}

/// What the rows come from.
pub struct Source {
    /// The run that holds the file.
    pub run: Run,
    /// What makes samples of it.
    pub decode_set: Arc<DecodeSet>,
}

/// How test time gets its dates.
struct Dating {
    /// The column with dates beside test time.
    column: Option<usize>,
    seen: Option<ClockObservation>,
}

impl Intake {
    /// Nothing read yet.
    pub fn new(store: Store, source: Source, feed: SessionFeed, how: Understood) -> Intake {
        Intake {
            next: store.recorded_up_to() + 1,
            store,
            source,
            feed,
            table: Table::default(),
            order: Order::default(),
            batch: Batch::default(),
            origin_us: None,
            line: 0,
            next_line: 0,
            odd: Odd::default(),
            date: Dating { column: how.dated_by, seen: None },
            notes: how.remarks,
            last_us: 0,
        }
    }

    /// The store, what the rows came from, the last moment and the judge.
    pub fn into_parts(self) -> (Store, Source, i64, SessionFeed) {
        (self.store, self.source, self.last_us, self.feed)
    }

    /// Reads on to the end; a file that cannot be read on is told, and what
    /// was read of it stands.
    pub fn rest(
        &mut self,
        driver: &mut Driver,
        rows: &mut Rows,
        plan: &Plan,
    ) -> Result<(), Failure> {
        loop {
            let read = match self.looks_for_a_date() {
                true => rows.piece(),
                false => rows.several(),
            };
            match read {
                Ok([]) => return Ok(()),
                Ok(piece) => self.piece(driver, piece, plan)?,
                Err(error) => {
                    let line = self.line;
                    let what = format!("the file could not be read on after line {line}: {error}");
                    self.complain(ComplaintKind::NoAnswer, &what);
                    return Ok(());
                }
            }
        }
    }

    /// Takes a piece of the file: of one line, as long as a date is looked for.
    pub fn piece(&mut self, driver: &mut Driver, bytes: &[u8], plan: &Plan) -> Result<(), Failure> {
        self.lend(driver, bytes)?;
        if self.looks_for_a_date() && self.table.last_line() == Some(self.line) {
            let place = self.table.len() - 1;
            self.table.date = self.date_in(bytes, plan).map(|unix_us| (place, unix_us));
        }
        Ok(())
    }

    fn looks_for_a_date(&self) -> bool {
        let is_dated = self.date.seen.is_some() || self.table.date.is_some();
        self.date.column.is_some() && !is_dated
    }

    /// The file's own times are the axis: when it is read says nothing. No
    /// frame is kept either: the file itself can be read again.
    pub fn lend(&mut self, driver: &mut Driver, bytes: &[u8]) -> Result<(), Failure> {
        driver.lend(0, bytes, self);
        self.write(BATCH)
    }

    /// Gives the decoder something else than bytes.
    pub fn give(&mut self, driver: &mut Driver, input: Input<'_>) -> Result<(), Failure> {
        driver.give_again(0, input).for_each(|output| self.say(output));
        self.write(BATCH)
    }

    /// Writes all that is left.
    pub fn end(&mut self) -> Result<(), Failure> {
        self.settle();
        let Source { run, decode_set } = &self.source;
        let at = |t_us| Bound { run: run.id, t_us };
        // How the file was read goes into the record: figures hang on it.
        let notes = std::mem::take(&mut self.notes).into_iter();
        let notes = notes.map(|text| Marker::new(at(0), MarkerKind::Note, text));
        let odd = std::mem::take(&mut self.odd).markers(run.id);
        let source = Some(decode_set.source.clone());
        let of_source = |marker| Marker { source: source.clone(), ..marker };
        self.batch.markers = notes.chain(odd).map(of_source).collect();
        self.write(0)
    }

    /// Whether no row has been read yet.
    fn is_above(&self) -> bool {
        self.origin_us.is_none() && self.table.len() == 0
    }

    /// All rows of the table lie on the axis: they go where their times say.
    fn settle(&mut self) {
        let Some(mut block) = self.table.take() else { return };
        let own_us = |place: usize| block.instrument_t_us.get(place).copied().flatten();
        let Some(first_us) = own_us(0) else { return };
        let origin_us = self.origin(first_us);
        self.origin_us = Some(origin_us);
        let times = block.instrument_t_us.iter().flatten();
        block.t_us.extend(times.map(|t_us| t_us.saturating_sub(origin_us)));
        self.last_us = block.t_us.last().copied().unwrap_or(0).max(self.last_us);
        let rows = block.t_us.len() as Seq;
        block.seqs.extend(self.next..self.next + rows);
        self.next += rows;
        self.mark_lines(&block.seqs);
        self.see_dates(&block);
        // Where groups alternate, a block of a row or two is not worth its while.
        if rows < FEW && self.batch.blocks.is_empty() {
            self.batch.samples.extend(block.samples());
            self.table.keep(std::iter::once(block));
        } else {
            self.batch.blocks.push(block);
        }
    }

    /// Notes where lines are left out between rows.
    fn mark_lines(&mut self, seqs: &[Seq]) {
        let run = self.source.run.id;
        for (line, seq) in self.table.lines.drain(..).zip(seqs) {
            if self.next_line != line {
                self.batch.line_marks.push(LineMark { run, seq: *seq, line });
            }
            self.next_line = line + 1;
        }
    }

    /// Test time is kept as it is; dates count from the first row.
    fn origin(&self, first_us: i64) -> i64 {
        let own = || if first_us >= EARLIEST_DATE_US { first_us } else { first_us.min(0) };
        self.origin_us.unwrap_or_else(own)
    }

    /// Notes what the rows say of dates, by their own times or beside them.
    fn see_dates(&mut self, block: &Block) {
        let own_us = |place: usize| block.instrument_t_us.get(place).copied().flatten();
        let date = self.table.date.take();
        let undated = block.instrument_t_us.partition_point(|t| *t < Some(EARLIEST_DATE_US));
        for place in date.map(|(at, _)| at).into_iter().chain(undated..block.seqs.len()) {
            let beside = date.filter(|(at, _)| *at == place).map(|(_, unix_us)| unix_us);
            if let Some(unix_us) = beside.or_else(|| own_us(place)) {
                self.see(block.t_us[place], unix_us);
            }
        }
    }

    /// Notes a date, unless it is what the last one says already.
    fn see(&mut self, t_us: i64, unix_us: i64) {
        let moved = |seen: &ClockObservation| {
            ((unix_us - t_us) - (seen.unix_us - seen.t_us)).abs() > 1_000_000
        };
        if self.date.seen.as_ref().is_none_or(moved) {
            let seen = ClockObservation { t_us, unix_us, synchronised: true };
            self.date.seen = Some(seen);
            self.batch.observations.push((self.source.run.boot_id.clone(), seen));
        }
    }

    /// Test time is the axis and another column has dates: that of this row.
    fn date_in(&self, row: &[u8], plan: &Plan) -> Option<i64> {
        let text = String::from_utf8_lossy(row);
        let cells = guess::split(text.trim_end(), &plan.hints);
        let cell = cells.get(self.date.column?)?;
        let number = cell.parse::<f64>().ok().map(|seconds| seconds * 1e6);
        let date = || cell.parse::<jiff::Timestamp>().ok().map(|t| t.as_microsecond() as f64);
        let unix_us = number.or_else(date).filter(|us| *us >= EARLIEST_DATE_US as f64)?;
        Some(unix_us as i64)
    }

    /// Writes what is settled, if there are so many rows of it, and judges it.
    fn write(&mut self, least: usize) -> Result<(), Failure> {
        let Batch { samples, blocks, .. } = &self.batch;
        let rows = samples.len() + blocks.iter().map(|block| block.seqs.len()).sum::<usize>();
        if rows < least {
            return Ok(());
        }
        self.store.append(&self.batch)?;
        let batch = std::mem::take(&mut self.batch);
        for sample in &batch.samples {
            self.feed.feed(sample);
        }
        batch.blocks.iter().for_each(|block| self.feed.feed_block(block));
        self.table.keep(batch.blocks.into_iter());
        Ok(())
    }

    fn complain(&mut self, kind: ComplaintKind, detail: &str) {
        self.note((MarkerKind::Unreadable, kind), self.line, detail);
    }

    fn note(&mut self, kind: (MarkerKind, ComplaintKind), line: u64, detail: &str) {
        // The last row is held back: it may be out of order itself.
        let settled = self.table.len().checked_sub(2).and_then(|place| self.table.t_us(place));
        let first_us = self.table.t_us(0).unwrap_or(0);
        let at_us = settled.map_or(self.last_us, |t| t.saturating_sub(self.origin(first_us)));
        self.odd.note(kind, line, detail, at_us.max(self.last_us));
    }
}

impl Outlet for Intake {
    fn say(&mut self, output: Output) {
        match output {
            Output::Sample(sample) => {
                let at = At { t_us: sample.t_us, instrument_t_us: sample.instrument_t_us };
                self.sample(&sample.group, at, &sample.values);
            }
            // What stands above the heading line is not the table.
            Output::Complaint(c) if c.kind == ComplaintKind::NotMine && self.is_above() => {}
            Output::Complaint(complaint) => self.complain(complaint.kind, &complaint.detail),
            _ => {}
        }
    }

    fn line(&mut self) {
        self.line += 1;
    }

    fn sample(&mut self, group: &Arc<Group>, at: At, values: &[f64]) {
        let Some(t_us) = at.instrument_t_us else {
            self.complain(ComplaintKind::Implausible, "the row has no time that can be read");
            return;
        };
        let place = self.order.take(t_us);
        if place != Place::After {
            let held = self.table.last_line().filter(|_| place == Place::Instead);
            let line = held.unwrap_or(self.line);
            let kind = (MarkerKind::TimeBackwards, ComplaintKind::Implausible);
            self.note(kind, line, "time out of order");
        }
        match place {
            Place::After => {}
            Place::Instead => self.table.pop(),
            Place::Nowhere => return,
        }
        if self.table.len() >= CHUNK || !self.table.is_of(group) {
            self.settle();
            let Source { run, decode_set } = &self.source;
            self.table.begin(group, || empty(run.id, decode_set, group));
        }
        self.table.push(t_us, self.line, values);
    }
}

/// A block for rows of a group.
fn empty(run: RunId, decode_set: &Arc<DecodeSet>, group: &Arc<Group>) -> Block {
    let (decode_set, group) = (decode_set.clone(), group.clone());
    let values = vec![Vec::new(); group.channels.len()];
    let (seqs, t_us, instrument_t_us) = (Vec::new(), Vec::new(), Vec::new());
    Block { run, decode_set, group, seqs, t_us, instrument_t_us, values }
}
