//! The temperatures of a session in bounded memory: the lowest and highest of
//! each minute, and of longer stretches once the session is long.

use crate::rules::Rules;

/// Stretches kept; beyond, two neighbours become one.
const STRETCHES: usize = 4096;
/// How long one is at first, µs.
const MINUTE_US: i64 = 60_000_000;

/// What one probe read.
#[derive(Clone, Debug, PartialEq)]
pub struct TemperatureRecord {
    width_us: i64,
    /// In order of their numbers.
    stretches: Vec<Stretch>,
}

/// The lowest and highest of a stretch, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Stretch {
    number: i64,
    low: f64,
    high: f64,
}

impl Default for TemperatureRecord {
    fn default() -> Self {
        TemperatureRecord { width_us: MINUTE_US, stretches: Vec::new() }
    }
}

impl TemperatureRecord {
    /// Takes a reading: test time in µs, °C.
    pub fn push(&mut self, t_us: i64, celsius: f64) {
        if !celsius.is_finite() {
            return;
        }
        let reading = |number| Stretch { number, low: celsius, high: celsius };
        // Nearly always in the stretch of the one before: no division shows it.
        if let Some(last) = self.stretches.last_mut()
            && let Some(begin_us) = last.number.checked_mul(self.width_us)
            && t_us.checked_sub(begin_us).is_some_and(|us| (0..self.width_us).contains(&us))
        {
            return last.widen(&reading(last.number));
        }
        widen(&mut self.stretches, reading(t_us.div_euclid(self.width_us)));
        if self.stretches.len() > STRETCHES {
            self.width_us = self.width_us.saturating_mul(2);
            for narrow in std::mem::take(&mut self.stretches) {
                let number = narrow.number.div_euclid(2);
                widen(&mut self.stretches, Stretch { number, ..narrow });
            }
        }
    }

    /// The lowest and the highest between two moments; stretches that lie
    /// across one of them count whole.
    pub fn between(&self, from_us: i64, to_us: i64) -> Option<(f64, f64)> {
        let (first, last) = (from_us.div_euclid(self.width_us), to_us.div_euclid(self.width_us));
        let begin = self.stretches.partition_point(|s| s.number < first);
        let within = self.stretches[begin..].iter().take_while(|s| s.number <= last.max(first));
        within.map(|s| (s.low, s.high)).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }

    /// How far it moved in the time before a moment in which a pack takes on a
    /// temperature, K; `None` where the readings do not go back that far.
    pub fn moved_kelvin(&self, at_us: i64, rules: &Rules) -> Option<f64> {
        let from_us = at_us.saturating_sub((rules.verdict_soak_second * 1e6) as i64);
        let first = self.stretches.first()?;
        if first.number > from_us.div_euclid(self.width_us) {
            return None;
        }
        self.between(from_us, at_us).map(|(low, high)| high - low)
    }
}

impl Stretch {
    fn widen(&mut self, other: &Stretch) {
        (self.low, self.high) = (self.low.min(other.low), self.high.max(other.high));
    }
}

fn widen(stretches: &mut Vec<Stretch>, by: Stretch) {
    match stretches.binary_search_by_key(&by.number, |stretch| stretch.number) {
        Ok(at) => stretches[at].widen(&by),
        Err(at) => stretches.insert(at, by),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: i64 = 1_000_000;

    #[test]
    fn the_range_is_that_of_the_stretch_asked_for() {
        let mut record = TemperatureRecord::default();
        (0..7200).for_each(|s| record.push(s * SECOND, 20.0 + s as f64 / 3600.0));
        let (low, high) = record.between(3600 * SECOND, 7199 * SECOND).unwrap();
        assert!((low - 21.0).abs() < 1e-9 && (high - 21.9997).abs() < 1e-3, "{low} {high}");
        assert_eq!(record.between(8000 * SECOND, 9000 * SECOND), None);
    }

    #[test]
    fn a_pack_has_moved_by_what_it_moved_in_the_hour_before() {
        let mut record = TemperatureRecord::default();
        (0..7200).for_each(|s| record.push(s * SECOND, 20.0 + s as f64 / 3600.0));
        let moved = record.moved_kelvin(7199 * SECOND, &Rules::default()).unwrap();
        assert!((moved - 1.0).abs() < 0.02, "{moved}");
        assert_eq!(record.moved_kelvin(1800 * SECOND, &Rules::default()), None);
    }

    #[test]
    fn memory_is_bounded_and_no_extreme_is_lost() {
        let mut record = TemperatureRecord::default();
        (0..1_000_000).for_each(|minute| record.push(minute * MINUTE_US, (minute % 97) as f64));
        assert!(record.stretches.len() <= STRETCHES, "{}", record.stretches.len());
        assert_eq!(record.between(0, 1_000_000 * MINUTE_US), Some((0.0, 96.0)));
    }
}
