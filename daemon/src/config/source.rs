//! `[sources.NAME]`: one connection, its decoder, its instrument.

use std::collections::BTreeMap;
use std::fmt;
use std::path::PathBuf;

use ampledger_decoders::config::{FieldConfig, PluginConfig, nearest, plugin};
use ampledger_decoders::{ConfigProblem, DecoderConfig};
use ampledger_types::Instrument;
use serde::{Deserialize, Serialize};

use super::ble::BleConfig;
use super::sessions::SessionsConfig;

/// One source. It is never written out as it stands: its options can hold a key.
#[derive(Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SourceConfig {
    /// Name of its decoder.
    pub decoder: String,
    /// The library it is in, where it is a plugin.
    #[serde(default)]
    pub plugin: Option<PluginConfig>,
    /// A serial line.
    #[serde(default)]
    pub serial: Option<SerialConfig>,
    /// A Bluetooth instrument.
    #[serde(default)]
    pub ble: Option<BleConfig>,
    /// A file that is played.
    #[serde(default)]
    pub replay: Option<ReplayConfig>,
    /// Which sessions begin and end by themselves.
    #[serde(default)]
    pub sessions: SessionsConfig,
    /// The decoder's own options.
    #[serde(default)]
    pub options: serde_json::Map<String, serde_json::Value>,
    /// What the decoder's fields are.
    #[serde(default)]
    pub fields: BTreeMap<String, FieldConfig>,
    /// The meter at the other end.
    #[serde(default)]
    pub instrument: Instrument,
}

/// A serial line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SerialConfig {
    /// The device, best by a name that stays: `/dev/serial/by-id/…`.
    #[serde(default)]
    pub path: Option<PathBuf>,
    /// Or the adapter that it hangs on, wherever it is plugged in.
    #[serde(default)]
    pub usb: Option<UsbIdentity>,
    /// Bits per second.
    #[serde(default = "default_baud")]
    pub baud: u32,
    /// Bits per character: 5 to 8.
    #[serde(default = "default_data_bits")]
    pub data_bits: u8,
    /// Parity bit.
    #[serde(default)]
    pub parity: Parity,
    /// Stop bits.
    #[serde(default)]
    pub stop_bits: StopBits,
}

fn default_baud() -> u32 {
    115_200
}

fn default_data_bits() -> u8 {
    8
}

/// What a USB serial adapter says of itself, in hexadecimal as `lsusb` prints.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UsbIdentity {
    /// Vendor, four hexadecimal digits.
    pub vendor_id: String,
    /// Product, four hexadecimal digits.
    pub product_id: String,
    /// Serial number, where the adapter has one.
    #[serde(default)]
    pub serial_number: Option<String>,
}

/// Parity bit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Parity {
    /// None.
    #[default]
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// Stop bits, written as 1 or 2.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub enum StopBits {
    /// One.
    #[default]
    One,
    /// Two.
    Two,
}

impl TryFrom<u8> for StopBits {
    type Error = String;

    fn try_from(n: u8) -> Result<Self, String> {
        match n {
            1 => Ok(StopBits::One),
            2 => Ok(StopBits::Two),
            n => Err(format!("{n} stop bits do not exist; write 1 or 2")),
        }
    }
}

impl From<StopBits> for u8 {
    fn from(bits: StopBits) -> u8 {
        match bits {
            StopBits::One => 1,
            StopBits::Two => 2,
        }
    }
}

/// A file that is played as if it arrived now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReplayConfig {
    /// A text file, or a recorded frame log (`.frames.jsonl`).
    pub file: PathBuf,
    /// How fast.
    #[serde(default)]
    pub rate: ReplayRate,
    /// Seconds between two lines of a text file whose lines carry no time.
    #[serde(default = "default_interval")]
    pub line_interval_second: f64,
}

fn default_interval() -> f64 {
    1.0
}

/// How fast a file is played: `"realtime"`, `"max"`, or a factor.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "serde_json::Value", into = "serde_json::Value")]
pub enum ReplayRate {
    /// As it was recorded, times this factor.
    Times(f64),
    /// As fast as it can be read.
    #[default]
    Max,
}

impl TryFrom<serde_json::Value> for ReplayRate {
    type Error = String;

    fn try_from(value: serde_json::Value) -> Result<Self, String> {
        match (value.as_str(), value.as_f64()) {
            (Some("realtime"), _) => Ok(ReplayRate::Times(1.0)),
            (Some("max"), _) => Ok(ReplayRate::Max),
            (_, Some(rate)) if rate > 0.0 && rate.is_finite() => Ok(ReplayRate::Times(rate)),
            _ => {
                Err(format!("{value} is no rate; write \"realtime\", \"max\" or a factor above 0"))
            }
        }
    }
}

impl From<ReplayRate> for serde_json::Value {
    fn from(rate: ReplayRate) -> Self {
        match rate {
            ReplayRate::Times(1.0) => "realtime".into(),
            ReplayRate::Times(rate) => rate.into(),
            ReplayRate::Max => "max".into(),
        }
    }
}

impl fmt::Debug for SourceConfig {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("SourceConfig")
            .field("decoder", &self.decoder)
            .field("serial", &self.serial)
            .field("ble", &self.ble)
            .field("replay", &self.replay)
            .field("plugin", &self.plugin)
            .field("decoder_config", &self.decoder_config())
            .field("instrument", &self.instrument)
            .finish()
    }
}

impl SourceConfig {
    /// The part a decoder is built from.
    pub fn decoder_config(&self) -> DecoderConfig {
        DecoderConfig { options: self.options.clone(), fields: self.fields.clone() }
    }

    /// Whether the sources that a session takes along are there.
    pub fn check_with(&self, names: &[String]) -> Option<ConfigProblem> {
        let missing = self.sessions.with.iter().find(|name| !names.contains(name))?;
        let mut what = format!("there is no source `{missing}`");
        if let Some(near) = nearest(missing, names.iter().map(String::as_str)) {
            what.push_str(&format!("; did you mean `{near}`?"));
        }
        Some(ConfigProblem::new("sessions.with", what))
    }

    /// Whether a session may begin by itself. What a mains-side meter reads is
    /// no pack.
    pub fn opens_sessions(&self) -> bool {
        let is_bench = self.replay.is_none() && self.decoder != "iec62056-21";
        self.sessions.open.unwrap_or(is_bench)
    }

    /// What is wrong beyond the form of the keys.
    pub fn check(&self, name: &str) -> Vec<ConfigProblem> {
        let mut problems = Vec::new();
        if name.is_empty() || name.contains(['.', '/']) {
            problems.push(ConfigProblem::new("", "a source's name has no `.` and no `/`"));
        }
        problems.extend(self.serial.iter().flat_map(SerialConfig::check));
        problems.extend(self.ble.iter().flat_map(|ble| ble.check(&self.options)));
        problems.extend(self.replay.iter().filter_map(ReplayConfig::check));
        let given = [
            ("serial", self.serial.is_some()),
            ("ble", self.ble.is_some()),
            ("replay", self.replay.is_some()),
        ];
        let given: Vec<&str> = given.iter().filter(|(_, is)| *is).map(|(key, _)| *key).collect();
        match given.as_slice() {
            [_] => {}
            [] => problems.push(ConfigProblem::new(
                "serial",
                "a connection is missing; give the source a table `serial`, `ble` or `replay`",
            )),
            [.., last] => {
                problems.push(ConfigProblem::new(*last, "a source has one connection, not two"));
            }
        }
        let config = self.decoder_config();
        problems.extend(plugin::check(&self.decoder, self.plugin.as_ref(), &config));
        problems
    }
}

impl SerialConfig {
    fn check(&self) -> Vec<ConfigProblem> {
        let mut problems = Vec::new();
        if self.path.is_some() == self.usb.is_some() {
            problems.push(ConfigProblem::new("serial", "give either `path` or `usb`"));
        }
        if !(5..=8).contains(&self.data_bits) {
            problems.push(ConfigProblem::new("serial.data_bits", "must be 5, 6, 7 or 8"));
        }
        if self.baud == 0 {
            problems.push(ConfigProblem::new("serial.baud", "must be above 0"));
        }
        if let Some(usb) = &self.usb {
            for (key, id) in [("vendor_id", &usb.vendor_id), ("product_id", &usb.product_id)] {
                if id.len() != 4 || u16::from_str_radix(id, 16).is_err() {
                    let what = "must be four hexadecimal digits, as `lsusb` prints them";
                    problems.push(ConfigProblem::new(format!("serial.usb.{key}"), what));
                }
            }
        }
        problems
    }
}

impl ReplayConfig {
    fn check(&self) -> Option<ConfigProblem> {
        let sound = self.line_interval_second > 0.0 && self.line_interval_second.is_finite();
        (!sound).then(|| ConfigProblem::new("replay.line_interval_second", "must be above 0"))
    }
}
