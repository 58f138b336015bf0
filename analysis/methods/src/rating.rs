//! A capacity beside its rating: percent, rate, hours; and whether the test was
//! run as the rating asks.

use ampledger_types::RatingBasis;
use ampledger_types::pack::Rating;
use serde::Serialize;

use crate::rules::Rules;

/// A capacity beside its rating.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct BesideRating {
    /// Percent of the rating.
    pub percent: f64,
    /// Mean current, A (a magnitude).
    pub mean_ampere: f64,
    /// Mean current over the rating, 1/h.
    pub c_rate: f64,
    /// The hours that rate stands for, h.
    pub hour_rate: f64,
}

/// A capacity beside its rating; `None` for no time or no rating.
pub fn beside(charge_ah: f64, hour: f64, rated_ah: f64) -> Option<BesideRating> {
    let mean_ampere = charge_ah / hour;
    let c_rate = mean_ampere / rated_ah;
    let all = BesideRating {
        percent: 100.0 * charge_ah / rated_ah,
        mean_ampere,
        c_rate,
        hour_rate: 1.0 / c_rate,
    };
    (hour > 0.0 && rated_ah > 0.0 && c_rate > 0.0).then_some(all)
}

/// Whether a test was run at the rating's rate and to its end voltage; `None`
/// where the rating does not say.
pub fn on_basis(
    rating: &Rating,
    mean_ampere: f64,
    cutoff_volt: Option<f64>,
    rules: &Rules,
) -> Option<bool> {
    let wanted = match rating.basis? {
        RatingBasis::HourRate(hour) => rating.capacity_ah / hour,
        RatingBasis::CurrentAmpere(ampere) => ampere,
    };
    let (ended, end) = (cutoff_volt?, rating.end_voltage_volt?);
    let near = |a: f64, b: f64, percent: f64| (a - b).abs() <= percent / 100.0 * b.abs();
    let is_at_rate = near(mean_ampere.abs(), wanted, rules.basis_current_percent);
    Some(is_at_rate && near(ended, end, rules.basis_voltage_percent))
}
