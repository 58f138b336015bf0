//! Incremental capacity dQ/dV of one phase: the charge that flowed in each even
//! step of voltage. No difference of noisy readings is ever taken, so the area
//! between two voltages is the charge between them. Bounded memory.

use serde::Serialize;

use crate::axis::Row;
use crate::feed::{Fed, Feed, Interval, Silence};
use crate::findings::FoundPhase;
use crate::rules::Setting;

/// Steps kept; a phase that spans more goes into the outermost.
const STEPS: usize = 4096;

/// A second pass over the rows of a phase.
#[derive(Clone, Debug)]
pub struct Incremental {
    feed: Feed,
    phase: (i64, i64),
    step_volt: f64,
    smooth: usize,
    peak_share: f64,
    blunt_ampere: Option<f64>,
    /// The number of the first step, and the charge in each, A·s.
    first: i64,
    charges: Vec<f64>,
    highest_ampere: f64,
}

/// A place of a curve.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Place {
    /// Voltage, V: the middle of its step.
    pub volt: f64,
    /// dQ/dV, Ah/V (a magnitude).
    pub ah_per_volt: f64,
}

/// The curve of a phase.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Curve {
    /// Width of a step, V.
    pub step_volt: f64,
    /// Charge in each step over its width, not smoothed.
    pub raw: Vec<Place>,
    /// Smoothed; keeps the area.
    pub smooth: Vec<Place>,
    /// Its peaks, the highest first.
    pub peaks: Vec<Place>,
    /// What to mind, in plain words.
    pub doubts: Vec<String>,
}

impl Incremental {
    /// For the rows of a session that gave `phase` under `setting`.
    pub fn new(phase: &FoundPhase, setting: &Setting) -> Incremental {
        let rules = &setting.rules;
        let cells = f64::from(setting.cells_in_series.unwrap_or(1).max(1));
        let coarsest = setting.voltage_resolution.unwrap_or(0.0);
        let rated = setting.rated_ah.filter(|c| *c > 0.0);
        Incremental {
            feed: Feed::new(setting),
            phase: (phase.start_us, phase.end_us),
            step_volt: (rules.incremental_step_volt * cells).max(coarsest).max(1e-6),
            smooth: rules.incremental_smooth_steps.clamp(0.0, 1000.0) as usize,
            peak_share: rules.incremental_peak_percent / 100.0,
            blunt_ampere: rated.map(|c| c / rules.incremental_divisor_hour),
            first: 0,
            charges: Vec::new(),
            highest_ampere: 0.0,
        }
    }

    /// Takes the next row.
    pub fn push(&mut self, row: &Row) {
        if let Fed::Interval(interval) = self.feed.push(row)
            && interval.silence == Silence::None
            && interval.from.t_us >= self.phase.0
            && interval.to.t_us <= self.phase.1
        {
            self.book(&interval);
        }
    }

    /// Shares the charge of an interval out among the steps it passes.
    fn book(&mut self, interval: &Interval) {
        let (from, to) = (&interval.from.reading, &interval.to.reading);
        let (Some(u1), Some(u2)) = (from.voltage_volt, to.voltage_volt) else { return };
        let charge = (from.current_ampere + to.current_ampere) / 2.0 * interval.seconds;
        self.highest_ampere = self.highest_ampere.max(to.current_ampere.abs());
        let (low, high) = (u1.min(u2) / self.step_volt, u1.max(u2) / self.step_volt);
        let (first, last) = (low.floor() as i64, high.floor() as i64);
        if first == last || last.saturating_sub(first) > STEPS as i64 {
            self.add(first, charge);
            return;
        }
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

    /// The charge that flowed between two voltages, Ah (a magnitude); a step
    /// that lies across one of them counts by its share.
    pub fn charge_between_ah(&self, low_volt: f64, high_volt: f64) -> f64 {
        let (low, high) = (low_volt / self.step_volt, high_volt / self.step_volt);
        let share = |n: usize| {
            let begin = (self.first + n as i64) as f64;
            (high.min(begin + 1.0) - low.max(begin)).max(0.0)
        };
        let charges = self.charges.iter().enumerate();
        (charges.map(|(n, c)| c * share(n)).sum::<f64>() / 3600.0).abs()
    }

    /// The curve so far.
    pub fn curve(&self) -> Curve {
        let per_volt = |c: &f64| (c / 3600.0 / self.step_volt).abs();
        let raw: Vec<f64> = self.charges.iter().map(per_volt).collect();
        let smooth = smoothed(&raw, self.smooth);
        let mut doubts = Vec::new();
        match self.blunt_ampere {
            Some(limit) if self.highest_ampere > limit => doubts.push(format!(
                "{:.1} A is above {limit:.1} A: peaks are moved and blunted",
                self.highest_ampere
            )),
            Some(_) => {}
            None => doubts.push("the rated capacity is not known: the rate is not judged".into()),
        }
        Curve {
            step_volt: self.step_volt,
            peaks: peaks(&self.places(&smooth), self.peak_share),
            raw: self.places(&raw),
            smooth: self.places(&smooth),
            doubts,
        }
    }

    fn places(&self, values: &[f64]) -> Vec<Place> {
        let volt = |n: usize| ((self.first + n as i64) as f64 + 0.5) * self.step_volt;
        let place = |(n, ah): (usize, &f64)| Place { volt: volt(n), ah_per_volt: *ah };
        values.iter().enumerate().map(place).collect()
    }
}

/// Each value handed out in a triangle to its neighbours; at the ends to those
/// there are, so that the area stays.
fn smoothed(values: &[f64], each_way: usize) -> Vec<f64> {
    let mut out = vec![0.0; values.len()];
    for (n, value) in values.iter().enumerate() {
        let (low, high) =
            (n.saturating_sub(each_way), (n + each_way).min(values.len().saturating_sub(1)));
        let weight = |m: usize| (each_way + 1 - m.abs_diff(n)) as f64;
        let whole: f64 = (low..=high).map(weight).sum();
        (low..=high).for_each(|m| out[m] += value * weight(m) / whole);
    }
    out
}

/// Places higher than their neighbours that stand out from the lowest place
/// between them and a higher one.
fn peaks(places: &[Place], share: f64) -> Vec<Place> {
    let highest = places.iter().map(|p| p.ah_per_volt).fold(0.0, f64::max);
    let stands_out = |n: usize| {
        let here = places[n].ah_per_volt;
        let saddle = |side: &mut dyn Iterator<Item = &Place>| {
            let mut low = here;
            for place in side {
                if place.ah_per_volt > here {
                    return low;
                }
                low = low.min(place.ah_per_volt);
            }
            0.0
        };
        let left = saddle(&mut places[..n].iter().rev());
        let right = saddle(&mut places[n + 1..].iter());
        here - left.max(right) >= share * highest
    };
    // Of two equal ones side by side the first.
    let is_top = |n: &usize| {
        let here = places[*n].ah_per_volt;
        let falls_after = places.get(n + 1).is_none_or(|p| here >= p.ah_per_volt);
        let rose_before = n.checked_sub(1).is_none_or(|m| here > places[m].ah_per_volt);
        here > 0.0 && falls_after && rose_before
    };
    let tops = (0..places.len()).filter(is_top).filter(|n| stands_out(*n));
    let mut found: Vec<Place> = tops.map(|n| places[n]).collect();
    found.sort_by(|a, b| b.ah_per_volt.total_cmp(&a.ah_per_volt));
    found
}
