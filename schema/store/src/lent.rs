//! Samples lent to whoever looks at them, one after the other in the same
//! place: where the chunks of a range lie one behind the other, nothing is made
//! anew for each of a million samples.

use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_types::{Bound, Sample};

use crate::append::NumberedSample;
use crate::chunk::Columns;
use crate::error::StoreError;
use crate::head::Head;
use crate::merge;
use crate::read::Range;
use crate::reader::Reader;
use crate::walk::{Access, Numbers, Plan, Walk};

impl Reader {
    /// As [`Reader::samples`], but each sample is only lent: what `take` leaves
    /// in it is gone with the next.
    pub fn samples_lent(
        &self,
        range: &Range,
        mut take: impl FnMut(&mut NumberedSample) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let (access, redecodings) = (Access::Reader(self), self.redecodings(range)?);
        if !redecodings.is_empty() {
            return merge::samples(&access, range, &redecodings, |mut sample| take(&mut sample));
        }
        let numbers = Numbers { after: 0, last: access.last(range)?, but: Vec::new() };
        let mut lent = Lent { access: &access, range, numbers, sample: None };
        while let ControlFlow::Continue(Next::LookAgain) = lent.chunks(&mut take)? {}
        Ok(())
    }
}

struct Lent<'a> {
    access: &'a Access<'a>,
    range: &'a Range,
    /// After the last one that was lent.
    numbers: Numbers,
    sample: Option<NumberedSample>,
}

enum Next {
    /// All were lent.
    Nothing,
    /// A chunk lies elsewhere now.
    LookAgain,
}

type Take<'a> = &'a mut dyn FnMut(&mut NumberedSample) -> ControlFlow<()>;

impl Lent<'_> {
    fn chunks(&mut self, take: Take<'_>) -> Result<ControlFlow<(), Next>, StoreError> {
        let mut plan = self.access.plan(self.range, &self.numbers)?;
        while let Some(head) = plan.chunks.pop_front() {
            if head.last_seq >= next_seq(&plan) {
                return self.mixed(take);
            }
            match self.access.open(&head, &|_| true)? {
                None => return Ok(ControlFlow::Continue(Next::LookAgain)),
                Some(columns) => {
                    if self.chunk(&head, &columns, take).is_break() {
                        return Ok(ControlFlow::Break(()));
                    }
                }
            }
        }
        for mut sample in plan.tail {
            if take(&mut sample).is_break() {
                return Ok(ControlFlow::Break(()));
            }
        }
        Ok(ControlFlow::Continue(Next::Nothing))
    }

    /// Where samples of several groups alternate, from here on.
    fn mixed(&mut self, take: Take<'_>) -> Result<ControlFlow<(), Next>, StoreError> {
        let mut walk = Walk::new(self.access, self.range, self.numbers.clone());
        while let Some(mut sample) = walk.next()? {
            if take(&mut sample).is_break() {
                return Ok(ControlFlow::Break(()));
            }
        }
        Ok(ControlFlow::Continue(Next::Nothing))
    }

    fn chunk(&mut self, head: &Head, columns: &Columns, take: Take<'_>) -> ControlFlow<()> {
        let sample = place(&mut self.sample, head);
        for at in 0..columns.len() {
            let (seq, t_us) = (columns.seqs[at], columns.t_us[at]);
            let is_wanted =
                self.numbers.have(seq) && self.range.covers(Bound { run: head.run, t_us });
            if !is_wanted {
                continue;
            }
            self.numbers.after = seq;
            sample.seq = seq.cast_unsigned();
            sample.sample.t_us = t_us;
            sample.sample.instrument_t_us = columns.instrument_t_us[at];
            sample.sample.values.clear();
            sample.sample.values.extend(columns.values.iter().map(|column| column[at]));
            take(sample)?;
        }
        ControlFlow::Continue(())
    }
}

/// The number at which the rest of a plan begins.
fn next_seq(plan: &Plan) -> i64 {
    let chunk = plan.chunks.front().map_or(i64::MAX, |head| head.first_seq);
    let tail = plan.tail.front().map_or(i64::MAX, |sample| sample.seq.cast_signed());
    chunk.min(tail)
}

/// A sample to lend, of this chunk's group.
fn place<'a>(sample: &'a mut Option<NumberedSample>, head: &Head) -> &'a mut NumberedSample {
    let (set, group) = (&head.origin.decode_set, &head.origin.group);
    let fits = |known: &NumberedSample| {
        known.run == head.run
            && Arc::ptr_eq(&known.decode_set, set)
            && Arc::ptr_eq(&known.sample.group, group)
    };
    if !sample.as_ref().is_some_and(fits) {
        *sample = None;
    }
    sample.get_or_insert_with(|| NumberedSample {
        seq: 0,
        run: head.run,
        decode_set: set.clone(),
        sample: Sample {
            group: group.clone(),
            t_us: 0,
            instrument_t_us: None,
            values: Vec::with_capacity(group.channels.len()),
        },
    })
}
