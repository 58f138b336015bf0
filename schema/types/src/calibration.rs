//! Zeros and calibrations: dated records about one channel of a source, applied
//! when readings are read and never to what is stored; and what travels about them.

use serde::{Deserialize, Serialize};

use crate::result::Moment;
use crate::session::Bound;

/// A channel that can be corrected.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Calibrated {
    /// The current.
    Current,
    /// The voltage.
    Voltage,
}

impl Calibrated {
    /// The word a person reads.
    pub const fn words(self) -> &'static str {
        match self {
            Calibrated::Current => "current",
            Calibrated::Voltage => "voltage",
        }
    }

    /// The symbol of its unit.
    pub const fn unit(self) -> &'static str {
        match self {
            Calibrated::Current => "A",
            Calibrated::Voltage => "V",
        }
    }
}

/// A dated record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Its number in the store, from 1.
    pub id: i64,
    /// The source.
    pub source: String,
    /// The channel.
    pub channel: Calibrated,
    /// When it was taken: its last reading.
    pub taken: Bound,
    /// It holds from here: its first reading, or earlier on purpose.
    pub from: Bound,
    /// What it changes.
    pub change: Change,
    /// Who the instrument said it was. It holds for no other.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub identity: Option<String>,
}

/// `GET /v1/sources/{name}/calibrations`, one record
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibrationLine {
    /// The record as it is kept.
    #[serde(flatten)]
    pub record: Calibration,
    /// When it was taken, seconds since 1970-01-01 UTC, where known.
    pub taken_unix_time_second: Option<f64>,
    /// From when it holds, where known.
    pub from_unix_time_second: Option<f64>,
}

/// What a record changes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// Where the meter read this there was nothing; the gain stays.
    Zero(Zero),
    /// `corrected = offset + gain · raw`, in place of all before it.
    Line(Line),
}

/// An offset, measured on a lead that carried nothing.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Zero {
    /// Mean of the readings, A.
    pub mean_ampere: f64,
    /// Their standard deviation, A.
    pub deviation_ampere: f64,
    /// Standard uncertainty of the mean, A.
    pub standard_ampere: f64,
    /// How many were taken, after settling.
    pub count: u64,
    /// Over how long, s.
    pub second: f64,
    /// Change from the first to the last by the straight line, A.
    pub drift_ampere: f64,
    /// Mean temperature near the meter meanwhile, °C, where it is recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub celsius: Option<f64>,
}

/// A line through known values.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Multiplier.
    pub gain: f64,
    /// Added.
    pub offset: f64,
    /// The outermost points it rests on.
    pub points: [Point; 2],
    /// Standard deviation of further points about it; 0 with two.
    pub scatter: f64,
    /// What it was compared with, in words.
    pub against: String,
}

/// A reading with what it should have been.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// As the meter read it.
    pub raw: f64,
    /// As it was.
    pub truth: f64,
    /// Standard uncertainty of that.
    #[serde(default)]
    pub standard: f64,
}

/// A record that a session's figures used.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibrationUsed {
    /// Its number.
    pub id: i64,
    /// The source.
    pub source: String,
    /// The channel.
    pub channel: Calibrated,
    /// When it was taken, where its clock can be related to the session's.
    pub taken: Option<Moment>,
    /// For how many readings.
    pub readings: u64,
    /// In words.
    pub says: String,
}

/// `POST /v1/sources/{name}/zero`
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ZeroRequest {
    /// The lead is connected and the pack rests: tells what it draws, and
    /// applies nothing.
    pub connected: bool,
    /// How far back the readings are looked at, s; 180 if missing. The first
    /// minute is left to settle.
    pub over_second: Option<f64>,
    /// It also holds for what was read since this time: RFC 3339, or as in
    /// `20 min ago`.
    pub back: Option<String>,
}

/// `POST /v1/sources/{name}/calibrations`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrateRequest {
    /// Which channel.
    pub channel: Calibrated,
    /// Two points; none where a reference meter is named.
    #[serde(default)]
    pub points: Vec<Point>,
    /// A source that read the same beside it.
    #[serde(default)]
    pub reference: Option<Reference>,
    /// It also holds for what was read since this time.
    #[serde(default)]
    pub back: Option<String>,
}

/// A meter that is compared with.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reference {
    /// Its source.
    pub source: String,
    /// From when on both are looked at: RFC 3339, or as in `20 min ago`.
    pub since: String,
    /// Standard uncertainty of what it reads.
    #[serde(default)]
    pub standard: f64,
}

/// What came of a zero or a calibration.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CalibrationResponse {
    /// `offset`, `draw`, `dead_band` or `line`.
    pub found: String,
    /// In words, with its figures.
    pub says: String,
    /// What was measured, where it was a zero.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zero: Option<Zero>,
    /// The record that holds now; `None` where nothing is applied.
    pub applied: Option<Calibration>,
    /// The ended sessions whose revision grew.
    pub sessions: Vec<i64>,
}
