//! Up to which current a pack is at rest. From the rating where there is one,
//! otherwise from the currents seen so far, in a histogram of fixed size.

use crate::rules::Setting;

/// Bins per octave; a bin is 4.4 % wide.
const PER_OCTAVE: f64 = 16.0;
/// From 1 mA upwards over 30 octaves, to a million ampere.
const BINS: usize = 30 * 16;
const SMALLEST_AMPERE: f64 = 1e-3;

#[derive(Clone, Debug)]
pub(crate) struct Threshold {
    /// What rating, offset and resolution ask for, A.
    floor_ampere: f64,
    seen: Option<Histogram>,
    unrated_share: f64,
}

impl Threshold {
    pub(crate) fn new(setting: &Setting) -> Self {
        let rules = &setting.rules;
        let positive = |x: Option<f64>| x.filter(|x| x.is_finite() && *x > 0.0);
        let rated = positive(setting.rated_ah);
        let base = rated.map_or(rules.rest_unrated_floor_ampere, |c| c / rules.rest_divisor_hour);
        let offset = positive(setting.current_offset).unwrap_or(0.0) * rules.rest_offset_factor;
        let step = positive(setting.current_resolution).unwrap_or(0.0);
        Threshold {
            floor_ampere: base.max(offset).max(step * rules.rest_resolution_steps),
            seen: rated.is_none().then(Histogram::default),
            unrated_share: rules.rest_unrated_percent / 100.0,
        }
    }

    pub(crate) fn observe(&mut self, current_ampere: f64) {
        if let Some(seen) = &mut self.seen {
            seen.push(current_ampere.abs());
        }
    }

    /// The highest magnitude that still is rest, A.
    pub(crate) fn ampere(&self) -> f64 {
        let seen = self.seen.as_ref().map_or(0.0, |s| s.percentile_95() * self.unrated_share);
        self.floor_ampere.max(seen)
    }

    pub(crate) fn is_unrated(&self) -> bool {
        self.seen.is_some()
    }
}

#[derive(Clone, Debug)]
struct Histogram {
    counts: Vec<u64>,
    total: u64,
    highest: usize,
}

impl Default for Histogram {
    fn default() -> Self {
        Histogram { counts: vec![0; BINS], total: 0, highest: 0 }
    }
}

impl Histogram {
    fn push(&mut self, magnitude: f64) {
        let octaves = (magnitude / SMALLEST_AMPERE).log2().max(0.0);
        let bin = ((octaves * PER_OCTAVE) as usize).min(BINS - 1);
        self.counts[bin] += 1;
        self.total += 1;
        self.highest = self.highest.max(bin);
    }

    /// Upper edge of the bin with the 95th percentile, A.
    fn percentile_95(&self) -> f64 {
        let mut above = 0;
        for bin in (0..=self.highest).rev() {
            above += self.counts[bin];
            if above * 20 > self.total {
                return SMALLEST_AMPERE * ((bin + 1) as f64 / PER_OCTAVE).exp2();
            }
        }
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_of_rating_offset_and_resolution_counts() {
        let mut setting = Setting { rated_ah: Some(60.0), ..Setting::default() };
        assert_eq!(Threshold::new(&setting).ampere(), 0.12);
        setting.current_offset = Some(0.05);
        assert!((Threshold::new(&setting).ampere() - 0.15).abs() < 1e-12);
        setting.current_resolution = Some(0.1);
        assert!((Threshold::new(&setting).ampere() - 0.2).abs() < 1e-12);
    }

    #[test]
    fn without_a_rating_one_percent_of_the_95th_percentile() {
        let mut threshold = Threshold::new(&Setting::default());
        assert_eq!(threshold.ampere(), 0.02);
        (0..94).for_each(|_| threshold.observe(-12.0));
        (0..6).for_each(|_| threshold.observe(200.0));
        assert!(threshold.ampere() > 1.9, "6 % of the rows are above");
        (0..100).for_each(|_| threshold.observe(-12.0));
        assert!((threshold.ampere() - 0.12).abs() < 0.006, "3 % of the rows are above");
    }
}
