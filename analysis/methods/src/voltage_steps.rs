//! The charge that flowed in each even step of voltage, as intervals come. A
//! bounded number of steps, whatever the voltage does.

use crate::feed::{Interval, Silence};
use crate::rules::Setting;

/// Steps kept; a phase that spans more goes into the outermost.
const STEPS: usize = 4096;

#[derive(Clone, Debug)]
pub(crate) struct VoltageSteps {
    pub(crate) step_volt: f64,
    /// The number of the first step, and the charge in each, A·s.
    pub(crate) first: i64,
    pub(crate) charges: Vec<f64>,
    /// Over how long, s.
    seconds: f64,
    /// The step of the last interval: its place, and the voltages it lies between.
    here: Option<(usize, f64, f64)>,
}

impl VoltageSteps {
    pub(crate) fn new(setting: &Setting) -> VoltageSteps {
        let cells = f64::from(setting.cells_in_series.unwrap_or(1).max(1));
        let coarsest = setting.voltage_resolution.unwrap_or(0.0);
        let step_volt = setting.rules.incremental_step_volt * cells;
        VoltageSteps {
            step_volt: step_volt.max(coarsest).max(1e-6),
            first: 0,
            charges: Vec::new(),
            seconds: 0.0,
            here: None,
        }
    }

    /// Shares the charge of an interval out among the steps it passes; a
    /// silence says nothing of the voltages in it.
    pub(crate) fn book(&mut self, interval: &Interval) {
        let (from, to) = (&interval.from.reading, &interval.to.reading);
        let (Some(u1), Some(u2)) = (from.voltage_volt, to.voltage_volt) else { return };
        if interval.silence != Silence::None {
            return;
        }
        let charge = (from.current_ampere + to.current_ampere) / 2.0 * interval.seconds;
        self.seconds += interval.seconds;
        // Most intervals stay in the step of the one before.
        if let Some((at, low, high)) = self.here
            && u1 > low
            && u1 < high
            && u2 > low
            && u2 < high
        {
            self.charges[at] += charge;
            return;
        }
        let (low, high) = (u1.min(u2) / self.step_volt, u1.max(u2) / self.step_volt);
        let (first, last) = (floor(low), floor(high));
        if first == last || last.saturating_sub(first) > STEPS as i64 {
            self.add(first, charge);
            let at = first.saturating_sub(self.first);
            let begin = first as f64 * self.step_volt;
            let is_kept = first == last && (0..self.charges.len() as i64).contains(&at);
            self.here = is_kept.then_some((at as usize, begin, begin + self.step_volt));
            return;
        }
        self.here = None;
        for step in first..=last {
            let from = low.max(step as f64);
            let to = high.min(step.saturating_add(1) as f64);
            self.add(step, charge * (to - from) / (high - low));
        }
    }

    fn add(&mut self, step: i64, charge: f64) {
        if self.charges.is_empty() {
            self.first = step;
        }
        let below = self.first.saturating_sub(step).clamp(0, STEPS as i64) as usize;
        let below = below.min(STEPS.saturating_sub(self.charges.len()));
        if below > 0 {
            self.charges.splice(0..0, std::iter::repeat_n(0.0, below));
            self.first -= below as i64;
        }
        let at = step.saturating_sub(self.first).clamp(0, STEPS as i64 - 1) as usize;
        if at >= self.charges.len() {
            self.charges.resize(at + 1, 0.0);
        }
        self.charges[at] += charge;
    }

    /// Adds what another stretch of the same phase holds.
    pub(crate) fn absorb(&mut self, other: &VoltageSteps) {
        self.seconds += other.seconds;
        self.here = None;
        for (n, charge) in other.charges.iter().enumerate() {
            self.add(other.first.saturating_add(n as i64), *charge);
        }
    }

    /// The mean current, A (a magnitude).
    pub(crate) fn mean_ampere(&self) -> f64 {
        (self.charges.iter().sum::<f64>() / self.seconds).abs()
    }

    /// The charge that flowed between two voltages, Ah (a magnitude); a step
    /// that lies across one of them counts by its share.
    pub(crate) fn charge_between_ah(&self, low_volt: f64, high_volt: f64) -> f64 {
        let (low, high) = (low_volt / self.step_volt, high_volt / self.step_volt);
        let share = |n: usize| {
            let begin = (self.first + n as i64) as f64;
            (high.min(begin + 1.0) - low.max(begin)).max(0.0)
        };
        let charges = self.charges.iter().enumerate();
        (charges.map(|(n, c)| c * share(n)).sum::<f64>() / 3600.0).abs()
    }
}

/// The next whole number below.
fn floor(value: f64) -> i64 {
    let whole = value as i64;
    whole.saturating_sub(i64::from(whole as f64 > value))
}
