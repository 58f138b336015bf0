//! A silence inside a phase: what was counted for it and how far that may be
//! off. Its bound is worked out when it is shown, because the highest current
//! of the phase may still come.

use crate::feed::{Interval, Point, Silence, seconds_between};
use crate::findings::FoundGap;
use crate::integrate::charge_ampere_second;
use crate::stuck::Stuck;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Gap {
    pub(crate) start_us: i64,
    pub(crate) end_us: i64,
    pub(crate) estimated_ah: Option<f64>,
    /// The instrument's own counter on both sides, Ah.
    counters: Option<(f64, f64)>,
}

impl Gap {
    pub(crate) fn of(interval: &Interval) -> Option<Gap> {
        let (from, to) = (&interval.from, &interval.to);
        let estimated_ah = match interval.silence {
            Silence::None => return None,
            Silence::NotCounted => None,
            Silence::Estimated => {
                let charge = charge_ampere_second(interval.seconds, &from.reading, &to.reading);
                Some(charge.abs() / 3600.0)
            }
        };
        let counters = from.counters.ah.zip(to.counters.ah);
        Some(Gap { start_us: from.t_us, end_us: to.t_us, estimated_ah, counters })
    }

    /// A stretch in which the channel stood still, up to a reading.
    pub(crate) fn stuck(stuck: &Stuck, point: &Point) -> Gap {
        let charge = point.reading.current_ampere.abs() * stuck.seconds / 3600.0;
        let (start_us, end_us) = (stuck.since_us, point.t_us);
        Gap { start_us, end_us, estimated_ah: Some(charge), counters: None }
    }

    /// The gap as it is handed out.
    pub(crate) fn found(&self, highest_ampere: f64) -> FoundGap {
        FoundGap {
            start_us: self.start_us,
            end_us: self.end_us,
            estimated_ah: self.estimated_ah,
            counted_ah: self.counted_ah(highest_ampere),
            highest_ah: self.highest_ah(highest_ampere),
        }
    }

    fn highest_ah(&self, ampere: f64) -> f64 {
        ampere * seconds_between(self.start_us, self.end_us) / 3600.0
    }

    /// What the instrument's own counter says, Ah. It is believed only where it
    /// shows more than can have flowed in the gap: then it did not begin anew.
    fn counted_ah(&self, highest_ampere: f64) -> Option<f64> {
        let (from, to) = self.counters?;
        let (moved, most) = ((to - from).abs(), self.highest_ah(highest_ampere));
        let went_on = to.abs() > most && from.signum() == to.signum();
        (went_on && moved <= most).then_some(moved)
    }

    /// The most that it can have been other than was counted for it, Ah.
    pub(crate) fn off_ah(&self, highest_ampere: f64, counter_step_ah: f64) -> f64 {
        let estimated = self.estimated_ah.unwrap_or(0.0);
        match self.counted_ah(highest_ampere) {
            Some(counted) => (counted - estimated).abs() + counter_step_ah,
            None => estimated.max(self.highest_ah(highest_ampere) - estimated),
        }
    }
}
