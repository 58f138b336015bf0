//! A current that stands at the end of the meter's range: the true one may be
//! higher. Where the range is not stated, a moving current that runs into the
//! same highest reading again and again tells; a constant load does not.

use ampledger_types::result::AnomalyKind;

use crate::integrate::Reading;
use crate::rules::Setting;
use crate::tally::Tally;

/// A step up to the highest reading of at most so many of the current's own
/// steps is a matter of resolution.
const STEPS: f64 = 3.0;

/// Looks at every current of the group that is integrated.
#[derive(Clone, Debug)]
pub(crate) struct ClippedWatch {
    range_ampere: Option<f64>,
    needed: f64,
    visits_needed: f64,
    jump: f64,
    /// The magnitudes before, latest first, and the voltage of the latest.
    before: [f64; 2],
    voltage_before: Option<f64>,
    /// The smallest step that the current was seen to take, A.
    step_ampere: f64,
    plateau: Plateau,
}

/// The highest magnitude so far.
#[derive(Clone, Copy, Debug, Default)]
struct Plateau {
    ampere: f64,
    samples: f64,
    visits: f64,
    /// The current ran into it, and the voltage went on moving.
    is_visit: bool,
}

impl ClippedWatch {
    pub(crate) fn new(setting: &Setting) -> Self {
        let rules = &setting.rules;
        ClippedWatch {
            range_ampere: setting.current_range.filter(|range| *range > 0.0),
            needed: rules.clipped_samples,
            visits_needed: rules.clipped_visits,
            jump: rules.clipped_jump_percent / 100.0,
            before: [0.0; 2],
            voltage_before: None,
            step_ampere: f64::INFINITY,
            plateau: Plateau::default(),
        }
    }

    /// Takes a reading; counts it where the meter stands at its end.
    pub(crate) fn push(&mut self, reading: &Reading, t_us: i64, tally: &mut Tally) {
        let ampere = reading.current_ampere.abs();
        let is_clipped = match self.range_ampere {
            Some(range) => ampere >= range,
            None => self.stands_at_highest(ampere, reading.voltage_volt),
        };
        if is_clipped {
            tally.count(AnomalyKind::CurrentClipped, t_us);
        }
        let step = (ampere - self.before[0]).abs();
        if step > 0.0 {
            self.step_ampere = self.step_ampere.min(step);
        }
        self.before = [ampere, self.before[0]];
        self.voltage_before = reading.voltage_volt;
    }

    fn stands_at_highest(&mut self, ampere: f64, voltage: Option<f64>) -> bool {
        if ampere > self.plateau.ampere {
            self.plateau = Plateau { ampere, ..Plateau::default() };
        }
        if ampere < self.plateau.ampere || ampere == 0.0 {
            self.plateau.is_visit = false;
            return false;
        }
        if self.before[0] < ampere && self.runs_into(ampere) {
            self.plateau.is_visit = true;
            self.plateau.visits += 1.0;
        }
        let moves = voltage.is_some() && voltage != self.voltage_before;
        if !(self.plateau.is_visit && moves) {
            return false;
        }
        self.plateau.samples += 1.0;
        self.plateau.samples >= self.needed && self.plateau.visits >= self.visits_needed
    }

    /// Under load, and not from a level that was held: a programmed load steps
    /// between levels, and a load that comes on comes from rest.
    fn runs_into(&self, ampere: f64) -> bool {
        let [last, second] = self.before;
        let jump = ampere - last;
        let is_loaded = last > ampere / 2.0 && second > ampere / 2.0;
        is_loaded && last != second && jump > self.jump * ampere && jump > STEPS * self.step_ampere
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clipped(setting: &Setting, current: impl Fn(u32) -> f64) -> u64 {
        let (mut watch, mut tally) = (ClippedWatch::new(setting), Tally::default());
        for n in 0..1000 {
            let voltage_volt = Some(26.4 - f64::from(n) * 1e-3);
            let reading = Reading { current_ampere: -current(n), voltage_volt };
            watch.push(&reading, i64::from(n) * 1_000_000, &mut tally);
        }
        tally.total()
    }

    #[test]
    fn a_stated_range_is_the_end_and_just_below_it_is_not() {
        let setting = Setting { current_range: Some(100.0), ..Setting::default() };
        assert_eq!(clipped(&setting, |_| 100.0), 1000);
        assert_eq!(clipped(&setting, |_| 99.9), 0);
    }

    #[test]
    fn a_moving_current_that_runs_into_the_same_highest_reading_is_clipped() {
        let moving = |n: u32| (85.0 + f64::from(n * 7 % 23) * 1.03).min(100.0);
        assert!(clipped(&Setting::default(), moving) > 200);
        let unclipped = |n: u32| 85.0 + f64::from(n * 7 % 23) * 1.03 + f64::from(n) * 1e-4;
        assert_eq!(clipped(&Setting::default(), unclipped), 0);
    }

    #[test]
    fn constant_stepped_and_coarsely_read_loads_are_not_clipped() {
        let setting = Setting::default();
        assert_eq!(clipped(&setting, |n| if n < 20 { 0.0 } else { 50.6 }), 0);
        assert_eq!(clipped(&setting, |n| [0.0, 20.0, 50.0][n as usize / 40 % 3]), 0);
        assert_eq!(clipped(&setting, |n| 1.0 + f64::from(n * 7 % 3) * 0.1), 0);
        // Constant current, then a taper.
        assert_eq!(
            clipped(&setting, |n| if n < 500 { 30.0 } else { 30.0 - f64::from(n - 499) * 0.05 }),
            0
        );
    }
}
