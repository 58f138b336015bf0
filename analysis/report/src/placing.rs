//! Which samples are a session's, and where each lies on its test time. The
//! report and the exports read samples through this, so they see the same.

use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_methods::{Axis, Placed, RunOffset};
use ampledger_store::{NumberedSample, Outline, Range, Reader};
use ampledger_types::source::Measures;
use ampledger_types::{Bound, Group, Instrument, RunId, Sample, Seq};

use crate::calibrations::Calibrations;
use crate::compute::ReportError;
use crate::subject::Subject;
use crate::timeline::{PlacedRun, run_offsets};

/// Places samples, given in the order in which they are read or arrive.
#[derive(Clone, Debug)]
pub(crate) struct Placing {
    axis: Axis,
    sources: Vec<String>,
    start: Bound,
    end: Option<Bound>,
    latest: Option<Bound>,
    far_side: Vec<String>,
    offsets: Vec<RunOffset>,
    placed: Vec<PlacedRun>,
    reached: Seq,
    /// What corrects the readings.
    pub(crate) calibrations: Calibrations,
}

impl Placing {
    pub(crate) fn new(subject: &Subject) -> Placing {
        let session = &subject.session;
        let offsets = run_offsets(session.start, &subject.clocks);
        Placing {
            axis: Axis::new(&session.sources, offsets.clone()).with_far_side(far_side(subject)),
            sources: session.sources.clone(),
            start: session.start,
            end: session.end,
            latest: None,
            far_side: far_side(subject),
            offsets,
            placed: Vec::new(),
            reached: 0,
            calibrations: Calibrations::new(&subject.calibrations),
        }
    }

    /// Reads a session's samples from the store, up to a number if one is
    /// given, and hands each to `take` with its place.
    pub(crate) fn read(
        &mut self,
        reader: &Reader,
        subject: &Subject,
        up_to: Option<Seq>,
        mut take: impl FnMut(&NumberedSample, &Placed) -> ControlFlow<()>,
    ) -> Result<(), ReportError> {
        let range = range(subject, up_to);
        reader.samples_lent(&range, |stored| {
            self.calibrations.correct(stored);
            let source = &stored.decode_set.source;
            match self.place(source, stored.run, stored.seq, &stored.sample) {
                Some(placed) => take(stored, &placed),
                None => ControlFlow::Continue(()),
            }
        })?;
        // Up to a lower number a stretch would read as it was decoded before.
        let redecoded = reader.redecodings(&range)?;
        self.reached = redecoded.iter().map(|r| r.last_seq).fold(self.reached, Seq::max);
        Ok(())
    }

    /// What a session holds, with its runs placed as reading it would. `None`
    /// where only reading tells: some was decoded again, or a run lies where the
    /// sample before it ends.
    pub(crate) fn outline(
        &mut self,
        reader: &Reader,
        subject: &Subject,
        up_to: Option<Seq>,
    ) -> Result<Option<Vec<Outline>>, ReportError> {
        if self.offsets.iter().any(|run| run.offset_us.is_none()) {
            return Ok(None);
        }
        let Some(mut outlines) = reader.outline(&range(subject, up_to))? else { return Ok(None) };
        outlines.retain(|outline| self.offset_us(outline.run).is_some());
        for Outline { run, first_t_us, last_seq, .. } in &outlines {
            let Some(offset_us) = self.offset_us(*run) else { continue };
            self.note_run(*run, first_t_us.saturating_add(offset_us), *first_t_us);
            self.reached = self.reached.max(*last_seq);
        }
        Ok(Some(outlines))
    }

    /// Whether a session's samples are read in order of number.
    pub(crate) fn is_in_order(
        reader: &Reader,
        subject: &Subject,
        up_to: Seq,
    ) -> Result<bool, ReportError> {
        Ok(reader.redecodings(&range(subject, Some(up_to)))?.is_empty())
    }

    /// Added to a run's times gives test time, where that is known beforehand.
    fn offset_us(&self, run: RunId) -> Option<i64> {
        self.offsets.iter().find(|known| known.run == run)?.offset_us
    }

    /// Notes where a run's first sample lies, by test time and its own.
    fn note_run(&mut self, run: RunId, first_us: i64, t_us: i64) {
        if !self.placed.iter().any(|p| p.run == run) {
            let offset_us = first_us.saturating_sub(t_us);
            self.placed.push(PlacedRun { run, first_us, offset_us });
        }
    }

    /// Places a sample. Other sources and times outside the session are passed
    /// over.
    pub(crate) fn place(
        &mut self,
        source: &str,
        run: RunId,
        seq: Seq,
        sample: &Sample,
    ) -> Option<Placed> {
        let at = Bound { run, t_us: sample.t_us };
        if self.is_outside(at) {
            return None;
        }
        let stream = self.stream(source, &sample.group)?;
        self.place_in(stream, at, seq, |place| sample.values.get(place).copied())
    }

    /// Where a source's group is known by for [`Placing::place_in`]; `None`
    /// where it is of another source.
    pub(crate) fn stream(&mut self, source: &str, group: &Arc<Group>) -> Option<usize> {
        self.axis.stream(source, group)
    }

    /// Places a sample of a stream that has these values.
    #[inline]
    pub(crate) fn place_in(
        &mut self,
        stream: usize,
        at: Bound,
        seq: Seq,
        values: impl Fn(usize) -> Option<f64>,
    ) -> Option<Placed> {
        if self.is_outside(at) {
            return None;
        }
        // Not moved about: that takes longer than making it.
        let placed = self.axis.row_of(stream, (at.run, at.t_us), values);
        let t_us = placed.as_ref()?.row.t_us;
        self.reached = self.reached.max(seq);
        if self.latest.is_none_or(|latest| latest < at) {
            self.latest = Some(at);
        }
        self.note_run(at.run, t_us, at.t_us);
        placed
    }

    fn is_outside(&self, at: Bound) -> bool {
        at < self.start || self.end.is_some_and(|end| at > end)
    }

    pub(crate) fn add_runs(&mut self, subject: &Subject) {
        for offset in run_offsets(self.start, &subject.clocks) {
            if !self.offsets.iter().any(|known| known.run == offset.run) {
                self.offsets.push(offset.clone());
                self.axis.add_run(offset);
            }
        }
    }

    /// Whether what was placed would be placed the same for this subject.
    pub(crate) fn fits(&self, subject: &Subject) -> bool {
        let session = &subject.session;
        let offsets = run_offsets(session.start, &subject.clocks);
        let of =
            |offsets: &[RunOffset], run| offsets.iter().find(|o| o.run == run).map(|o| o.offset_us);
        self.start == session.start
            && self.sources == session.sources
            && self.far_side == far_side(subject)
            && self.placed.iter().all(|p| of(&self.offsets, p.run) == of(&offsets, p.run))
            && self.ends_like(session.end)
    }

    /// Nothing was placed beyond that end, and nothing before it passed over.
    fn ends_like(&self, end: Option<Bound>) -> bool {
        match end {
            None => self.end.is_none(),
            Some(end) => {
                self.latest.is_none_or(|latest| latest <= end)
                    && self.end.is_none_or(|own| own >= end)
            }
        }
    }

    /// The highest number placed; 0 before the first.
    pub(crate) fn reached(&self) -> Seq {
        self.reached
    }

    pub(crate) fn placed(&self) -> &[PlacedRun] {
        &self.placed
    }
}

/// The sources whose meters are on the far side of an inverter.
pub(crate) fn far_side(subject: &Subject) -> Vec<String> {
    let is_far = |(_, meter): &(&String, &Instrument)| measures_far_side(meter);
    subject.instruments.iter().filter(is_far).map(|(source, _)| source.clone()).collect()
}

/// Whether a meter measures what an inverter gives.
pub(crate) fn measures_far_side(meter: &Instrument) -> bool {
    meter.measures == Some(Measures::InverterOutput)
}

fn range(subject: &Subject, up_to: Option<Seq>) -> Range {
    Range {
        sources: subject.session.sources.clone(),
        from: subject.session.start,
        to: subject.session.end,
        up_to,
    }
}
