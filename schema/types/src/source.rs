//! Where samples come from: a source is a configured connection with its
//! decoder and its instruments. An instrument is described (identity,
//! accuracy, wiring), because without that nothing can be proven.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// One meter: who it is, how good it is, how it is wired.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Instrument {
    /// Maker, as on the plate.
    pub maker: Option<String>,
    /// Model, as on the plate.
    pub model: Option<String>,
    /// Serial number, as on the plate or in the identification answer.
    pub serial_number: Option<String>,
    /// What powers the instrument.
    pub powered_by: Option<PoweredBy>,
    /// Where the voltage is read.
    pub voltage_sensed_at: Option<VoltageSensedAt>,
    /// What draws current ahead of the sensor, unseen by it.
    pub draws_ahead_of_sensor: Option<String>,
    /// Whether a reading is an average or a point sample.
    pub reading: Option<ReadingKind>,
    /// Over how long a reading is averaged, in seconds.
    pub averaging_second: Option<f64>,
    /// What it measures; the pack if missing.
    pub measures: Option<Measures>,
    /// Stated accuracy per channel name.
    pub accuracy: BTreeMap<String, Accuracy>,
}

/// What powers an instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PoweredBy {
    /// The pack under test: it goes dark when the pack does.
    PackUnderTest,
    /// Anything else.
    SomethingElse,
}

/// Where the voltage is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VoltageSensedAt {
    /// At the pack's terminals: no lead in between.
    PackTerminals,
    /// At the current sensor.
    Sensor,
    /// At the load.
    Load,
}

/// What an instrument measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measures {
    /// The pack, or its load.
    Pack,
    /// What an inverter on the pack gives: not the pack's current or voltage.
    InverterOutput,
}

/// What one reading stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReadingKind {
    /// The mean over an interval.
    Average,
    /// The value at one instant.
    PointSample,
}

/// What the maker or a certificate states about one channel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Accuracy {
    /// Limit of the gain error, in percent of the reading.
    pub gain_percent: Option<f64>,
    /// Limit of the offset, in the channel's unit.
    pub offset: Option<f64>,
    /// Smallest step, in the channel's unit.
    pub resolution: Option<f64>,
    /// Largest magnitude it can read, in the channel's unit.
    pub range: Option<f64>,
    /// How far its gain moves with temperature (a shunt's resistance does), ppm/K.
    pub temperature_ppm_per_kelvin: Option<f64>,
    /// The temperature at which it was calibrated, °C.
    pub calibrated_celsius: Option<f64>,
    /// Date of calibration, `YYYY-MM-DD`.
    pub calibrated: Option<String>,
    /// Number of the certificate.
    pub certificate: Option<String>,
}

/// What made a stretch of samples. Decoding again adds one; none is changed.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct DecodeSet {
    /// Name of the source.
    pub source: String,
    /// Name of the decoder.
    pub decoder: String,
    /// Version of the decoder.
    pub decoder_version: String,
    /// SHA-256 of the configuration it ran with, in hexadecimal.
    pub config_digest: String,
    /// What the instrument answered when asked who it is.
    pub identity: Option<String>,
}
