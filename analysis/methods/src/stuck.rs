//! A channel that does not move at all under load: many rows, a long time, the
//! same bits. Where readings dwell that long anyway, because their step is
//! coarse, nothing is said; once is no habit, and may itself have been a fault.

use crate::feed::{Point, seconds_between};
use crate::rules::Rules;

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct StuckWatch {
    same: Option<Same>,
    /// The longest times that readings stood still and moved again, µs: the
    /// longest of all, and the next.
    dwells_us: [i64; 2],
}

#[derive(Clone, Copy, Debug)]
struct Same {
    bits: (u64, u64),
    since_us: i64,
    samples: f64,
    is_stuck: bool,
}

/// A stretch without any movement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stuck {
    pub(crate) since_us: i64,
    pub(crate) seconds: f64,
    pub(crate) is_new: bool,
}

impl StuckWatch {
    /// Takes a row under load.
    pub(crate) fn push(&mut self, point: &Point, rules: &Rules) -> Option<Stuck> {
        let voltage = point.reading.voltage_volt?;
        let bits = (voltage.to_bits(), point.reading.current_ampere.to_bits());
        let Some(same) = self.same.as_mut().filter(|s| s.bits == bits) else {
            self.moved(point.t_us);
            self.same = Some(Same { bits, since_us: point.t_us, samples: 1.0, is_stuck: false });
            return None;
        };
        same.samples += 1.0;
        let seconds = seconds_between(same.since_us, point.t_us);
        let dwell = seconds_between(0, self.dwells_us[1]) * rules.stuck_dwell_factor;
        let is_stuck =
            same.samples >= rules.stuck_samples && seconds >= rules.stuck_second && seconds > dwell;
        let is_new = is_stuck && !same.is_stuck;
        same.is_stuck |= is_stuck;
        same.is_stuck.then_some(Stuck { since_us: same.since_us, seconds, is_new })
    }

    /// The load went: standing still is natural at rest.
    pub(crate) fn unloaded(&mut self) {
        self.same = None;
    }

    fn moved(&mut self, t_us: i64) {
        if let Some(same) = self.same.filter(|s| !s.is_stuck) {
            let dwell_us = t_us.saturating_sub(same.since_us);
            let [longest, next] = self.dwells_us;
            self.dwells_us = [longest.max(dwell_us), next.max(dwell_us.min(longest))];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::integrate::Reading;

    fn at(second: i64, voltage: f64) -> Point {
        let reading = Reading { current_ampere: -12.0, voltage_volt: Some(voltage) };
        Point { t_us: second * 1_000_000, reading, ..Point::default() }
    }

    fn first_stuck(watch: &mut StuckWatch, from: i64, step: i64, rows: i64) -> Option<i64> {
        let rules = Rules::default();
        let mut rows = (0..rows).map(|n| from + n * step);
        rows.find(|t| watch.push(&at(*t, 26.4), &rules).is_some())
    }

    #[test]
    fn it_takes_both_thirty_samples_and_sixty_seconds() {
        assert_eq!(first_stuck(&mut StuckWatch::default(), 0, 1, 60), None);
        assert_eq!(first_stuck(&mut StuckWatch::default(), 0, 1, 61), Some(60));
        assert_eq!(first_stuck(&mut StuckWatch::default(), 0, 10, 29), None);
        assert_eq!(first_stuck(&mut StuckWatch::default(), 0, 10, 30), Some(290));
    }

    #[test]
    fn a_load_that_comes_back_to_the_same_values_starts_afresh() {
        let mut watch = StuckWatch::default();
        assert_eq!(first_stuck(&mut watch, 0, 1, 60), None);
        watch.unloaded();
        assert_eq!(first_stuck(&mut watch, 100, 1, 60), None);
    }

    #[test]
    fn a_coarse_step_explains_standing_still() {
        let mut watch = StuckWatch::default();
        for n in 0..40 {
            watch.push(&at(n, if n < 20 { 26.5 } else { 26.45 }), &Rules::default());
        }
        assert_eq!(first_stuck(&mut watch, 40, 1, 101), None, "five times 20 s");
        assert_eq!(first_stuck(&mut watch, 141, 1, 1), Some(141));
    }

    #[test]
    fn having_stood_still_once_explains_nothing() {
        let mut watch = StuckWatch::default();
        for n in 0..100 {
            let volt = if n < 40 { 26.5 } else { 26.5 - n as f64 * 1e-3 };
            watch.push(&at(n, volt), &Rules::default());
        }
        assert_eq!(first_stuck(&mut watch, 100, 1, 201), Some(160));
    }
}
