//! Temperature correction of a capacity: lead-acid only, because only for it
//! (and nickel-cadmium) do standards define one.

use ampledger_types::Chemistry;
use serde::Serialize;

use crate::rules::Rules;

/// A corrected capacity, or why there is none.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Corrected {
    /// The capacity at the reference temperature, Ah.
    pub capacity_ah: Option<f64>,
    /// The reference temperature, °C.
    pub reference_celsius: f64,
    /// The coefficient used, 1/K.
    pub lambda_per_kelvin: Option<f64>,
    /// How, or why not, in plain words.
    pub says: String,
}

/// `C / (1 + λ·(θ − θref))` (printed by a lead-acid maker for λ 0.006 and
/// 0.01; IEC 60896-11 and -21 as their origin, from memory).
pub fn corrected(capacity_ah: f64, celsius: f64, lambda_per_kelvin: f64, reference: f64) -> f64 {
    capacity_ah / (1.0 + lambda_per_kelvin * (celsius - reference))
}

/// A capacity at the reference temperature, for a run of so many hours at the
/// pack's own temperature.
pub fn correct(
    capacity_ah: f64,
    hour: f64,
    pack_celsius: Option<f64>,
    chemistry: Option<Chemistry>,
    rules: &Rules,
) -> Corrected {
    let reference_celsius = rules.lead_reference_celsius;
    let none = |says: &str| Corrected {
        capacity_ah: None,
        reference_celsius,
        lambda_per_kelvin: None,
        says: says.to_owned(),
    };
    match chemistry {
        Some(Chemistry::LeadAcid) => {}
        Some(Chemistry::LithiumIronPhosphate | Chemistry::LithiumIon) => {
            return none(
                "no correction: no standard defines one for lithium, and what temperature does \
                 depends on the cell; the temperature is reported instead",
            );
        }
        _ => return none("no correction is known for this chemistry"),
    }
    let Some(celsius) = pack_celsius.filter(|t| t.is_finite()) else {
        return none("the temperature of the pack is not known");
    };
    let lambda = match hour <= rules.lead_fast_hour {
        true => rules.lead_lambda_fast_per_kelvin,
        false => rules.lead_lambda_per_kelvin,
    };
    let at_reference = corrected(capacity_ah, celsius, lambda, reference_celsius);
    if !(at_reference > 0.0 && at_reference.is_finite()) {
        return none("the temperature is too far from the reference");
    }
    Corrected {
        capacity_ah: Some(at_reference),
        reference_celsius,
        lambda_per_kelvin: Some(lambda),
        says: format!(
            "from {celsius:.1} °C to {reference_celsius:.0} °C with {lambda}/K; coefficients as a \
             lead-acid maker prints them"
        ),
    }
}

/// How far a pack's temperature moved in the hour before a moment, K; `None`
/// where the readings (time in µs, °C) do not go back that far.
pub fn moved_kelvin(readings: &[(i64, f64)], at_us: i64, rules: &Rules) -> Option<f64> {
    let begin_us = at_us.saturating_sub((rules.verdict_soak_second * 1e6) as i64);
    readings.iter().find(|(t_us, _)| *t_us <= begin_us)?;
    let within = readings.iter().filter(|(t_us, _)| *t_us >= begin_us && *t_us <= at_us);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for (_, celsius) in within.filter(|(_, celsius)| celsius.is_finite()) {
        (low, high) = (low.min(*celsius), high.max(*celsius));
    }
    (high >= low).then_some(high - low)
}

/// Run time of a deep-cycle block brought to 27 °C, `t·(1 − 0.009·(θ − 27))`,
/// θ at the end of the discharge; printed by a maker for 24 to 32 °C only,
/// `None` outside.
pub fn deep_cycle_minutes(minutes: f64, end_celsius: f64) -> Option<f64> {
    (24.0..=32.0).contains(&end_celsius).then_some(minutes * (1.0 - 0.009 * (end_celsius - 27.0)))
}

/// The same as the maker prints it in °F: `t·(1 − 0.005·(T − 80))`, for the
/// same range.
pub fn deep_cycle_minutes_fahrenheit(minutes: f64, end_fahrenheit: f64) -> Option<f64> {
    (75.0..=90.0)
        .contains(&end_fahrenheit)
        .then_some(minutes * (1.0 - 0.005 * (end_fahrenheit - 80.0)))
}

/// Time-adjusted percentage of a lead-acid test, `100·Ta/(Ts·KT)`; `KT` is the
/// person's, 1 at the reference temperature (Ta/Ts as a maker prints it after
/// IEEE 450-2002; KT from memory, no table is shipped).
pub fn time_adjusted_percent(test_hour: f64, rated_hour: f64, kt: f64) -> f64 {
    100.0 * test_hour / (rated_hour * kt)
}

/// Test current for a cold or warm battery, `I/K` (a maker's manual after IEEE
/// 450-2002; K is the person's).
pub fn rate_adjusted_ampere(published_ampere: f64, factor: f64) -> f64 {
    published_ampere / factor
}

/// The factor by a quadratic that public energy models print as a fit to IEEE
/// 485, table 1: a cross-check of factors, never a default.
pub fn published_fit_factor(celsius: f64) -> f64 {
    1.0 / (0.711_009_126 + 0.013_866_789_5 * celsius - 0.000_093_332_591 * celsius * celsius)
}
