//! A load whose current swings from reading to reading. An inverter's current
//! ripples at twice the mains; only a meter that averages sees it right, and
//! the product of averages overstates the energy.

use crate::integrate::Reading;

/// Mean magnitude of a normal variable of deviation 1, times the deviation of
/// a second difference of such: `√(2/π) · √6`.
const OF_SECOND_DIFFERENCE: f64 = 1.954_410_047_618_767_5;

/// How far readings under load scatter about a smooth course.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct RippleWatch {
    before: [f64; 2],
    have: u8,
    count: f64,
    differences: f64,
    magnitudes: f64,
}

impl RippleWatch {
    pub(crate) fn push(&mut self, reading: &Reading) {
        let current = reading.current_ampere;
        if self.have >= 2 {
            self.count += 1.0;
            self.differences += (self.before[0] - 2.0 * self.before[1] + current).abs();
            self.magnitudes += current.abs();
        }
        self.have = self.have.saturating_add(1).min(2);
        self.before = [self.before[1], current];
    }

    /// The load went, or there was a silence.
    pub(crate) fn break_off(&mut self) {
        self.have = 0;
    }

    /// Standard deviation as a share of the mean current; `None` for few readings.
    pub(crate) fn share(&self) -> Option<f64> {
        let is_enough = self.count >= 30.0 && self.magnitudes > 0.0;
        is_enough.then(|| self.differences / OF_SECOND_DIFFERENCE / self.magnitudes)
    }
}

/// By how much the product of mean voltage and mean current overstates the
/// power of `I·(1 + m·sin)` behind a resistance, W: `R·I²·m²/2`.
pub fn overstated_watt(mean_ampere: f64, ripple_ratio: f64, ohm: f64) -> f64 {
    ohm * mean_ampere * mean_ampere * ripple_ratio * ripple_ratio / 2.0
}
