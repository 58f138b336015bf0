//! The thing under test, with its rating and what the rating is based on.

use serde::{Deserialize, Serialize};

use crate::verdict::Limit;

/// A battery pack.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Pack {
    /// The name people use, unique in the store, e.g. `GAL-07`.
    pub label: String,
    /// What it is rated at.
    pub rating: Option<Rating>,
    /// What it is made of.
    pub chemistry: Option<Chemistry>,
    /// Cells in series.
    pub cells_in_series: Option<u32>,
    /// The voltage it is charged to, V.
    pub charge_voltage_volt: Option<f64>,
    /// The voltage at which its discharge ends, V.
    pub cutoff_voltage_volt: Option<f64>,
    /// The highest current it may carry, A.
    pub maximum_current_ampere: Option<f64>,
    /// What a verdict holds its capacity against.
    pub limit: Option<Limit>,
    /// Maker, as on the label.
    pub maker: Option<String>,
    /// Model, as on the label.
    pub model: Option<String>,
    /// Serial number, as on the label.
    pub serial_number: Option<String>,
    /// Date code, as on the label.
    pub date_code: Option<String>,
    /// The owner's own reference.
    pub owner_reference: Option<String>,
    /// What was seen when it came in: swelling, leak, damage, terminals.
    pub visual_findings: Option<String>,
    /// Marked as unsafe to test.
    pub is_unsafe: bool,
}

/// A rated capacity and what it holds for.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Rating {
    /// Rated capacity, Ah.
    pub capacity_ah: f64,
    /// At what rate, where stated.
    pub basis: Option<RatingBasis>,
    /// At what temperature, °C, where stated.
    pub temperature_celsius: Option<f64>,
    /// To what end voltage, V, where stated.
    pub end_voltage_volt: Option<f64>,
}

/// The rate a rating holds for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RatingBasis {
    /// Emptied in this many hours at constant current.
    HourRate(f64),
    /// Emptied with this current, A (a magnitude).
    CurrentAmpere(f64),
}

/// Cell chemistry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Chemistry {
    /// Lithium iron phosphate.
    LithiumIronPhosphate,
    /// Lithium types charged to about 4.2 V a cell.
    LithiumIon,
    /// Lead-acid of any build.
    LeadAcid,
    /// Anything else.
    Other,
}

impl Chemistry {
    /// The words a person reads.
    pub const fn words(self) -> &'static str {
        match self {
            Chemistry::LithiumIronPhosphate => "lithium iron phosphate",
            Chemistry::LithiumIon => "lithium, 4.2 V type",
            Chemistry::LeadAcid => "lead-acid",
            Chemistry::Other => "other chemistry",
        }
    }
}
