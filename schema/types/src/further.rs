//! What a session shows beside its capacity: resistance from load steps, the
//! efficiency of a cycle, standby draw, an inverter, incremental capacity, a
//! lead-acid capacity brought to its reference temperature, and what it shows
//! with the pack's sessions before it. Each with what keeps it from being proven.

use serde::{Deserialize, Serialize};

use crate::pack_view::{Peukert, Stand};
use crate::result::Moment;

/// All of it, where the data allow.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Further {
    /// Resistance at steps of the load; the first hundred.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub resistance_steps: Vec<ResistanceStep>,
    /// What a short circuit carries at least.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub short_circuit: Option<ShortCircuit>,
    /// Out over in, from full to full.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub efficiency: Option<Efficiency>,
    /// What was drawn at standby level.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub standby: Option<Standby>,
    /// The capacity at the reference temperature, lead-acid.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_reference: Option<AtReference>,
    /// An inverter, where a second meter measures its other side.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inverter: Option<InverterLoss>,
    /// dQ/dV of the main discharge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub incremental: Option<Incremental>,
    /// Of this session and the pack's before it: how much less the pack gives
    /// at a higher rate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub peukert: Option<Peukert>,
    /// What a stand since the pack's session before cost.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub self_discharge: Option<Stand>,
}

/// A step of the load with the resistances that were read after it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ResistanceStep {
    /// The last reading before it.
    pub moment: Moment,
    /// Mean current before, A; negative on discharge.
    pub from_ampere: f64,
    /// Current after, A; negative on discharge.
    pub to_ampere: f64,
    /// By delay, the shortest first.
    pub read: Vec<ResistanceRead>,
    /// Why there is nothing at the other delays.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lacking: Vec<String>,
}

/// A resistance with the delay at which it was read.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ResistanceRead {
    /// The delay, s; the true one is shorter by at most the interval.
    pub delay_second: f64,
    /// The interval in which the step came, s.
    pub interval_second: f64,
    /// Ω.
    pub ohm: f64,
    /// Expanded uncertainty (k = 2), Ω; `None` where the accuracy is not stated.
    pub expanded_ohm: Option<f64>,
}

/// A short circuit, by a straight line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ShortCircuit {
    /// At least so much, A.
    pub at_least_ampere: f64,
    /// The delay of the resistance it rests on, s.
    pub delay_second: Option<f64>,
    /// What goes with it, always.
    pub caution: String,
}

/// Shares with their expanded uncertainties, k = 2.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Efficiency {
    /// Charge out over charge in.
    pub coulombic: f64,
    /// Its expanded uncertainty.
    pub coulombic_expanded: Option<f64>,
    /// Energy out over energy in.
    pub energy: Option<f64>,
    /// Its expanded uncertainty.
    pub energy_expanded: Option<f64>,
    /// What keeps it from being proven.
    pub doubts: Vec<String>,
}

/// What was drawn at standby level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
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

/// A capacity brought to its reference temperature.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AtReference {
    /// Ah; `None` where it cannot be worked out.
    pub capacity_ah: Option<f64>,
    /// The reference temperature, °C.
    pub reference_celsius: f64,
    /// How, or why not.
    pub says: String,
}

/// `power taken = idle + slope · power given`; uncertainties expanded, k = 2.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct InverterLoss {
    /// Power taken with no load, W.
    pub idle_watt: f64,
    /// Its expanded uncertainty; `None` where the accuracy is not stated.
    pub idle_expanded_watt: Option<f64>,
    /// Power taken for each further watt given.
    pub slope: f64,
    /// Its expanded uncertainty.
    pub slope_expanded: Option<f64>,
    /// Pairs of readings it rests on.
    pub pairs: u64,
    /// Lowest, mean and highest power given, W.
    pub given_watt: [f64; 3],
    /// Power given over power taken at the mean.
    pub efficiency: f64,
    /// What keeps it from being proven.
    pub doubts: Vec<String>,
}

/// The charge that flowed in each even step of voltage, over the step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Incremental {
    /// Width of a step, V.
    pub step_volt: f64,
    /// Its peaks, the highest first.
    pub peaks: Vec<CurvePeak>,
    /// The smoothed curve: volt and Ah/V, the lowest voltage first.
    pub curve: Vec<[f64; 2]>,
    /// What keeps it from being proven.
    pub doubts: Vec<String>,
}

/// A peak of dQ/dV.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePeak {
    /// V.
    pub volt: f64,
    /// Its expanded uncertainty (k = 2); `None` where the accuracy is not stated.
    pub expanded_volt: Option<f64>,
    /// Ah/V.
    pub ah_per_volt: f64,
}
