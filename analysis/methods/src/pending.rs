//! A change of phase that is pending: until it has lasted it may be taken back,
//! then it ends the phase before it and becomes the one that is.

use ampledger_types::result::PhaseKind;

use crate::discharge::{Ending, Judge};
use crate::feed::{Interval, Point};
use crate::gap::Gap;
use crate::phases::Segment;
use crate::window::LoadBefore;

/// A change of phase that has not lasted long enough to be one.
#[derive(Clone, Debug)]
pub(crate) struct Pending {
    pub(crate) segment: Segment,
    /// Its first reading.
    pub(crate) since_us: i64,
    /// The load before it.
    pub(crate) load: Option<LoadBefore>,
    /// The lowest voltage in it.
    pub(crate) lowest_volt: Option<f64>,
    /// It began in a silence that was not counted: its length in seconds, if
    /// that is known, and the silence.
    pub(crate) after_dark: Option<(Option<f64>, Option<Gap>)>,
    /// By how much the instrument's own counter moved in that silence, Ah.
    pub(crate) counted_ah: Option<f64>,
}

impl Pending {
    pub(crate) fn note_volt(&mut self, point: &Point) {
        self.lowest_volt = match (self.lowest_volt, point.reading.voltage_volt) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
    }

    pub(crate) fn give_back(self, current: &mut Segment) {
        if let Some((_, Some(gap))) = self.after_dark {
            current.list_gap(gap);
        }
        current.absorb(self.segment);
    }

    /// Ends the phase before it and becomes the phase that is.
    pub(crate) fn commit(self, mut old: Segment, judge: &Judge) -> (Segment, Segment) {
        let mut new = self.segment;
        let dark = self.after_dark.filter(|_| judge.was_loaded(self.load));
        let ending = match (dark, new.kind) {
            (Some((seconds, _)), _) => Ending::Dark { load: self.load, seconds },
            (None, PhaseKind::Rest) => {
                Ending::Rest { load: self.load, lowest_volt: self.lowest_volt }
            }
            (None, _) => Ending::Charge,
        };
        if let Some((_, Some(gap))) = self.after_dark {
            match (old.kind, new.kind) {
                // The end says what the dark can hide.
                (PhaseKind::Discharge, _) if dark.is_some() => {}
                (PhaseKind::Rest, _) => new.list_gap(gap),
                _ => old.list_gap(gap),
            }
        }
        close(&mut old, &ending, judge);
        if let (Some(_), Some(end)) = (dark, &mut old.end) {
            end.counted_in_dark_ah = self.counted_ah;
        }
        (old, new)
    }
}

/// Ends a phase; only a discharge has more to it than its time.
pub(crate) fn close(segment: &mut Segment, ending: &Ending, judge: &Judge) {
    if let Some(watch) = segment.watch.take() {
        let (end, is_emptied) = watch.end(ending, judge);
        segment.end = Some(end);
        segment.is_emptied = is_emptied;
    }
}

/// By how much the instrument's own counter moved over an interval, Ah.
pub(crate) fn moved_ah(interval: &Interval) -> Option<f64> {
    let (from, to) = (interval.from.counters.ah, interval.to.counters.ah);
    from.zip(to).map(|(from, to)| (to - from).abs())
}
