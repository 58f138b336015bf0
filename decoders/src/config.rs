//! A source's decoder configuration: the decoder's own options and the mapping
//! from its fields to channels. Problems name the key, so that whoever read
//! the file can say the line.

pub mod locate;
pub mod plugin;
mod table;

use std::collections::BTreeMap;
use std::fmt;

use ampledger_types::Quantity;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

pub use plugin::PluginConfig;
pub use table::{DecoderTable, FileProblem, FileSource, build, collect};

/// What a decoder is built from. Written out as a whole it holds secrets: that is
/// for handing it to a decoder, never for showing.
#[derive(Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct DecoderConfig {
    /// The decoder's own options (`[sources.NAME.options]`).
    pub options: serde_json::Map<String, serde_json::Value>,
    /// What each of its fields is (`[sources.NAME.fields.FIELD]`).
    pub fields: BTreeMap<String, FieldConfig>,
}

/// What one field of a decoder's frames is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FieldConfig {
    /// What it measures.
    #[cfg_attr(test, schemars(with = "String"))]
    pub quantity: Quantity,
    /// Name of the channel; that of the quantity if missing.
    #[serde(default)]
    pub channel: Option<String>,
    /// Which instrument on the line it belongs to.
    #[serde(default)]
    pub instrument: Option<String>,
    /// The unit it is written in, if not the quantity's own.
    #[serde(default)]
    pub unit: Option<String>,
    /// Multiplies the number as written.
    #[serde(default = "one")]
    pub scale: f64,
    /// Added after the multiplication, in the unit as written.
    #[serde(default)]
    pub offset: f64,
    /// What a positive number means, for current and power.
    #[serde(default)]
    pub sign: Sign,
    /// Numbers that the instrument sends for 'no value'.
    #[serde(default)]
    pub missing: Vec<f64>,
}

fn one() -> f64 {
    1.0
}

/// The configured fields whose channels had no reading.
pub fn never_read(
    fields: &BTreeMap<String, FieldConfig>,
    is_read: impl Fn(&str) -> bool,
) -> Vec<String> {
    let absent = fields.iter().filter(|(_, field)| !is_read(&field.channel_name()));
    absent.map(|(name, _)| name.clone()).collect()
}

impl FieldConfig {
    /// A field that is written as it is kept.
    pub fn of(quantity: Quantity) -> Self {
        FieldConfig {
            quantity,
            channel: None,
            instrument: None,
            unit: None,
            scale: 1.0,
            offset: 0.0,
            sign: Sign::ChargingPositive,
            missing: Vec::new(),
        }
    }

    /// Name of the channel that its readings go to.
    pub fn channel_name(&self) -> String {
        self.channel.clone().unwrap_or_else(|| self.quantity.name())
    }
}

/// What a positive current or power means to the instrument.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Sign {
    /// The pack is being charged: as it is kept.
    #[default]
    ChargingPositive,
    /// The pack is being discharged: turned round on the way in.
    DischargingPositive,
}

/// One thing that is wrong with a configuration.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{key}`: {what}")]
pub struct ConfigProblem {
    /// Where, counted from the source's table, e.g. `options.delimiter`.
    pub key: String,
    /// What is wrong and what would be right.
    pub what: String,
}

impl ConfigProblem {
    /// A problem with one key.
    pub fn new(key: impl Into<String>, what: impl Into<String>) -> Self {
        ConfigProblem { key: key.into(), what: what.into() }
    }
}

/// Options that are never shown, whatever decoder they are for.
const SECRET_OPTIONS: [&str; 1] = ["key"];

impl fmt::Debug for DecoderConfig {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut options = self.options.clone();
        for (name, value) in &mut options {
            if SECRET_OPTIONS.contains(&name.as_str()) {
                *value = "(not shown)".into();
            }
        }
        f.debug_struct("DecoderConfig")
            .field("options", &options)
            .field("fields", &self.fields)
            .finish()
    }
}

impl DecoderConfig {
    /// The decoder's own options as its type. Unknown keys are refused with
    /// the nearest known one, if the type denies unknown fields.
    pub fn options<T: DeserializeOwned>(&self) -> Result<T, ConfigProblem> {
        let value = serde_json::Value::Object(self.options.clone());
        serde_path_to_error::deserialize(value).map_err(|error| {
            let path = error.path().to_string();
            let key = match path.as_str() {
                "." => "options".to_owned(),
                path => format!("options.{path}"),
            };
            ConfigProblem::new(key, with_nearest(&error.into_inner().to_string()))
        })
    }

    /// SHA-256 over decoder, version and configuration, in hexadecimal: the
    /// identity of a decode set's settings.
    pub fn digest(&self, decoder: &str, version: &str) -> String {
        let canonical = serde_json::json!({
            "decoder": decoder,
            "version": version,
            "options": self.options,
            "fields": self.fields,
        });
        let hash = Sha256::digest(canonical.to_string().as_bytes());
        hash.iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

/// Adds 'did you mean' to a message of the form ``unknown field `x`, expected
/// one of `a`, `b` ``, as serde writes it.
pub fn with_nearest(message: &str) -> String {
    let mut words = message.split('`').skip(1).step_by(2);
    let Some(unknown) = words.next() else { return message.to_owned() };
    if !message.starts_with("unknown ") {
        return message.to_owned();
    }
    match nearest(unknown, words) {
        Some(near) => format!("{message}; did you mean `{near}`?"),
        None => message.to_owned(),
    }
}

/// The known word that is most like `unknown`, if any is like it at all.
pub fn nearest<'a>(unknown: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    known
        .into_iter()
        .map(|word| (strsim::normalized_damerau_levenshtein(unknown, word), word))
        .filter(|(likeness, _)| *likeness > 0.4)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, word)| word)
}
