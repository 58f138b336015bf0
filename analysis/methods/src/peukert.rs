//! Peukert's exponent over several sessions of a pack: how much less it gives
//! at a higher rate. For constant current at one temperature only.

use serde::Serialize;

use crate::line_fit::LineFit;
use crate::rules::Rules;

/// One full discharge.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Run {
    /// Mean current, A (a magnitude).
    pub ampere: f64,
    /// How long it lasted, h.
    pub hour: f64,
}

/// `I^k · t = Cp`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Peukert {
    /// The exponent.
    pub exponent: f64,
    /// Its standard uncertainty from the scatter of the runs; `None` for two.
    pub exponent_standard: Option<f64>,
    /// `Cp`, A^k·h: the charge at one ampere.
    pub constant: f64,
    /// Share of the spread that the law explains.
    pub r_squared: f64,
    /// What keeps it from being proven, in plain words.
    pub doubts: Vec<String>,
}

/// A line through `ln t` against `ln I`; `None` for fewer than two rates.
pub fn fit(runs: &[Run], rules: &Rules) -> Option<Peukert> {
    let usable = |r: &&Run| r.ampere > 0.0 && r.hour > 0.0 && (r.ampere * r.hour).is_finite();
    let runs: Vec<&Run> = runs.iter().filter(usable).collect();
    let line = LineFit::of(runs.iter().map(|r| (r.ampere.ln(), r.hour.ln()))).line()?;
    let lowest = runs.iter().map(|r| r.ampere).fold(f64::INFINITY, f64::min);
    let span = runs.iter().map(|r| r.ampere).fold(0.0, f64::max) / lowest;
    let mut doubts = Vec::new();
    if (runs.len() as f64) < rules.peukert_rates {
        doubts.push(format!("{} rates; it takes {:.0}", runs.len(), rules.peukert_rates));
    }
    if span < rules.peukert_span {
        doubts.push(format!("the rates span {span:.1} times, not {:.0} times", rules.peukert_span));
    }
    if line.slope > -1.0 {
        doubts.push("the pack gave more at the higher rates: other things differed".to_owned());
    }
    Some(Peukert {
        exponent: -line.slope,
        exponent_standard: (line.degrees > 0.0).then_some(line.slope_standard),
        constant: line.intercept.exp(),
        r_squared: line.r_squared,
        doubts,
    })
}

/// How long a pack lasts by the law, h: `Cp / I^k`.
pub fn hours(constant: f64, exponent: f64, ampere: f64) -> f64 {
    constant / ampere.powf(exponent)
}

/// How long it lasts by its rating at an hour rate, h: `H · (C/(I·H))^k`.
pub fn hours_of_rating(capacity_ah: f64, rated_hour: f64, exponent: f64, ampere: f64) -> f64 {
    rated_hour * (capacity_ah / (ampere * rated_hour)).powf(exponent)
}
