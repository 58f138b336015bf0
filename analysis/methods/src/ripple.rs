//! A load whose current swings from reading to reading, and readings that stand
//! alone. An inverter's current ripples at twice the mains: only a meter that
//! averages sees it right, and the product of averages overstates the energy.

use crate::feed::Interval;

/// Mean magnitude of a normal variable of deviation 1, times the deviation of
/// a second difference of such: `√(2/π) · √6`.
const OF_SECOND_DIFFERENCE: f64 = 1.954_410_047_618_767_5;
/// Readings after which a scatter is said.
const READINGS: f64 = 30.0;
/// A reading stands alone if it is further from both neighbours than this share
/// of the current, and so many times further than they are from each other.
const ALONE: f64 = 0.2;
const APART: f64 = 4.0;
/// A lesser one is a peak if it stands out from both neighbours on one side by
/// so many times the scatter so far.
const PEAK: f64 = 2.0;

/// How far readings under load scatter about a smooth course.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct RippleWatch {
    /// The interval before, where it goes on into the next.
    before: Option<(f64, f64, f64)>,
    count: f64,
    differences: f64,
    magnitudes: f64,
    alone_ampere_second: f64,
    /// Peaks to either side against each other: noise evens out, false readings
    /// that are all too high do not.
    peaks_ampere_second: f64,
    /// Readings that stand alone.
    pub(crate) alone: u64,
}

impl RippleWatch {
    pub(crate) fn push(&mut self, interval: &Interval) {
        let (middle, last) = (interval.from.reading, interval.to.reading);
        let (b, c) = (middle.current_ampere, last.current_ampere);
        if let Some((a, at, seconds)) = self.before
            && at == b
        {
            let off = b - (a + c) / 2.0;
            let weight = (seconds + interval.seconds) / 2.0;
            let from_both = (b - a).abs().min((b - c).abs());
            if from_both > ALONE * a.abs().max(c.abs()) && from_both > APART * (c - a).abs() {
                self.alone += 1;
                self.alone_ampere_second += off.abs() * weight;
            } else if (b > a) == (b > c) && self.is_peak(from_both) {
                self.peaks_ampere_second += from_both.copysign(off) * weight;
            }
            self.count += 1.0;
            self.differences += 2.0 * off.abs();
            self.magnitudes += b.abs();
        }
        self.before = Some((b, c, interval.seconds));
    }

    /// The load went, or there was a silence.
    pub(crate) fn break_off(&mut self) {
        self.before = None;
    }

    pub(crate) fn absorb(&mut self, other: &RippleWatch) {
        self.count += other.count;
        self.differences += other.differences;
        self.magnitudes += other.magnitudes;
        self.alone_ampere_second += other.alone_ampere_second;
        self.peaks_ampere_second += other.peaks_ampere_second;
        self.alone += other.alone;
    }

    /// Standard deviation as a share of the mean current; `None` for few readings.
    pub(crate) fn share(&self) -> Option<f64> {
        let is_enough = self.count >= READINGS && self.magnitudes > 0.0;
        is_enough.then(|| self.differences / OF_SECOND_DIFFERENCE / self.magnitudes)
    }

    /// Whether a reading stands out from the scatter about a smooth course.
    fn is_peak(&self, ampere: f64) -> bool {
        ampere * self.count * OF_SECOND_DIFFERENCE > PEAK * self.differences
    }

    /// What the readings that stand alone carry beyond their neighbours, and
    /// what lesser peaks carry more to one side than to the other, Ah.
    pub(crate) fn alone_ah(&self) -> f64 {
        (self.alone_ampere_second + self.peaks_ampere_second.abs()) / 3600.0
    }
}

/// By how much the product of mean voltage and mean current overstates the
/// power of `I·(1 + m·sin)` behind a resistance, W: `R·I²·m²/2`.
pub fn overstated_watt(mean_ampere: f64, ripple_ratio: f64, ohm: f64) -> f64 {
    ohm * mean_ampere * mean_ampere * ripple_ratio * ripple_ratio / 2.0
}
