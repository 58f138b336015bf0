//! Incremental capacity dQ/dV of one phase: the charge that flowed in each even
//! step of voltage. No difference of noisy readings is ever taken, so the area
//! between two voltages is the charge between them. Bounded memory.

use serde::Serialize;

use crate::axis::Row;
use crate::budget::voltage_limit;
use crate::feed::{Fed, Feed};
use crate::findings::FoundPhase;
use crate::rules::Setting;
use crate::uncertainty::{COVERAGE, Shape, combined, of_step};
use crate::voltage_steps::VoltageSteps;

/// A mean within this of the rate is at it.
const SAME_RATE: f64 = 1.01;

/// A curve of fewer steps than this has no shape to speak of.
const FEWEST: usize = 8;

/// A second pass over the rows of a phase.
#[derive(Clone, Debug)]
pub struct Incremental {
    feed: Feed,
    phase: (i64, i64),
    steps: VoltageSteps,
    setting: Setting,
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
        Incremental {
            feed: Feed::new(setting),
            phase: (phase.start_us, phase.end_us),
            steps: VoltageSteps::new(setting),
            setting: setting.clone(),
        }
    }

    /// Takes the next row.
    pub fn push(&mut self, row: &Row) {
        if let Fed::Interval(interval) = self.feed.push(row)
            && interval.from.t_us >= self.phase.0
            && interval.to.t_us <= self.phase.1
        {
            self.steps.book(&interval);
        }
    }

    /// The charge that flowed between two voltages, Ah (a magnitude); a step
    /// that lies across one of them counts by its share.
    pub fn charge_between_ah(&self, low_volt: f64, high_volt: f64) -> f64 {
        self.steps.charge_between_ah(low_volt, high_volt)
    }

    /// The curve so far.
    pub fn curve(&self) -> Curve {
        curve(&self.steps, &self.setting)
    }
}

impl Curve {
    /// The curve of steps that have a shape; `None` for a few.
    pub(crate) fn of(steps: &VoltageSteps, setting: &Setting) -> Option<Curve> {
        (steps.charges.len() >= FEWEST).then(|| curve(steps, setting))
    }

    /// How far the voltage of a place may be off (k = 2), V: the meter, and the
    /// width of a step. `None` where the meter's accuracy is not stated.
    pub fn expanded_volt(&self, volt: f64, setting: &Setting) -> Option<f64> {
        let of_meter = Shape::Rectangular.standard(voltage_limit(volt, setting)?);
        Some(COVERAGE * combined([of_meter, of_step(self.step_volt)]))
    }
}

fn curve(steps: &VoltageSteps, setting: &Setting) -> Curve {
    let rules = &setting.rules;
    let per_volt = |c: &f64| (c / 3600.0 / steps.step_volt).abs();
    let raw: Vec<f64> = steps.charges.iter().map(per_volt).collect();
    let each_way = rules.incremental_smooth_steps.clamp(0.0, 1000.0) as usize;
    let smooth = smoothed(&raw, each_way);
    let share = rules.incremental_peak_percent / 100.0;
    let (mean, mut doubts) = (steps.mean_ampere(), Vec::new());
    match setting.rated_ah.filter(|c| *c > 0.0).map(|c| c / rules.incremental_divisor_hour) {
        Some(limit) if mean > limit * SAME_RATE => doubts.push(format!(
            "{mean:.1} A in the mean is above {limit:.1} A: peaks are moved and blunted"
        )),
        Some(_) => {}
        None => doubts.push("the rated capacity is not known: the rate is not judged".into()),
    }
    Curve {
        step_volt: steps.step_volt,
        peaks: peaks(&places(steps, &smooth), share, each_way + 1),
        raw: places(steps, &raw),
        smooth: places(steps, &smooth),
        doubts,
    }
}

fn places(steps: &VoltageSteps, values: &[f64]) -> Vec<Place> {
    let volt = |n: usize| ((steps.first + n as i64) as f64 + 0.5) * steps.step_volt;
    let place = |(n, ah): (usize, &f64)| Place { volt: volt(n), ah_per_volt: *ah };
    values.iter().enumerate().map(place).collect()
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
/// between them and a higher one; the highest from the lowest on either side.
/// The ends of a curve are steps that it filled in part: no valley is read there.
fn peaks(places: &[Place], share: f64, ends: usize) -> Vec<Place> {
    let places = places.get(ends..places.len().saturating_sub(ends)).unwrap_or_default();
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
            low
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
