//! The instrument's own amp-hour and watt-hour counters beside our figures,
//! phase by phase. A counter is never used for a figure; where it says
//! something else, that is told with both.

use crate::integrate::Sum;

/// What the instrument's counters showed, in whatever direction they count.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counters {
    /// Amp-hours.
    pub ah: Option<f64>,
    /// Watt-hours.
    pub wh: Option<f64>,
}

/// By how much the counters moved in a phase.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Counted {
    pub(crate) ah: Moved,
    pub(crate) wh: Moved,
}

/// By how much one counter moved.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Moved {
    sum: Sum,
    /// The smallest step it was seen to take.
    step: Option<f64>,
    /// The largest.
    longest: f64,
    /// What it can have left out where it began to count anew.
    hidden: f64,
}

/// A counter that falls back to within so many of its largest steps from 0, from
/// twice as far away, began to count anew.
const RESET_STEPS: f64 = 2.0;

impl Counted {
    pub(crate) fn add(&mut self, from: &Counters, to: &Counters) {
        self.ah.add(from.ah, to.ah);
        self.wh.add(from.wh, to.wh);
    }

    pub(crate) fn absorb(&mut self, other: &Counted) {
        self.ah.absorb(&other.ah);
        self.wh.absorb(&other.wh);
    }
}

impl Moved {
    fn add(&mut self, from: Option<f64>, to: Option<f64>) {
        let Some((from, to)) = from.zip(to) else { return };
        let moved = if self.began_anew(from, to) {
            self.hidden += self.longest;
            to
        } else {
            to - from
        };
        if moved != 0.0 && moved.is_finite() {
            self.sum.add(moved);
            self.note_step(moved.abs());
            self.longest = self.longest.max(moved.abs());
        }
    }

    fn began_anew(&self, from: f64, to: f64) -> bool {
        let near = RESET_STEPS * self.longest;
        self.longest > 0.0 && to.abs() <= near && from.abs() > 2.0 * near
    }

    /// The smallest step it was seen to take.
    pub(crate) fn step(&self) -> Option<f64> {
        self.step
    }

    fn note_step(&mut self, step: f64) {
        self.step = Some(self.step.map_or(step, |least| least.min(step)));
    }

    fn absorb(&mut self, other: &Moved) {
        self.sum.absorb(&other.sum);
        self.longest = self.longest.max(other.longest);
        self.hidden += other.hidden;
        if let Some(step) = other.step {
            self.note_step(step);
        }
    }

    /// What the counter says, if it does not agree with `ours` (a magnitude)
    /// within `allowed` or `steps` of its own steps. A counter that never moved
    /// says nothing.
    pub(crate) fn disagrees(&self, ours: f64, allowed: f64, steps: f64) -> Option<f64> {
        let theirs = self.sum.value().abs();
        let tolerance = allowed.max(steps * self.step?) + self.hidden;
        ((theirs - ours).abs() > tolerance).then_some(theirs)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moved(values: &[f64]) -> Moved {
        let mut moved = Moved::default();
        values.windows(2).for_each(|w| moved.add(Some(w[0]), Some(w[1])));
        moved
    }

    #[test]
    fn half_a_percent_and_two_steps_are_let_pass_and_no_more() {
        let fine: Vec<f64> = (0..=1000).map(|n| f64::from(n) * 0.0575).collect();
        assert_eq!(moved(&fine).disagrees(57.4, 0.005 * 57.4, 2.0), None);
        assert_eq!(moved(&fine).disagrees(57.0, 0.005 * 57.0, 2.0).map(f64::round), Some(58.0));
        let coarse = [3.0, 4.0, 5.0];
        assert_eq!(moved(&coarse).disagrees(3.9, 0.005 * 3.9, 2.0), None);
        assert_eq!(moved(&coarse).disagrees(4.1, 0.005 * 4.1, 2.0), Some(2.0));
    }

    #[test]
    fn a_counter_that_begins_anew_goes_on_counting() {
        let saw: Vec<f64> = (0..=100).map(|n| f64::from(n % 50) / 100.0).collect();
        assert_eq!(moved(&saw).disagrees(1.0, 0.005 * 1.0, 2.0), None);
        let back: Vec<f64> = (0..=100).map(|n| 1.0 - f64::from(n) / 100.0).collect();
        assert_eq!(moved(&back).disagrees(1.0, 0.005 * 1.0, 2.0), None);
    }

    #[test]
    fn a_counter_that_never_moved_says_nothing() {
        assert_eq!(moved(&[5.0, 5.0, 5.0]).disagrees(57.4, 0.005 * 57.4, 2.0), None);
        assert_eq!(Moved::default().disagrees(57.4, 0.005 * 57.4, 2.0), None);
    }
}
