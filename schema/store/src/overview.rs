//! Overviews for charts: what each channel of a source read in buckets of any
//! width. Whole hours and minutes come from their summaries; only what those
//! do not cover is read sample by sample.

use std::collections::BTreeMap;
use std::ops::{ControlFlow, Range as Span};

use ampledger_types::{Channel, RunId};
use rusqlite::{Connection, Row, params};

use crate::columns::Block;
use crate::error::{Fault, StoreError};
use crate::intern::Origins;
use crate::reader::Reader;
use crate::redecode::Stretch;
use crate::summary::{HOUR_US, MINUTE_US, Summary};

/// Buckets that an overview has at most.
const MOST_BUCKETS: i64 = 1 << 20;

/// One channel's overview.
#[derive(Clone, Debug, PartialEq)]
pub struct Overview {
    /// The channel.
    pub channel: Channel,
    /// Its buckets that hold values, by their number: bucket n begins n widths
    /// after the stretch does.
    pub buckets: BTreeMap<i64, Summary>,
}

/// Widths that summaries serve alone, in minutes.
const WIDTHS: [i64; 14] = [1, 2, 3, 5, 10, 15, 20, 30, 60, 120, 180, 360, 720, 1440];

/// The least width, microseconds, that parts a length of time into no more
/// than so many buckets. From a minute on it is a round one, which summaries
/// serve without any sample being read if the stretch begins at a round minute.
pub fn overview_width_us(length_us: i64, buckets: u32) -> i64 {
    let least = length_us.max(1).div_euclid(i64::from(buckets.max(1))).saturating_add(1);
    if least <= MINUTE_US / 2 {
        return least;
    }
    let round = WIDTHS.iter().map(|minutes| minutes * MINUTE_US).find(|width| *width >= least);
    let day = 24 * HOUR_US;
    round.unwrap_or_else(|| (least - 1).div_euclid(day).saturating_add(1).saturating_mul(day))
}

impl Reader {
    /// What the channels of a source that are wanted read in a stretch, in
    /// buckets of this width. Exact at any width; quick where
    /// `overview_width_us` gave it.
    pub fn overview(
        &self,
        stretch: &Stretch,
        width_us: i64,
        wanted: impl Fn(&Channel) -> bool,
    ) -> Result<Vec<Overview>, StoreError> {
        let end_us = stretch.to_t_us.saturating_add(1);
        let length_us = end_us.saturating_sub(stretch.from_t_us).max(0);
        let width_us = width_us.max(length_us / MOST_BUCKETS).max(1);
        let mut buckets = Buckets { from_us: stretch.from_t_us, width_us, channels: Vec::new() };
        let spans = self.read(|db| {
            // The summaries and how far they count must be of one state.
            let _one_state = db.unchecked_transaction()?;
            buckets.take_summaries(db, &self.origins, stretch, &wanted)
        })?;
        for span in spans {
            let range = stretch.range(span.start, span.end - 1);
            self.columns(&range, &wanted, |block| {
                buckets.take_block(&block);
                ControlFlow::Continue(())
            })?;
        }
        Ok(buckets.done())
    }
}

/// An overview that is being made.
struct Buckets {
    from_us: i64,
    width_us: i64,
    channels: Vec<(Channel, BTreeMap<i64, Bucket>)>,
}

/// What is known of a bucket, and from which moment to which.
struct Bucket {
    summary: Summary,
    from_us: i64,
    to_us: i64,
}

impl Bucket {
    fn join(&mut self, (from_us, to_us): (i64, i64), part: Summary) {
        let Summary { first, last, .. } = self.summary;
        self.summary.join(&part);
        if from_us < self.from_us {
            (self.from_us, self.summary.first) = (from_us, part.first);
        } else if self.summary.count > part.count {
            self.summary.first = first;
        }
        if to_us >= self.to_us {
            self.to_us = to_us;
        } else if self.summary.count > part.count {
            self.summary.last = last;
        }
    }
}

impl Buckets {
    fn number(&self, t_us: i64) -> i64 {
        t_us.saturating_sub(self.from_us).div_euclid(self.width_us)
    }

    fn span(&self, number: i64) -> Span<i64> {
        let start = self.from_us.saturating_add(number.saturating_mul(self.width_us));
        start..start.saturating_add(self.width_us)
    }

    /// Takes samples in, those that follow each other in a bucket at once.
    fn take_block(&mut self, block: &Block) {
        let mut begin = 0;
        while begin < block.t_us.len() {
            let bucket = self.span(self.number(block.t_us[begin]));
            // By its edges: a division for each sample would take longer than
            // all else.
            let same = block.t_us[begin..].iter().take_while(|t_us| bucket.contains(t_us));
            let end = begin + same.count().max(1);
            let times = (block.t_us[begin], block.t_us[end - 1]);
            for (channel, values) in block.group.channels.iter().zip(&block.values) {
                // One that is not wanted has no values.
                let part = values.get(begin..end).map(Summary::of).unwrap_or_default();
                if part.count > 0 {
                    self.join(channel, times, part);
                }
            }
            begin = end;
        }
    }

    /// Takes in what a channel read between two moments, in any order.
    fn join(&mut self, channel: &Channel, (from_us, to_us): (i64, i64), part: Summary) {
        let number = self.number(from_us);
        let known = self.channels.iter().position(|(known, _)| known == channel);
        let at = known.unwrap_or_else(|| {
            self.channels.push((channel.clone(), BTreeMap::new()));
            self.channels.len() - 1
        });
        let new = Bucket { summary: Summary::default(), from_us, to_us };
        self.channels[at].1.entry(number).or_insert(new).join((from_us, to_us), part);
    }

    fn done(self) -> Vec<Overview> {
        let overview = |(channel, buckets): (Channel, BTreeMap<i64, Bucket>)| {
            let buckets = buckets.into_iter().map(|(number, b)| (number, b.summary)).collect();
            Overview { channel, buckets }
        };
        self.channels.into_iter().map(overview).collect()
    }

    /// Takes the summaries in that serve; gives back where samples are needed.
    fn take_summaries(
        &mut self,
        db: &Connection,
        origins: &Origins,
        stretch: &Stretch,
        wanted: &impl Fn(&Channel) -> bool,
    ) -> Result<Vec<Span<i64>>, Fault> {
        let all = stretch.from_t_us..stretch.to_t_us.saturating_add(1);
        let counted_us = all.end.min(counted(db, "minute", stretch.run)?);
        let hours_us = all.end.min(counted(db, "hour", stretch.run)?);
        let mut parts = Parts::default();
        let mut begin = all.start;
        while begin < counted_us {
            let next = begin.saturating_add(self.width_us);
            parts.divide(begin..next.min(counted_us), hours_us);
            begin = next;
        }
        let rest = all.start.max(counted_us)..all.end;
        parts.add_samples(rest);
        if parts.samples.len() > TOO_MANY {
            return Ok(vec![all]);
        }
        for (group, origin) in origins.all(db)? {
            if origin.decode_set.source != stretch.source {
                continue;
            }
            let channels = (0i64..).zip(&origin.group.channels);
            for (position, channel) in channels.filter(|(_, channel)| wanted(channel)) {
                let (hours, minutes) = (&parts.hours, &parts.minutes);
                let read = Cells { db, group, position, run: stretch.run.0 };
                self.take_cells(channel, |take| read.each("hour", hours, take))?;
                self.take_cells(channel, |take| read.each("minute", minutes, take))?;
            }
        }
        Ok(parts.samples)
    }

    /// Takes cells of a channel in, given in order of time. Those of one bucket are
    /// put together first: looking up channel and bucket takes longer than that.
    fn take_cells(
        &mut self,
        channel: &Channel,
        give: impl FnOnce(&mut dyn FnMut((i64, i64), Summary)) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        let mut held: Option<(Span<i64>, (i64, i64), Summary)> = None;
        give(&mut |cell_us, part| match &mut held {
            Some((bucket, times, summary)) if bucket.contains(&cell_us.0) => {
                times.1 = cell_us.1;
                summary.join(&part);
            }
            _ => {
                let bucket = self.span(self.number(cell_us.0));
                if let Some((_, times, summary)) = held.replace((bucket, cell_us, part)) {
                    self.join(channel, times, summary);
                }
            }
        })?;
        if let Some((_, times, summary)) = held {
            self.join(channel, times, summary);
        }
        Ok(())
    }
}

/// With more spans than this it is quicker to read through all samples.
const TOO_MANY: usize = 64;

/// What of a stretch is served how; spans next to each other are joined.
#[derive(Default)]
struct Parts {
    hours: Vec<Span<i64>>,
    minutes: Vec<Span<i64>>,
    samples: Vec<Span<i64>>,
}

impl Parts {
    /// Divides a bucket: whole hours and minutes, and what is left at its ends.
    fn divide(&mut self, bucket: Span<i64>, hours_us: i64) {
        let minutes = whole(&bucket, MINUTE_US);
        if minutes.is_empty() {
            return self.add_samples(bucket);
        }
        self.add_samples(bucket.start..minutes.start);
        let hours = whole(&(minutes.start..minutes.end.min(hours_us)), HOUR_US);
        if hours.is_empty() {
            join(&mut self.minutes, minutes.clone());
        } else {
            join(&mut self.minutes, minutes.start..hours.start);
            join(&mut self.minutes, hours.end..minutes.end);
            join(&mut self.hours, hours);
        }
        self.add_samples(minutes.end..bucket.end);
    }

    fn add_samples(&mut self, span: Span<i64>) {
        join(&mut self.samples, span);
    }
}

fn join(spans: &mut Vec<Span<i64>>, span: Span<i64>) {
    match spans.last_mut() {
        _ if span.is_empty() => {}
        Some(last) if last.end == span.start => last.end = span.end,
        _ => spans.push(span),
    }
}

/// The whole cells in a span.
fn whole(span: &Span<i64>, cell_us: i64) -> Span<i64> {
    let start = match span.start.rem_euclid(cell_us) {
        0 => span.start,
        over => span.start.saturating_add(cell_us - over),
    };
    start..span.end.saturating_sub(span.end.rem_euclid(cell_us))
}

/// Before which moment of a run summaries count everything.
fn counted(db: &Connection, what: &str, run: RunId) -> Result<i64, Fault> {
    let find = "SELECT min( \
                ifnull((SELECT min(t_min_us) FROM chunk WHERE last_seq > up_to_seq AND run = ?2), ?3), \
                ifnull((SELECT min(t_us) FROM tail WHERE seq > up_to_seq AND run = ?2), ?3)) \
                FROM summed WHERE what = ?1";
    let mut find = db.prepare_cached(find)?;
    let counted: i64 = find.query_row(params![what, run.0, i64::MAX], |row| row.get(0))?;
    Ok(counted)
}

/// Summaries of one channel.
struct Cells<'a> {
    db: &'a Connection,
    group: i64,
    position: i64,
    run: i64,
}

impl Cells<'_> {
    /// Gives each cell of the spans: its first and last moment, what is in it.
    fn each(
        &self,
        table: &str,
        spans: &[Span<i64>],
        take: &mut dyn FnMut((i64, i64), Summary),
    ) -> Result<(), Fault> {
        let cell_us = if table == "hour" { HOUR_US } else { MINUTE_US };
        let mut find = self.db.prepare_cached(&format!(
            "SELECT {table}, count, min, max, sum, first, last FROM {table} \
             WHERE channel = (SELECT id FROM channel WHERE channel_group = ?1 AND position = ?2) \
             AND run = ?3 AND {table} >= ?4 AND {table} < ?5"
        ))?;
        for span in spans {
            let (from, to) = (span.start.div_euclid(cell_us), span.end.div_euclid(cell_us));
            let mut rows = find.query(params![self.group, self.position, self.run, from, to])?;
            while let Some(row) = rows.next()? {
                let begin_us = row.get::<_, i64>(0)?.saturating_mul(cell_us);
                take((begin_us, begin_us.saturating_add(cell_us - 1)), summary(row)?);
            }
        }
        Ok(())
    }
}

fn summary(row: &Row<'_>) -> rusqlite::Result<Summary> {
    // NaN, which infinities add up to, is kept as NULL.
    let number = |i: usize| row.get::<_, Option<f64>>(i).map(|n| n.unwrap_or(f64::NAN));
    Ok(Summary {
        count: row.get::<_, i64>(1)?.unsigned_abs(),
        min: number(2)?,
        max: number(3)?,
        sum: number(4)?,
        first: number(5)?,
        last: number(6)?,
    })
}
