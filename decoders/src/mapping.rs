//! From fields as they are written to channels as they are kept:
//! `kept = ((raw × scale + offset) × unit.factor + unit.offset) × sign`.
//! One mapping for every decoder. Never guesses between two units that
//! contradict each other: it refuses the field and says so.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use ampledger_types::unit::{Conversion, parse_unit};
use ampledger_types::{Channel, Group, Quantity, Unit};
use sha2::{Digest, Sha256};

use crate::config::{ConfigProblem, DecoderConfig, FieldConfig, Sign};

pub mod heading;

use heading::Role;

/// The configured fields of a source, checked.
#[derive(Clone, Debug, Default)]
pub struct Mapping {
    fields: BTreeMap<String, FieldConfig>,
}

/// One field, ready to convert.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// Where its readings go.
    pub channel: Channel,
    scale: f64,
    offset: f64,
    direction: f64,
    unit: Conversion,
    /// The configuration names the unit, so that one written elsewhere must agree.
    pinned: bool,
    missing: Vec<f64>,
}

impl Mapping {
    /// Checks the configured fields.
    pub fn new(config: &DecoderConfig) -> Result<Self, ConfigProblem> {
        let mapping = Mapping { fields: config.fields.clone() };
        let mut taken = HashSet::new();
        for name in config.fields.keys() {
            let Some(field) = mapping.field(name)? else { continue };
            let text = field.channel.name.clone();
            if !taken.insert(field.channel) {
                let what = format!(
                    "two fields go to the channel `{text}`; give one another `channel` or `instrument`"
                );
                return Err(ConfigProblem::new(format!("fields.{name}.channel"), what));
            }
        }
        Ok(mapping)
    }

    /// The configured names, in order.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.fields.keys().map(String::as_str)
    }

    /// Whether the configuration says what this heading or key is.
    pub fn is_configured(&self, text: &str) -> bool {
        let text = text.trim();
        self.fields.contains_key(text)
            || heading::part(text).is_some_and(|p| self.fields.contains_key(p.name))
    }

    /// The field that a heading or key stands for: configured under its full
    /// text or its name without the unit, or else recognised by itself.
    /// `None` for what is neither; a problem where the units contradict.
    pub fn field(&self, text: &str) -> Result<Option<Field>, ConfigProblem> {
        let text = text.trim();
        let parted = heading::part(text);
        let name = parted.map_or(text, |p| p.name);
        if let Some(config) = self.fields.get(text) {
            let unit = parted.filter(|p| p.is_certain()).map(|p| p.unit);
            return Field::new(config, unit, text).map(Some);
        }
        if let Some(config) = self.fields.get(name) {
            return Field::new(config, parted.map(|p| p.unit), name).map(Some);
        }
        match heading::recognise(text) {
            Some((Role::Measures(quantity), unit)) => {
                Field::new(&FieldConfig::of(quantity), unit, text).map(Some)
            }
            _ => Ok(None),
        }
    }
}

impl Field {
    /// A field as configured under `name`, with the unit its heading carries.
    pub fn new(
        config: &FieldConfig,
        written: Option<&str>,
        name: &str,
    ) -> Result<Self, ConfigProblem> {
        let problem =
            |key: &str, what: String| Err(ConfigProblem::new(format!("fields.{name}.{key}"), what));
        let quantity = config.quantity;
        if config.sign == Sign::DischargingPositive && !quantity.is_directed() {
            return problem("sign", format!("{quantity} has no direction; leave it out"));
        }
        if !config.scale.is_normal() || !config.offset.is_finite() {
            return problem("scale", "scale must be a number other than 0, offset a number".into());
        }
        let mut field = Field {
            channel: Channel {
                instrument: config.instrument.clone().unwrap_or_default(),
                name: config.channel_name(),
                quantity,
            },
            scale: config.scale,
            offset: config.offset,
            direction: if config.sign == Sign::DischargingPositive { -1.0 } else { 1.0 },
            unit: Conversion { unit: quantity.unit(), factor: 1.0, offset: 0.0 },
            pinned: false,
            missing: config.missing.clone(),
        };
        if let Some(unit) = &config.unit {
            match unit_of(quantity, unit) {
                Ok(unit) => (field.unit, field.pinned) = (unit, true),
                Err(what) => return problem("unit", what),
            }
        }
        if let Some(written) = written {
            match field.unit_written(written) {
                Ok(unit) => field.unit = unit,
                Err(what) => return problem("unit", format!("in the heading {what}")),
            }
        }
        Ok(field)
    }

    /// The same field, its numbers written in `unit` (from a row of units).
    pub fn written_in(&self, unit: &str) -> Result<Field, String> {
        Ok(Field { unit: self.unit_written(unit)?, ..self.clone() })
    }

    /// The value as it is kept. NaN where the number is the instrument's code
    /// for 'no value'. A unit behind the number wins over that of the heading,
    /// but must agree with a configured one.
    pub fn read(&self, raw: f64, unit: Option<&str>) -> Result<f64, String> {
        let unit = match unit {
            Some(text) => self.unit_written(text)?,
            None => self.unit,
        };
        self.kept(raw, &unit).ok_or_else(|| format!("{raw} is too large"))
    }

    /// The same of a number that stands alone; `None` where it is too large.
    #[inline]
    pub fn read_alone(&self, raw: f64) -> Option<f64> {
        self.kept(raw, &self.unit)
    }

    #[inline]
    fn kept(&self, raw: f64, unit: &Conversion) -> Option<f64> {
        if self.missing.contains(&raw) {
            return Some(f64::NAN);
        }
        let written = times(raw, self.scale) + self.offset;
        let kept = (times(written, unit.factor) + unit.offset) * self.direction;
        // Adding zero turns a minus zero, which a sign makes, into zero.
        kept.is_finite().then_some(kept + 0.0)
    }

    fn unit_written(&self, text: &str) -> Result<Conversion, String> {
        let unit = unit_of(self.channel.quantity, text)?;
        match self.pinned && unit != self.unit {
            true => Err(format!(
                "`{text}` is not the configured unit; leave `unit` out, or correct with `scale`"
            )),
            false => Ok(unit),
        }
    }
}

/// The product; by division where the factor stands for one, so that 950 mA
/// are 0.95 A and not 0.9500000000000001 A.
#[inline]
fn times(value: f64, factor: f64) -> f64 {
    // Most numbers are written as they are kept.
    if factor == 1.0 {
        return value;
    }
    let divisor = factor.recip().round();
    if divisor.recip() == factor { value / divisor } else { value * factor }
}

/// Reads a unit where `quantity` is expected. `C` and `F` are degrees where a
/// temperature is, as instruments print them.
fn unit_of(quantity: Quantity, text: &str) -> Result<Conversion, String> {
    let wanted = quantity.unit();
    let degrees = match (wanted, text.trim()) {
        (Unit::Celsius, "C" | "c") => parse_unit("degC"),
        (Unit::Celsius, "F" | "f") => parse_unit("degF"),
        _ => None,
    };
    match degrees.or_else(|| parse_unit(text)) {
        Some(unit) if unit.unit == wanted => Ok(unit),
        Some(_) => {
            Err(format!("`{text}` is no unit of {quantity}, which is in {}", wanted.symbol()))
        }
        None => Err(format!("`{text}` is no known unit; {quantity} is in {}", wanted.symbol())),
    }
}

/// Groups by their channels, each made once. Bounded: past the bound it
/// starts again.
#[derive(Debug, Default)]
pub struct Groups {
    known: HashMap<Vec<Channel>, Arc<Group>>,
    /// Most lines and frames are like the one before.
    latest: Option<Arc<Group>>,
}

impl Groups {
    const MOST: usize = 64;

    /// The group of these channels, named after them.
    pub fn of(&mut self, channels: Vec<Channel>) -> Arc<Group> {
        if let Some(latest) = self.latest.as_ref().filter(|group| group.channels == channels) {
            return Arc::clone(latest);
        }
        let group = self.looked_up(channels);
        self.latest = Some(Arc::clone(&group));
        group
    }

    fn looked_up(&mut self, channels: Vec<Channel>) -> Arc<Group> {
        if let Some(group) = self.known.get(&channels) {
            return Arc::clone(group);
        }
        if self.known.len() >= Self::MOST {
            self.known.clear();
        }
        let name = group_name(&channels);
        let group = Arc::new(Group { name, channels: channels.clone() });
        self.known.insert(channels, Arc::clone(&group));
        group
    }
}

/// A name that depends on nothing but the channels, so that the same columns
/// are the same group after a restart. Long ones are cut, with a digest.
fn group_name(channels: &[Channel]) -> String {
    const LONGEST: usize = 80;
    let names: Vec<String> = channels
        .iter()
        .map(|c| match c.instrument.as_str() {
            "" => c.name.clone(),
            instrument => format!("{instrument}.{}", c.name),
        })
        .collect();
    let name = names.join("+");
    if name.chars().count() <= LONGEST {
        return name;
    }
    let digest = Sha256::digest(name.as_bytes());
    let digest: String = digest.iter().take(4).map(|byte| format!("{byte:02x}")).collect();
    let head: String = name.chars().take(LONGEST - 9).collect();
    format!("{head}~{digest}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mapping(fields: serde_json::Value) -> Result<Mapping, ConfigProblem> {
        Mapping::new(&DecoderConfig {
            fields: serde_json::from_value(fields).unwrap(),
            ..DecoderConfig::default()
        })
    }

    fn read(mapping: &Mapping, heading: &str, raw: f64, unit: Option<&str>) -> Result<f64, String> {
        mapping.field(heading).unwrap().unwrap().read(raw, unit)
    }

    #[test]
    fn scale_offset_unit_and_sign_apply_in_this_order() {
        let m = mapping(serde_json::json!({
            "I": { "quantity": "current_ampere", "unit": "mA", "scale": 2.0, "offset": 100.0,
                   "sign": "discharging-positive", "missing": [32767.0] },
            "T": { "quantity": "temperature_t1_celsius", "unit": "K", "scale": 0.1 },
        }))
        .unwrap();
        assert_eq!(read(&m, "I", 5950.0, None), Ok(-12.0));
        assert_eq!(read(&m, "I", -50.0, None).unwrap().to_bits(), 0.0f64.to_bits());
        assert!(read(&m, "I", 32767.0, None).unwrap().is_nan());
        assert!((read(&m, "T", 2981.5, None).unwrap() - 25.0).abs() < 1e-9);
    }

    #[test]
    fn a_decimal_stays_the_decimal_it_is_written_as() {
        for (unit, factor) in [("mA", 1000), ("uA", 1_000_000)] {
            for raw in (0..100_000).step_by(7) {
                let read = read(&Mapping::default(), "I", f64::from(raw), Some(unit)).unwrap();
                let exact: f64 =
                    format!("{raw}e-{}", if factor == 1000 { 3 } else { 6 }).parse().unwrap();
                assert_eq!(read, exact, "{raw} {unit}");
            }
        }
    }

    #[test]
    fn the_unit_closest_to_the_number_wins_unless_one_is_configured() {
        let free = mapping(serde_json::json!({ "I": { "quantity": "current_ampere" } })).unwrap();
        assert_eq!(read(&free, "I", 1500.0, None), Ok(1500.0));
        assert_eq!(read(&free, "I [mA]", 1500.0, None), Ok(1.5));
        assert_eq!(read(&free, "I_mA", 1500.0, Some("A")), Ok(1500.0));
        assert!(read(&free, "I", 1.0, Some("V")).is_err());
        let pinned = serde_json::json!({ "I": { "quantity": "current_ampere", "unit": "mA" } });
        let pinned = mapping(pinned).unwrap();
        assert_eq!(read(&pinned, "I", 1500.0, Some("mA")), Ok(1.5));
        assert!(read(&pinned, "I", 1.5, Some("A")).is_err());
        assert_eq!(pinned.field("I (A)").unwrap_err().key, "fields.I.unit");
    }

    #[test]
    fn contradictions_are_refused_with_their_key() {
        for (key, fields) in [
            (
                "fields.U.unit",
                serde_json::json!({ "U": { "quantity": "voltage_volt", "unit": "mA" } }),
            ),
            (
                "fields.U.unit",
                serde_json::json!({ "U": { "quantity": "voltage_volt", "unit": "x" } }),
            ),
            (
                "fields.current_A.unit",
                serde_json::json!({ "current_A": { "quantity": "voltage_volt" } }),
            ),
            ("fields.U [mA].unit", serde_json::json!({ "U [mA]": { "quantity": "voltage_volt" } })),
            (
                "fields.U.scale",
                serde_json::json!({ "U": { "quantity": "voltage_volt", "scale": 0.0 } }),
            ),
            (
                "fields.U.sign",
                serde_json::json!({
                "U": { "quantity": "voltage_volt", "sign": "discharging-positive" } }),
            ),
            (
                "fields.b.channel",
                serde_json::json!({
                "a": { "quantity": "voltage_volt" }, "b": { "quantity": "voltage_volt" } }),
            ),
        ] {
            assert_eq!(mapping(fields).unwrap_err().key, key);
        }
        // An ending that only looks like a unit is none: T_A is the ambient's.
        let t = serde_json::json!({ "T_A": { "quantity": "ambient_temperature_celsius" } });
        assert_eq!(read(&mapping(t).unwrap(), "T_A", 21.0, None), Ok(21.0));
    }

    #[test]
    fn degrees_are_printed_as_letters() {
        let m = Mapping::default();
        assert_eq!(read(&m, "temperature_C", 25.0, None), Ok(25.0));
        assert!((read(&m, "Temp (F)", 212.0, None).unwrap() - 100.0).abs() < 1e-9);
    }

    #[test]
    fn group_names_are_short_and_tell_groups_apart() {
        let cells = |n: u16| (1..=n).map(|i| Channel::of(Quantity::CellVoltage(i))).collect();
        let mut groups = Groups::default();
        let (a, b) = (groups.of(cells(16)), groups.of(cells(17)));
        assert!(a.name.chars().count() <= 80 && a.name != b.name, "{}", a.name);
        assert!(Arc::ptr_eq(&a, &groups.of(cells(16))));
        assert_eq!(groups.of(cells(1)).name, "cell_voltage_1_volt");
    }
}
