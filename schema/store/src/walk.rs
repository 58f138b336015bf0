//! Walking through the samples of a range in order of number: chunks and tail
//! are merged. What is to be read is looked up in one short transaction, each
//! chunk is read in one of its own, and none is open while a sample is used.

use std::collections::VecDeque;
use std::path::Path;

use ampledger_types::{Bound, RunId, Sample, Seq};
use rusqlite::{Connection, Row, params};

use crate::append::NumberedSample;
use crate::chunk::Columns;
use crate::error::{Fault, StoreError};
use crate::head::{self, Head};
use crate::intern::Origins;
use crate::read::{Range, end};
use crate::reader::{self, Reader};
use crate::readings;

/// Where samples are read: through a reader, or inside a transaction.
pub(crate) enum Access<'a> {
    Reader(&'a Reader),
    Inside { db: &'a Connection, path: &'a Path, origins: Origins },
}

impl Access<'_> {
    fn read<T>(&self, act: impl FnOnce(&Connection) -> Result<T, Fault>) -> Result<T, StoreError> {
        match self {
            Access::Reader(reader) => reader.read(act),
            Access::Inside { db, path, .. } => act(db).map_err(|fault| fault.at(path)),
        }
    }

    fn origins(&self) -> &Origins {
        match self {
            Access::Reader(reader) => &reader.origins,
            Access::Inside { origins, .. } => origins,
        }
    }

    /// The last number that is on disk now and that the range allows.
    pub(crate) fn last(&self, range: &Range) -> Result<i64, StoreError> {
        let newest = self.read(reader::newest)?;
        Ok(newest.min(range.up_to.unwrap_or(Seq::MAX)).cast_signed())
    }

    /// What there is to read of a range.
    pub(crate) fn plan(&self, range: &Range, numbers: &Numbers) -> Result<Plan, StoreError> {
        self.read(|db| plan(db, self.origins(), range, numbers))
    }

    /// Opens a chunk; `None` if it is not there any more. One that is damaged
    /// is noted, and empty.
    pub(crate) fn open(
        &self,
        head: &Head,
        wanted: &dyn Fn(usize) -> bool,
    ) -> Result<Option<Columns>, StoreError> {
        match self.read(|db| head::load(db, head, wanted))? {
            Ok(columns) => Ok(Some(columns)),
            Err(None) => Ok(None),
            Err(Some(damage)) => {
                self.note(head, damage);
                Ok(Some(Columns::of(head.origin.group.channels.len())))
            }
        }
    }

    fn note(&self, head: &Head, detail: String) {
        // Inside a write only summaries are read, and reading tells of it again.
        let Access::Reader(reader) = self else { return };
        let mut damaged = reader.damaged.borrow_mut();
        if !damaged.iter().any(|known| known.id == head.id) {
            damaged.push(head.damaged(detail));
        }
    }
}

/// Which numbers are looked for.
#[derive(Clone, Debug)]
pub(crate) struct Numbers {
    /// Above this.
    pub(crate) after: i64,
    /// Up to this.
    pub(crate) last: i64,
    /// But none of these, first and last.
    pub(crate) but: Vec<(i64, i64)>,
}

impl Numbers {
    pub(crate) fn have(&self, seq: i64) -> bool {
        seq > self.after
            && seq <= self.last
            && !self.but.iter().any(|(first, last)| (*first..=*last).contains(&seq))
    }
}

/// What is to be read, all of it as it was at one moment.
pub(crate) struct Plan {
    /// In order of their first numbers.
    pub(crate) chunks: VecDeque<Head>,
    /// In order of number.
    pub(crate) tail: VecDeque<NumberedSample>,
}

fn plan(
    db: &Connection,
    origins: &Origins,
    range: &Range,
    numbers: &Numbers,
) -> Result<Plan, Fault> {
    // Both looks must see the same state, or a sample could be in neither.
    let _one_state = db.is_autocommit().then(|| db.unchecked_transaction()).transpose()?;
    let mut chunks = Vec::new();
    for (group, origin) in origins.all(db)? {
        if range.names(&origin.decode_set.source) {
            head::of_range(db, group, &origin, range, &mut chunks)?;
        }
    }
    chunks.retain(|head| head.last_seq > numbers.after && head.first_seq <= numbers.last);
    chunks.sort_by_key(|head| head.first_seq);
    Ok(Plan { chunks: chunks.into(), tail: tail(db, origins, range, numbers)? })
}

fn tail(
    db: &Connection,
    origins: &Origins,
    range: &Range,
    numbers: &Numbers,
) -> Result<VecDeque<NumberedSample>, Fault> {
    let (from, to) = (range.from, end(range.to));
    let mut find = db.prepare_cached(
        "SELECT seq, run, channel_group, t_us, instrument_t_us, readings FROM tail \
         WHERE seq > ?1 AND seq <= ?2 AND (run, t_us) >= (?3, ?4) AND (run, t_us) <= (?5, ?6) \
         ORDER BY seq",
    )?;
    let (after, last) = (numbers.after, numbers.last);
    let mut rows = find.query(params![after, last, from.run.0, from.t_us, to.run.0, to.t_us])?;
    let mut tail = VecDeque::new();
    while let Some(row) = rows.next()? {
        tail.extend(sample(db, origins, range, row)?.filter(|s| numbers.have(s.seq as i64)));
    }
    Ok(tail)
}

/// The sample of a row, if its source is wanted.
fn sample(
    db: &Connection,
    origins: &Origins,
    range: &Range,
    row: &Row<'_>,
) -> Result<Option<NumberedSample>, Fault> {
    let origin = origins.group(db, row.get(2)?)?;
    if !range.names(&origin.decode_set.source) {
        return Ok(None);
    }
    let seq = row.get::<_, i64>(0)?.cast_unsigned();
    let bytes = row.get_ref(5)?.as_blob().map_err(|e| Fault::Damaged(e.to_string()))?;
    let values = readings::read(bytes, origin.group.channels.len())
        .ok_or_else(|| Fault::Damaged(format!("the readings of sample {seq} do not fit")))?;
    let sample =
        Sample { group: origin.group, t_us: row.get(3)?, instrument_t_us: row.get(4)?, values };
    Ok(Some(NumberedSample { seq, run: RunId(row.get(1)?), decode_set: origin.decode_set, sample }))
}

/// Goes through the samples of a range that have certain numbers.
pub(crate) struct Walk<'a> {
    access: &'a Access<'a>,
    range: &'a Range,
    numbers: Numbers,
    plan: Option<Plan>,
    open: Vec<OpenChunk>,
}

struct OpenChunk {
    head: Head,
    columns: Columns,
    at: usize,
}

impl<'a> Walk<'a> {
    /// Of all numbers that are on disk now, and that the range allows.
    pub(crate) fn everything(
        access: &'a Access<'a>,
        range: &'a Range,
    ) -> Result<Walk<'a>, StoreError> {
        let last = access.last(range)?;
        Ok(Walk::new(access, range, Numbers { after: 0, last, but: Vec::new() }))
    }

    pub(crate) fn new(access: &'a Access<'a>, range: &'a Range, numbers: Numbers) -> Walk<'a> {
        Walk { access, range, numbers, plan: None, open: Vec::new() }
    }

    /// Leaves these numbers, first and last, out.
    pub(crate) fn without(&mut self, numbers: (i64, i64)) {
        self.numbers.but.push(numbers);
    }

    /// The next sample, in order of number.
    pub(crate) fn next(&mut self) -> Result<Option<NumberedSample>, StoreError> {
        loop {
            let plan = match &mut self.plan {
                Some(plan) => plan,
                None => self.plan.insert(self.access.plan(self.range, &self.numbers)?),
            };
            let open = self.open.iter().enumerate().map(|(i, o)| (o.columns.seqs[o.at], Some(i)));
            let tail = plan.tail.front().map(|sample| (sample.seq.cast_signed(), None));
            let least = open.chain(tail).min_by_key(|(seq, _)| *seq);
            let first = plan.chunks.front().map_or(i64::MAX, |head| head.first_seq);
            match least {
                Some((seq, place)) if seq < first => {
                    self.numbers.after = seq;
                    return Ok(match place {
                        Some(i) => Some(self.take(i)),
                        None => plan.tail.pop_front(),
                    });
                }
                _ => match plan.chunks.pop_front() {
                    Some(head) => self.open(head)?,
                    None => return Ok(None),
                },
            }
        }
    }

    fn open(&mut self, head: Head) -> Result<(), StoreError> {
        match self.access.open(&head, &|_| true)? {
            Some(columns) => {
                let mut open = OpenChunk { head, columns, at: 0 };
                if open.find(self.range, &self.numbers) {
                    self.open.push(open);
                }
            }
            // Others lie where it lay: look again from here on.
            None => {
                self.plan = None;
                self.open.clear();
            }
        }
        Ok(())
    }

    fn take(&mut self, i: usize) -> NumberedSample {
        let open = &mut self.open[i];
        let sample = open.sample();
        open.at += 1;
        if !open.find(self.range, &self.numbers) {
            self.open.swap_remove(i);
        }
        sample
    }
}

impl OpenChunk {
    /// Goes to the next sample that is wanted; false if there is none.
    fn find(&mut self, range: &Range, numbers: &Numbers) -> bool {
        let (run, columns) = (self.head.run, &self.columns);
        while self.at < columns.len() {
            let at = Bound { run, t_us: columns.t_us[self.at] };
            if numbers.have(columns.seqs[self.at]) && range.covers(at) {
                return true;
            }
            self.at += 1;
        }
        false
    }

    fn sample(&self) -> NumberedSample {
        let (columns, i) = (&self.columns, self.at);
        NumberedSample {
            seq: columns.seqs[i].cast_unsigned(),
            run: self.head.run,
            decode_set: self.head.origin.decode_set.clone(),
            sample: Sample {
                group: self.head.origin.group.clone(),
                t_us: columns.t_us[i],
                instrument_t_us: columns.instrument_t_us[i],
                values: columns.values.iter().map(|column| column[i]).collect(),
            },
        }
    }
}
