//! The current's offset, measured on a lead that carries nothing. Judges the
//! readings; changes no stored value. On a lead that rests but is connected the
//! same figure is a draw.

use serde::Serialize;

use crate::budget::Term;
use crate::line_fit::LineFit;
use crate::rules::{Rules, Setting};
use crate::uncertainty::{Shape, Spread, combined};

/// How the lead was, as a person says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Lead {
    /// Disconnected, or its contactor open.
    Disconnected,
    /// Connected, the pack at rest.
    Connected,
}

/// What was read.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Zero {
    /// Mean of the readings, A.
    pub mean_ampere: f64,
    /// Their standard deviation, A.
    pub deviation_ampere: f64,
    /// Standard uncertainty of the mean, A; half a step of the resolution at
    /// least counts as well.
    pub standard_ampere: f64,
    /// How many were taken, after settling.
    pub count: u64,
    /// Over how long, s.
    pub second: f64,
    /// The first reading taken, µs.
    pub from_us: i64,
    /// The last, µs.
    pub to_us: i64,
    /// Change from the first to the last by the straight line, A.
    pub drift_ampere: f64,
}

/// What the readings are.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Found {
    /// An offset that may be applied.
    Offset(Zero),
    /// What a resting lead draws; never an offset.
    Draw(Zero),
    /// Exact zeros: small currents do not show, and neither does the offset.
    DeadBand(Zero),
    /// Nothing that may be used, and why.
    Refused(String),
}

/// Judges readings (time in µs, A) of a lead. Those of the first minute are
/// left to settle.
pub fn judge(readings: &[(i64, f64)], lead: Lead, setting: &Setting) -> Found {
    let rules = &setting.rules;
    let Some((first_us, _)) = readings.first() else {
        return Found::Refused("there are no readings".to_owned());
    };
    let settled_us = first_us.saturating_add((rules.zero_settle_second * 1e6) as i64);
    let taken = readings.iter().filter(|(t_us, x)| *t_us >= settled_us && x.is_finite());
    let taken: Vec<(i64, f64)> = taken.copied().collect();
    let (zero, errors) = match measure(&taken, setting) {
        Ok(measured) => measured,
        Err(why) => return Found::Refused(why),
    };
    if let Some(why) = flows(zero.mean_ampere, setting) {
        return Found::Refused(why);
    }
    if errors > rules.zero_drift_errors {
        return Found::Refused(format!(
            "the readings drift by {:+.4} A over {:.0} s, {errors:.1} times its standard error",
            zero.drift_ampere, zero.second
        ));
    }
    match lead {
        Lead::Connected => Found::Draw(zero),
        Lead::Disconnected if taken.iter().all(|(_, x)| *x == 0.0) => Found::DeadBand(zero),
        Lead::Disconnected => Found::Offset(zero),
    }
}

/// Why a mean is a current, and no offset.
fn flows(mean_ampere: f64, setting: &Setting) -> Option<String> {
    let rules = &setting.rules;
    let (most, of) = match setting.current_range {
        Some(range) => {
            let percent = rules.zero_range_percent;
            (range * percent / 100.0, format!("{percent} % of the meter's range"))
        }
        None => {
            let most = rules.zero_unranged_ampere;
            (most, format!("{most} A, and the meter's range is not stated"))
        }
    };
    let says = format!("{mean_ampere:+.3} A is more than {of}: a current flows");
    (mean_ampere.abs() > most).then_some(says)
}

/// The readings in figures, and how many standard errors they drift by.
fn measure(taken: &[(i64, f64)], setting: &Setting) -> Result<(Zero, f64), String> {
    let rules = &setting.rules;
    let (Some((from_us, _)), Some((to_us, _))) = (taken.first(), taken.last()) else {
        return Err(format!(
            "there are only readings of the first {:.0} s, which are left to settle; wait, \
             then ask again",
            rules.zero_settle_second
        ));
    };
    let second = to_us.saturating_sub(*from_us) as f64 / 1e6;
    // A stretch of a minute has its readings up to one interval short of it.
    if second.round() < rules.zero_least_second || (taken.len() as f64) < rules.zero_least_samples {
        return Err(format!(
            "after the first {:.0} s, which are left to settle, there are {} readings over \
             {second:.0} s; it takes {:.0} over {:.0} s: wait, and look at a longer time \
             (`--over`) where the meter is slow",
            rules.zero_settle_second,
            taken.len(),
            rules.zero_least_samples,
            rules.zero_least_second
        ));
    }
    let mut spread = Spread::default();
    taken.iter().for_each(|(_, x)| spread.push(*x));
    let seconds = taken.iter().map(|(t, x)| (t.saturating_sub(*from_us) as f64 / 1e6, *x));
    let line = LineFit::of(seconds).line();
    let drift_ampere = line.map_or(0.0, |l| l.slope * second);
    let drift_standard = line.map_or(0.0, |l| l.slope_standard * second);
    let step = setting.current_resolution.unwrap_or(0.0);
    let of_mean = spread.of_mean().unwrap_or(0.0);
    // A drift of less than a step of the meter is none.
    let floor = drift_standard.max(step / 2.0);
    let errors = match drift_ampere == 0.0 {
        true => 0.0,
        false => drift_ampere.abs() / floor,
    };
    let zero = Zero {
        mean_ampere: spread.mean().unwrap_or(0.0),
        deviation_ampere: spread.deviation().unwrap_or(0.0),
        standard_ampere: of_mean.max(crate::uncertainty::of_step(step)),
        count: taken.len() as u64,
        second,
        from_us: *from_us,
        to_us: *to_us,
        drift_ampere,
    };
    Ok((zero, errors))
}

/// What remains uncertain of an offset once it is taken off.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ZeroLeft {
    /// What is taken off every reading, A.
    pub offset_ampere: f64,
    /// Standard uncertainty of the mean, A.
    pub standard_ampere: f64,
    /// Half of what a zero after the run differed by, A; `None` where none was
    /// taken.
    pub half_difference_ampere: Option<f64>,
}

/// A zero with what was around it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Taken {
    /// The zero.
    pub zero: Zero,
    /// Temperature near the meter, °C, where it is known.
    pub celsius: Option<f64>,
}

/// A zero before the run, and one after it if there is one: what is taken off,
/// what is left, and what keeps the figures provisional. `run` is the run's
/// beginning (µs, on the zeros' clock) and temperature.
pub fn left(
    before: &Taken,
    after: Option<&Taken>,
    run: (i64, Option<f64>),
    rules: &Rules,
) -> (ZeroLeft, Vec<String>) {
    let mut doubts = Vec::new();
    let age = run.0.saturating_sub(before.zero.to_us) as f64 / 1e6;
    if age > rules.zero_age_second {
        doubts.push(format!("the offset was taken {:.0} h before the run", age / 3600.0));
    }
    if let Some((zero, run)) = before.celsius.zip(run.1)
        && (zero - run).abs() > rules.zero_apart_kelvin
    {
        doubts.push(format!("the offset was taken at {zero:.0} °C, the run was at {run:.0} °C"));
    }
    if after.is_none() {
        doubts.push("no zero was taken after the run: how far it moved is not known".to_owned());
    }
    let half = after.map(|a| (a.zero.mean_ampere - before.zero.mean_ampere) / 2.0);
    let left = ZeroLeft {
        offset_ampere: before.zero.mean_ampere + half.unwrap_or(0.0),
        standard_ampere: before.zero.standard_ampere,
        half_difference_ampere: half.map(f64::abs),
    };
    (left, doubts)
}

impl ZeroLeft {
    /// Its standard uncertainty, A.
    pub fn standard(&self) -> f64 {
        let moved = Shape::Rectangular.standard(self.half_difference_ampere.unwrap_or(0.0));
        combined([self.standard_ampere, moved])
    }

    /// Its terms in a budget; one ampere adds `per_ampere` to the figure.
    pub fn terms(&self, per_ampere: f64) -> Vec<Term> {
        let says = format!("{:+.4} A was taken off", self.offset_ampere);
        let mean = Term::new(
            "zero of the current",
            self.standard_ampere * per_ampere,
            Shape::Normal,
            says,
        );
        let moved = self.half_difference_ampere.map(|half| {
            let says = format!("zeros before and after differ by {:.4} A", 2.0 * half);
            Term::new("zero moved", half * per_ampere, Shape::Rectangular, says)
        });
        [mean].into_iter().chain(moved).collect()
    }
}
