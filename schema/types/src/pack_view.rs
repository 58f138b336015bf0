//! What several sessions of one pack show together.

use serde::{Deserialize, Serialize};

use crate::figure::Status;

/// A pack over its sessions.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PackView {
    /// Its label.
    pub pack: String,
    /// Its sessions with a discharge, the oldest first.
    pub sessions: Vec<PackSession>,
    /// How much less it gives at a higher rate.
    pub peukert: Option<Peukert>,
    /// What stands between charge and load cost.
    pub self_discharge: Vec<Stand>,
}

/// One session in short.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PackSession {
    /// Its number.
    pub session: i64,
    /// Its start, seconds since 1970-01-01 UTC, where known.
    pub start_unix_time_second: Option<f64>,
    /// Capacity to the cut-off voltage, or what was given where that is not
    /// known, Ah.
    pub capacity_ah: f64,
    /// Whether it came to the cut-off voltage.
    pub is_to_cutoff: bool,
    /// Expanded uncertainty (k = 2), Ah.
    pub expanded_ah: Option<f64>,
    /// Mean current, A; negative on discharge.
    pub mean_current_ampere: f64,
    /// How well it is known.
    pub status: Status,
}

/// `I^k · t = Cp`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Peukert {
    /// The exponent.
    pub exponent: f64,
    /// Its standard uncertainty from the scatter; `None` for two rates.
    pub exponent_standard: Option<f64>,
    /// `Cp`, A^k·h.
    pub constant: f64,
    /// What keeps it from being proven.
    pub doubts: Vec<String>,
}

/// What a stand cost.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stand {
    /// The session before it.
    pub before: i64,
    /// The session after it.
    pub after: i64,
    /// How long the pack stood, days.
    pub days: f64,
    /// Percent of what was there before.
    pub percent: f64,
    /// Expanded uncertainty of that, percent.
    pub expanded_percent: Option<f64>,
    /// As percent in 30 days, by a straight line.
    pub percent_a_month: f64,
    /// As a current, A.
    pub ampere: f64,
    /// What keeps it from being proven.
    pub doubts: Vec<String>,
}
