//! What a session shows beside its capacity: resistance from load steps, the
//! efficiency of a cycle, standby draw, a lead-acid capacity brought to its
//! reference temperature. Each with what keeps it from being proven.

use serde::{Deserialize, Serialize};

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
