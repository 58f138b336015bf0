//! What stands between a pack and its loads: standby draw, and an inverter as a
//! straight line from power taken to power given, when a second meter measures
//! the other side.

use ampledger_types::result::PhaseKind;
use serde::Serialize;

use crate::feed::seconds_between;
use crate::findings::FoundPhase;
use crate::line_fit::{Line, LineFit};
use crate::rules::Setting;

/// `P_dc = idle + slope · P_ac`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Inverter {
    /// Power taken with no load, W.
    pub idle_watt: f64,
    /// Power taken for each watt given, over the idle.
    pub slope: f64,
    /// Standard uncertainty of the idle power, W; `None` for two points.
    pub idle_standard_watt: Option<f64>,
    /// Standard uncertainty of the slope; `None` for two points.
    pub slope_standard: Option<f64>,
    /// Points it rests on.
    pub points: u64,
}

/// Both sides, read at the same instants, one pair after another.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct InverterFit {
    fit: LineFit,
}

impl InverterFit {
    /// Takes what the pack gave and what came out, W.
    pub fn push(&mut self, dc_watt: f64, ac_watt: f64) {
        if dc_watt.is_finite() && ac_watt.is_finite() {
            self.fit.push(ac_watt, dc_watt);
        }
    }

    /// The line so far; `None` while all loads are the same.
    pub fn model(&self) -> Option<Inverter> {
        let line: Line = self.fit.line()?;
        let known = |standard: f64| (line.degrees > 0.0).then_some(standard);
        Some(Inverter {
            idle_watt: line.intercept,
            slope: line.slope,
            idle_standard_watt: known(line.intercept_standard),
            slope_standard: known(line.slope_standard),
            points: self.fit.count() as u64,
        })
    }
}

impl Inverter {
    /// Power given over power taken at a load, W.
    pub fn efficiency(&self, ac_watt: f64) -> f64 {
        ac_watt / (self.idle_watt + self.slope * ac_watt)
    }

    /// What goes unseen by a meter on the far side in so many hours of idling.
    pub fn idle(&self, hour: f64, volt: f64) -> Standby {
        standby(self.idle_watt, hour, volt)
    }
}

/// Efficiency weighted over loads: share of the rating, weight, efficiency
/// (weights as Sandia's pages print those of the CEC). `None` where the weights
/// do not add up to 1.
pub fn weighted_efficiency(points: &[(f64, f64)]) -> Option<f64> {
    let weights: f64 = points.iter().map(|(weight, _)| weight).sum();
    let is_whole = (weights - 1.0).abs() < 1e-6;
    is_whole.then(|| points.iter().map(|(weight, efficiency)| weight * efficiency).sum())
}

/// A small draw over a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Standby {
    /// Mean current, A (a magnitude).
    pub ampere: f64,
    /// Mean power, W.
    pub watt: Option<f64>,
    /// For how long, h.
    pub hour: f64,
    /// Charge, Ah.
    pub ah: f64,
    /// Energy, Wh.
    pub wh: Option<f64>,
}

/// A power over a time at a voltage: also what a logger or display ahead of the
/// shunt draws unseen.
pub fn standby(watt: f64, hour: f64, volt: f64) -> Standby {
    let ampere = watt / volt;
    Standby { ampere, watt: Some(watt), hour, ah: ampere * hour, wh: Some(watt * hour) }
}

/// The standby draws among phases: discharges that stay below C/100, together.
/// `None` where there are none, or no rating says what that is.
pub fn standby_of(phases: &[FoundPhase], setting: &Setting) -> Option<Standby> {
    let limit = setting.rated_ah.filter(|c| *c > 0.0)? / setting.rules.standby_divisor_hour;
    let draws = phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Discharge && p.highest_current_ampere < limit);
    let (mut hour, mut ah, mut wh) = (0.0, 0.0, Some(0.0));
    for draw in draws {
        hour += seconds_between(draw.start_us, draw.end_us) / 3600.0;
        ah += draw.discharged_ah;
        wh = wh.zip(draw.discharged_wh).map(|(a, b)| a + b);
    }
    (hour > 0.0).then(|| Standby { ampere: ah / hour, watt: wh.map(|e| e / hour), hour, ah, wh })
}
