//! Samples in columns. Reading a range column by column: what a chunk holds is
//! handed over as it lies, with no sample built of it.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_types::{Bound, Channel, DecodeSet, Group, RunId, Sample, Seq};

use crate::append::NumberedSample;
use crate::chunk::{Columns, FULL};
use crate::error::StoreError;
use crate::head::Head;
use crate::read::Range;
use crate::reader::Reader;
use crate::walk::{Access, Numbers, Plan};

/// Samples of one group and run in columns, in order of their numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct Block {
    /// The run whose clock the times are.
    pub run: RunId,
    /// What made them.
    pub decode_set: Arc<DecodeSet>,
    /// What the values are.
    pub group: Arc<Group>,
    /// Their numbers.
    pub seqs: Vec<Seq>,
    /// Their times, microseconds.
    pub t_us: Vec<i64>,
    /// The instrument's own times, microseconds.
    pub instrument_t_us: Vec<Option<i64>>,
    /// The values of each channel, NaN where there is none; empty for a
    /// channel that is not wanted.
    pub values: Vec<Vec<f64>>,
}

impl Block {
    /// One after the other.
    pub fn samples(&self) -> impl Iterator<Item = NumberedSample> {
        self.samples_from(0)
    }

    /// One after the other, from the one in this place on.
    pub(crate) fn samples_from(&self, place: usize) -> impl Iterator<Item = NumberedSample> {
        let sample = move |i: usize| NumberedSample {
            seq: self.seqs[i],
            run: self.run,
            decode_set: self.decode_set.clone(),
            sample: Sample {
                group: self.group.clone(),
                t_us: self.t_us[i],
                instrument_t_us: self.instrument_t_us[i],
                values: self.values.iter().map(|column| column[i]).collect(),
            },
        };
        (place..self.seqs.len()).map(sample)
    }

    /// Whether each column has a value for each sample.
    pub(crate) fn is_even(&self) -> bool {
        let samples = self.seqs.len();
        self.t_us.len() == samples
            && self.instrument_t_us.len() == samples
            && self.values.len() == self.group.channels.len()
            && self.values.iter().all(|column| column.len() == samples)
    }
}

impl Reader {
    /// Calls `take` with the samples of the range in blocks, until it breaks.
    /// Only channels that are wanted are decoded. The blocks of one group and
    /// run come in order; those of several come in any.
    pub fn columns(
        &self,
        range: &Range,
        wanted: impl Fn(&Channel) -> bool,
        mut take: impl FnMut(Block) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let mut blocks = Blocks { range, wanted, given: BTreeMap::new() };
        if self.redecodings(range)?.is_empty() {
            return blocks.of_chunks(&Access::Reader(self), take);
        }
        // What stands in for others has its place in time: sample by sample.
        let mut kept = Vec::new();
        let mut broken = false;
        self.samples(range, |sample| {
            if kept.len() == FULL || kept.last().is_some_and(|last| !alike(last, &sample)) {
                broken = take(blocks.of_samples(&kept)).is_break();
                kept.clear();
            }
            kept.push(sample);
            if broken { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })?;
        if !broken && !kept.is_empty() {
            let _ = take(blocks.of_samples(&kept));
        }
        Ok(())
    }
}

fn alike(a: &NumberedSample, b: &NumberedSample) -> bool {
    key(a.run, &a.decode_set, &a.sample.group) == key(b.run, &b.decode_set, &b.sample.group)
}

/// What tells the samples of a block from others: a reader gives the same
/// decode set and the same group each time.
type Key = (RunId, usize, usize);

fn key(run: RunId, set: &Arc<DecodeSet>, group: &Arc<Group>) -> Key {
    (run, Arc::as_ptr(set).addr(), Arc::as_ptr(group).addr())
}

struct Blocks<'a, W> {
    range: &'a Range,
    wanted: W,
    /// The last number that was given of each.
    given: BTreeMap<Key, i64>,
}

impl<W: Fn(&Channel) -> bool> Blocks<'_, W> {
    fn of_chunks(
        &mut self,
        access: &Access<'_>,
        mut take: impl FnMut(Block) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let last = access.last(self.range)?;
        let numbers = Numbers { after: 0, last, but: Vec::new() };
        let mut plan = access.plan(self.range, &numbers)?;
        while let Some(head) = plan.chunks.pop_front() {
            let channels = &head.origin.group.channels;
            match access.open(&head, &|i| (self.wanted)(&channels[i]))? {
                // It lies in another chunk now.
                None => plan = access.plan(self.range, &numbers)?,
                Some(columns) => {
                    if let Some(block) = self.of_chunk(&head, columns, last)
                        && take(block).is_break()
                    {
                        return Ok(());
                    }
                }
            }
        }
        for samples in self.of_tail(plan) {
            if take(self.of_samples(&samples)).is_break() {
                break;
            }
        }
        Ok(())
    }

    /// What is wanted of a chunk: mostly all of it.
    fn of_chunk(&mut self, head: &Head, mut columns: Columns, last: i64) -> Option<Block> {
        let (set, group) = (&head.origin.decode_set, &head.origin.group);
        let given = self.given.entry(key(head.run, set, group)).or_default();
        let at = |t_us| Bound { run: head.run, t_us };
        let all = head.first_seq > *given
            && head.last_seq <= last
            && self.range.covers(at(head.t_min_us))
            && self.range.covers(at(head.t_max_us));
        if !all {
            let keep: Vec<bool> = (columns.seqs.iter().zip(&columns.t_us))
                .map(|(seq, t_us)| *seq > *given && *seq <= last && self.range.covers(at(*t_us)))
                .collect();
            columns.retain(&keep);
        }
        *given = *columns.seqs.last()?;
        Some(Block {
            run: head.run,
            decode_set: set.clone(),
            group: group.clone(),
            seqs: columns.seqs.into_iter().map(i64::cast_unsigned).collect(),
            t_us: columns.t_us,
            instrument_t_us: columns.instrument_t_us,
            values: columns.values,
        })
    }

    /// The tail, what belongs together put together.
    fn of_tail(&self, plan: Plan) -> impl Iterator<Item = Vec<NumberedSample>> + use<W> {
        let mut parts: BTreeMap<Key, Vec<NumberedSample>> = BTreeMap::new();
        for sample in plan.tail {
            let key = key(sample.run, &sample.decode_set, &sample.sample.group);
            if self.given.get(&key).is_none_or(|given| sample.seq.cast_signed() > *given) {
                parts.entry(key).or_default().push(sample);
            }
        }
        parts.into_values()
    }

    /// A block of samples that are alike, at least one.
    fn of_samples(&self, samples: &[NumberedSample]) -> Block {
        let first = &samples[0];
        let of_channel = |(i, channel): (usize, &Channel)| match (self.wanted)(channel) {
            true => samples.iter().map(|s| s.sample.values[i]).collect(),
            false => Vec::new(),
        };
        Block {
            run: first.run,
            decode_set: first.decode_set.clone(),
            group: first.sample.group.clone(),
            seqs: samples.iter().map(|s| s.seq).collect(),
            t_us: samples.iter().map(|s| s.sample.t_us).collect(),
            instrument_t_us: samples.iter().map(|s| s.sample.instrument_t_us).collect(),
            values: first.sample.group.channels.iter().enumerate().map(of_channel).collect(),
        }
    }
}
