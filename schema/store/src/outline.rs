//! What the samples of a range are, without the samples: who gave them, and from
//! which on each channel has a value. What one chunk has told is decoded from no
//! other.

use std::sync::Arc;

use ampledger_types::{Bound, DecodeSet, Group, RunId, Seq};

use crate::append::NumberedSample;
use crate::chunk::Columns;
use crate::error::StoreError;
use crate::head::Head;
use crate::intern::Origin;
use crate::read::Range;
use crate::reader::Reader;
use crate::walk::{Access, Numbers};

/// The samples that a decode set made of a group in a run, told together.
#[derive(Clone, Debug, PartialEq)]
pub struct Outline {
    /// The run whose clock the times are.
    pub run: RunId,
    /// What made them.
    pub decode_set: Arc<DecodeSet>,
    /// What the values are.
    pub group: Arc<Group>,
    /// Number of the first.
    pub first_seq: Seq,
    /// Time of the first, microseconds.
    pub first_t_us: i64,
    /// Number of the last.
    pub last_seq: Seq,
    /// Of each channel, number of the first sample with a finite value of it.
    pub heard: Vec<Option<Seq>>,
}

impl Reader {
    /// What there is in a range, in order of first numbers; `None` where some of
    /// it was decoded again: samples do not come in order of number then.
    pub fn outline(&self, range: &Range) -> Result<Option<Vec<Outline>>, StoreError> {
        if !self.redecodings(range)?.is_empty() {
            return Ok(None);
        }
        let access = Access::Reader(self);
        let last = access.last(range)?;
        loop {
            let mut drawing = Drawing { range, last, outlines: Vec::new() };
            if drawing.draw(&access)? {
                drawing.outlines.sort_by_key(|outline| outline.first_seq);
                return Ok(Some(drawing.outlines));
            }
        }
    }
}

struct Drawing<'a> {
    range: &'a Range,
    /// Up to this number.
    last: i64,
    outlines: Vec<Outline>,
}

impl Drawing<'_> {
    /// False if a chunk lies elsewhere now: to be begun anew.
    fn draw(&mut self, access: &Access<'_>) -> Result<bool, StoreError> {
        let numbers = Numbers { after: 0, last: self.last, but: Vec::new() };
        let plan = access.plan(self.range, &numbers)?;
        for head in &plan.chunks {
            let known = self.place(head.run, &head.origin);
            if let Some(at) = known.filter(|at| self.tells_nothing_new(*at, head)) {
                self.outlines[at].last_seq = head.last_seq.cast_unsigned();
                continue;
            }
            let is_new =
                |channel: usize| known.is_none_or(|at| self.outlines[at].heard[channel].is_none());
            match access.open(head, &is_new)? {
                Some(columns) => self.chunk(head, &columns),
                None => return Ok(false),
            }
        }
        plan.tail.iter().for_each(|sample| self.sample(sample));
        Ok(true)
    }

    fn place(&self, run: RunId, origin: &Origin) -> Option<usize> {
        self.outlines.iter().position(|known| {
            // A reader gives the same decode set and the same group each time.
            known.run == run
                && Arc::ptr_eq(&known.decode_set, &origin.decode_set)
                && Arc::ptr_eq(&known.group, &origin.group)
        })
    }

    /// Whether all of a chunk is wanted and every channel was heard before it.
    fn tells_nothing_new(&self, at: usize, head: &Head) -> bool {
        let covers = |t_us| self.range.covers(Bound { run: head.run, t_us });
        head.last_seq <= self.last
            && covers(head.t_min_us)
            && covers(head.t_max_us)
            && self.outlines[at].heard.iter().all(Option::is_some)
    }

    fn chunk(&mut self, head: &Head, columns: &Columns) {
        let (range, last) = (self.range, self.last);
        let is_wanted = |at: &usize| {
            let moment = Bound { run: head.run, t_us: columns.t_us[*at] };
            columns.seqs[*at] <= last && range.covers(moment)
        };
        let mut wanted = (0..columns.len()).filter(is_wanted);
        let Some(first) = wanted.next() else { return };
        let end = wanted.next_back().unwrap_or(first);
        let number = |at: usize| columns.seqs[at].cast_unsigned();
        let outline = self.outline(head.run, &head.origin, number(first), columns.t_us[first]);
        outline.last_seq = outline.last_seq.max(number(end));
        for (heard, column) in outline.heard.iter_mut().zip(&columns.values) {
            if heard.is_none() && !column.is_empty() {
                let has_value = |at: &usize| column[*at].is_finite() && is_wanted(at);
                *heard = (first..=end).find(has_value).map(number);
            }
        }
    }

    fn sample(&mut self, sample: &NumberedSample) {
        let (decode_set, group) = (sample.decode_set.clone(), sample.sample.group.clone());
        let origin = Origin { decode_set, group };
        let outline = self.outline(sample.run, &origin, sample.seq, sample.sample.t_us);
        outline.last_seq = outline.last_seq.max(sample.seq);
        for (heard, value) in outline.heard.iter_mut().zip(&sample.sample.values) {
            if heard.is_none() && value.is_finite() {
                *heard = Some(sample.seq);
            }
        }
    }

    /// The outline that samples belong to, which begins with them if it is new.
    fn outline(&mut self, run: RunId, origin: &Origin, seq: Seq, t_us: i64) -> &mut Outline {
        let at = self.place(run, origin).unwrap_or_else(|| {
            self.outlines.push(Outline {
                run,
                decode_set: origin.decode_set.clone(),
                group: origin.group.clone(),
                first_seq: seq,
                first_t_us: t_us,
                last_seq: seq,
                heard: vec![None; origin.group.channels.len()],
            });
            self.outlines.len() - 1
        });
        &mut self.outlines[at]
    }
}
