//! Pass or fail against a limit, guarded by the uncertainty (JCGM 106:2012,
//! guard band w = U): what lies nearer to the limit than that is not decided.

use serde::Serialize;

use crate::distributions::normal_probability;
use crate::rules::Rules;
use crate::uncertainty::COVERAGE;

/// What a pack is held against.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// A new pack: all of its rating.
    New,
    /// A used one.
    Used,
    /// The pack's or the person's own, percent of the rating.
    Own(f64),
}

impl Limit {
    /// Percent of the rating.
    pub fn percent(self, rules: &Rules) -> f64 {
        match self {
            Limit::New => rules.verdict_new_percent,
            Limit::Used => rules.verdict_used_percent,
            Limit::Own(percent) => percent,
        }
    }
}

/// What a figure says against a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// Above the limit by more than the uncertainty.
    Pass,
    /// Below it by more than the uncertainty.
    Fail,
    /// Too near, or something is missing.
    NotDecided,
}

/// A decision with what it rests on.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verdict {
    /// What is decided.
    pub decision: Decision,
    /// The limit, percent.
    pub limit_percent: f64,
    /// What was measured, percent of the rating.
    pub measured_percent: f64,
    /// Its expanded uncertainty, k = 2.
    pub uncertainty_percent: Option<f64>,
    /// The probability that the pack is above the limit, where it is known.
    pub probability: Option<f64>,
    /// What the value alone would say.
    pub unguarded: Decision,
    /// Why it is not decided, in plain words.
    pub reasons: Vec<String>,
}

/// What a verdict needs beside the figure.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Conditions {
    /// Whether the figure is proven.
    pub is_proven: bool,
    /// Whether the test was run at the rating's rate and end voltage; `None`
    /// where the rating does not say them.
    pub on_rating_basis: Option<bool>,
    /// Temperature of the pack (not of the air), °C.
    pub pack_celsius: Option<f64>,
    /// How far the pack's temperature moved in the hour before, K.
    pub moved_kelvin: Option<f64>,
    /// Age of the meter's calibration, days.
    pub calibration_age_day: Option<f64>,
}

/// Judges a capacity, all in percent of the rating.
pub fn judge(
    measured_percent: f64,
    uncertainty_percent: Option<f64>,
    limit: Limit,
    conditions: &Conditions,
    rules: &Rules,
) -> Verdict {
    let limit_percent = limit.percent(rules);
    let mut reasons = conditions.reasons(rules);
    let above = measured_percent - limit_percent;
    let guard = uncertainty_percent.filter(|u| u.is_finite() && *u >= 0.0);
    match guard {
        None => reasons.push("its uncertainty is not known".to_owned()),
        Some(guard) if above.abs() < guard || !above.is_finite() => reasons.push(format!(
            "{measured_percent:.1} % is nearer to the limit of {limit_percent:.1} % than its \
             uncertainty of {guard:.1} %"
        )),
        Some(_) => {}
    }
    let unguarded = if above >= 0.0 { Decision::Pass } else { Decision::Fail };
    Verdict {
        decision: if reasons.is_empty() { unguarded } else { Decision::NotDecided },
        limit_percent,
        measured_percent,
        uncertainty_percent: guard,
        probability: guard.map(|u| probability_above(above, u)),
        unguarded,
        reasons,
    }
}

/// The probability that the true value is above the limit, for a value above
/// it by `above` with the expanded uncertainty `expanded` (JCGM 106:2012).
pub fn probability_above(above: f64, expanded: f64) -> f64 {
    match expanded > 0.0 {
        true => normal_probability(above / (expanded / COVERAGE)),
        false => f64::from(above >= 0.0),
    }
}

impl Conditions {
    fn reasons(&self, rules: &Rules) -> Vec<String> {
        let mut reasons = Vec::new();
        let mut say = |is_so: bool, text: String| reasons.extend(is_so.then_some(text));
        say(!self.is_proven, "the figure is not proven".to_owned());
        say(
            self.on_rating_basis != Some(true),
            match self.on_rating_basis {
                None => "the rating does not say at what rate and to what end voltage it holds",
                _ => "the test was not run at the rate and end voltage of the rating",
            }
            .to_owned(),
        );
        let (low, high) = (rules.verdict_low_celsius, rules.verdict_high_celsius);
        match self.pack_celsius {
            None => say(true, "the temperature of the pack is not known".to_owned()),
            Some(at) => say(
                !(low..=high).contains(&at),
                format!("the pack was at {at:.0} °C, outside {low:.0} to {high:.0} °C"),
            ),
        }
        match self.moved_kelvin {
            None => say(true, "whether the pack had taken on its temperature is not known".into()),
            Some(by) => say(
                by > rules.verdict_soak_kelvin,
                format!("the pack's temperature moved by {by:.1} K in the hour before"),
            ),
        }
        match self.calibration_age_day {
            None => say(true, "the date of the meter's calibration is not known".to_owned()),
            Some(days) => say(
                days > rules.verdict_calibration_day,
                format!("the meter was calibrated {days:.0} days ago"),
            ),
        }
        reasons
    }
}
