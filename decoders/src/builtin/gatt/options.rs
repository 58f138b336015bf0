//! `[sources.NAME.options]` of `gatt`, and what they make of each endpoint.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use ampledger_types::{Channel, Quantity};
use serde::de::value::MapAccessDeserializer;
use serde::de::{self, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};

use super::characteristics::{self, Characteristic};
use super::form::Form;
use super::vendor::{Format, Presentation};
use crate::config::{ConfigProblem, DecoderConfig, FieldConfig};
use crate::layout::options::Hex;
use crate::mapping::{Field, Mapping};

const MOST_CHARACTERISTICS: usize = 64;
/// Elapsed Time.
pub const ELAPSED: u16 = 0x2BF2;

/// The options; `characteristics` must be there.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Options {
    /// What is subscribed to, by UUID. Its place in this list is its endpoint.
    pub characteristics: Vec<Listed>,
    /// How old an Elapsed Time may be to be that of a sample, ms.
    #[serde(default = "elapsed_within")]
    pub elapsed_within_ms: u32,
}

fn elapsed_within() -> u32 {
    2000
}

/// One characteristic: its UUID, or a table with it.
#[derive(Clone, Debug)]
pub struct Listed(Entry);

/// The table.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    uuid: String,
    /// Its field's name, where the usual one will not do.
    #[serde(default)]
    field: Option<String>,
    /// For one that no standard lays out: how its number is written.
    #[serde(default)]
    format: Option<Format>,
    #[serde(default)]
    exponent: i8,
    #[serde(default)]
    unit: Option<String>,
    /// The same three, as the instrument's descriptor 0x2904 says them.
    #[serde(default)]
    presentation: Option<Hex>,
}

impl<'de> Deserialize<'de> for Listed {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either;

        impl<'de> Visitor<'de> for Either {
            type Value = Listed;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a UUID, as in \"2b18\", or a table with one")
            }

            fn visit_str<E: de::Error>(self, uuid: &str) -> Result<Listed, E> {
                Ok(Listed(Entry { uuid: uuid.to_owned(), ..Entry::default() }))
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<Listed, A::Error> {
                Entry::deserialize(MapAccessDeserializer::new(map)).map(Listed)
            }
        }

        deserializer.deserialize_any(Either)
    }
}

/// What arrives at one endpoint.
#[derive(Debug)]
pub struct Endpoint {
    /// How it is read.
    pub layout: Layout,
    /// Name and field of each value that is used, by its name in the layout.
    pub fields: BTreeMap<&'static str, (String, Field)>,
}

/// How a notification is read.
#[derive(Debug)]
pub enum Layout {
    /// By the standard.
    Standard(&'static Characteristic),
    /// As an Elapsed Time.
    Elapsed,
    /// As one number, in this unit if it has one.
    Vendor(Format, i8, Option<String>),
}

/// The name of the one value of [`Layout::Vendor`].
pub const VENDOR_VALUE: &str = "value";

impl Options {
    /// Checks the options and makes the endpoints.
    pub fn endpoints(&self, config: &DecoderConfig) -> Result<Vec<Endpoint>, ConfigProblem> {
        if !(1..=MOST_CHARACTERISTICS).contains(&self.characteristics.len()) {
            let what = format!("there must be 1 to {MOST_CHARACTERISTICS}");
            return Err(ConfigProblem::new("options.characteristics", what));
        }
        if self.elapsed_within_ms > 60_000 {
            let what = "must lie between 0 and 60000";
            return Err(ConfigProblem::new("options.elapsed_within_ms", what));
        }
        let mapping = Mapping::new(config)?;
        let mut unused: BTreeSet<&str> = mapping.names().collect();
        let mut taken: Vec<Channel> = Vec::new();
        let mut endpoints = Vec::new();
        for (i, Listed(entry)) in self.characteristics.iter().enumerate() {
            let key = format!("options.characteristics[{i}]");
            let endpoint = entry.endpoint(&key, &mapping)?;
            for (name, field) in endpoint.fields.values() {
                unused.remove(name.as_str());
                if taken.contains(&field.channel) {
                    let what = format!(
                        "its `{name}` goes to the same channel as that of another; give it \
                         another `field`, and say among the source's fields what that is"
                    );
                    return Err(ConfigProblem::new(key, what));
                }
                taken.push(field.channel.clone());
            }
            endpoints.push(endpoint);
        }
        match unused.pop_first() {
            Some(name) => {
                let what = "no characteristic has a value of that name";
                Err(ConfigProblem::new(format!("fields.{name}"), what))
            }
            None => Ok(endpoints),
        }
    }
}

impl Entry {
    fn endpoint(&self, key: &str, mapping: &Mapping) -> Result<Endpoint, ConfigProblem> {
        let problem =
            |part: &str, what: String| Err(ConfigProblem::new(format!("{key}.{part}"), what));
        let uuid = match uuid(&self.uuid) {
            Ok(uuid) => uuid,
            Err(what) => return problem("uuid", what),
        };
        if let Some(vendor) = self.vendor(key)? {
            return self.vendor_endpoint(key, vendor, mapping);
        }
        let Some(uuid) = uuid else {
            let what = "it is no standard's: say how its number is written, with `format`, \
                        `exponent` and `unit`, or with `presentation`";
            return problem("uuid", what.to_owned());
        };
        if uuid == ELAPSED {
            return Ok(Endpoint { layout: Layout::Elapsed, fields: BTreeMap::new() });
        }
        let Some(standard) = characteristics::find(uuid) else {
            let known: Vec<String> = characteristics::CHARACTERISTICS
                .iter()
                .map(|known| format!("{:04x} {}", known.uuid, known.name))
                .collect();
            let what = format!(
                "{uuid:04x} is not known here; known are {}, {ELAPSED:04x} Elapsed Time; for \
                 another say how its number is written, with `format`",
                known.join(", ")
            );
            return problem("uuid", what);
        };
        let fields = self.standard_fields(standard, mapping)?;
        Ok(Endpoint { layout: Layout::Standard(standard), fields })
    }

    fn standard_fields(
        &self,
        standard: &'static Characteristic,
        mapping: &Mapping,
    ) -> Result<BTreeMap<&'static str, (String, Field)>, ConfigProblem> {
        let mut fields = BTreeMap::new();
        for part in standard.parts {
            if matches!(part.form, Form::Bits(..) | Form::Date | Form::Word(_)) {
                continue;
            }
            let name = standard.field_name(part.name, self.field.as_deref());
            if let Some(field) = known_field(&name, part.quantity, mapping)? {
                checked_unit(&name, &field, part.form.unit())?;
                fields.insert(part.name, (name, field));
            }
        }
        Ok(fields)
    }

    fn vendor(&self, key: &str) -> Result<Option<Layout>, ConfigProblem> {
        match (&self.presentation, self.format) {
            (Some(hex), None) => match Presentation::read(&hex.0) {
                Ok(Presentation { format, exponent, unit }) => {
                    Ok(Some(Layout::Vendor(format, exponent, Some(unit.to_owned()))))
                }
                Err(what) => {
                    let what = format!("a presentation format descriptor {what}");
                    Err(ConfigProblem::new(format!("{key}.presentation"), what))
                }
            },
            (Some(_), Some(_)) => {
                let what = "goes without `format`: it says the same";
                Err(ConfigProblem::new(format!("{key}.presentation"), what))
            }
            (None, Some(format)) => {
                Ok(Some(Layout::Vendor(format, self.exponent, self.unit.clone())))
            }
            (None, None) if self.exponent != 0 || self.unit.is_some() => {
                let what = "is needed beside `exponent` and `unit`, as in \"sint32\"";
                Err(ConfigProblem::new(format!("{key}.format"), what))
            }
            (None, None) => Ok(None),
        }
    }

    fn vendor_endpoint(
        &self,
        key: &str,
        layout: Layout,
        mapping: &Mapping,
    ) -> Result<Endpoint, ConfigProblem> {
        let problem = |what: String| Err(ConfigProblem::new(format!("{key}.field"), what));
        let Some(name) = &self.field else {
            return problem("is needed: a name for what it measures".to_owned());
        };
        let Some(field) = mapping.field(name)? else {
            return problem(format!("`{name}` is not among the source's fields; add it there"));
        };
        if let Layout::Vendor(_, _, Some(unit)) = &layout {
            checked_unit(name, &field, unit)?;
        }
        let fields = BTreeMap::from([(VENDOR_VALUE, (name.clone(), field))]);
        Ok(Endpoint { layout, fields })
    }
}

/// The field as configured, or as the standard has it.
fn known_field(
    name: &str,
    quantity: Option<Quantity>,
    mapping: &Mapping,
) -> Result<Option<Field>, ConfigProblem> {
    match quantity {
        _ if mapping.is_configured(name) => mapping.field(name),
        Some(quantity) => Field::new(&FieldConfig::of(quantity), None, name).map(Some),
        None => Ok(None),
    }
}

fn checked_unit(name: &str, field: &Field, unit: &str) -> Result<(), ConfigProblem> {
    match field.read(1.0, Some(unit).filter(|unit| !unit.is_empty())) {
        Ok(_) => Ok(()),
        Err(what) => Err(ConfigProblem::new(
            format!("fields.{name}"),
            format!("the characteristic's {what}"),
        )),
    }
}

/// The 16 bits of a UUID of the Bluetooth SIG; `None` for another's UUID.
fn uuid(text: &str) -> Result<Option<u16>, String> {
    /// Behind the first 32 bits of each UUID of the Bluetooth SIG.
    const BASE: &str = "00001000800000805f9b34fb";
    let digits = text.trim().to_lowercase();
    let digits = digits.strip_prefix("0x").unwrap_or(&digits).replace('-', "");
    let short = match digits.len() {
        _ if !digits.bytes().all(|b| b.is_ascii_hexdigit()) => "",
        4 => digits.as_str(),
        32 if digits.starts_with("0000") && digits.ends_with(BASE) => &digits[4..8],
        32 => return Ok(None),
        _ => "",
    };
    u16::from_str_radix(short, 16).map(Some).map_err(|_| {
        format!("`{text}` is no UUID; write four hexadecimal digits, or all 32 with hyphens")
    })
}

#[cfg(test)]
mod tests {
    use super::uuid;

    #[test]
    fn uuids_are_read_short_and_long() {
        for text in ["2b18", "0x2B18", "00002b18-0000-1000-8000-00805f9b34fb"] {
            assert_eq!(uuid(text), Ok(Some(0x2B18)), "{text}");
        }
        assert_eq!(uuid("e95d9250-251d-470a-a062-fa1922dfa9a8"), Ok(None));
        for text in
            ["", "2b", "+b18", "é", "g95d9250-251d-470a-a062-fa1922dfa9a8", "éééééééééééééééé"]
        {
            assert!(uuid(text).is_err(), "{text}");
        }
    }
}
