//! Characteristics that no standard lays out: one number, as its presentation
//! format descriptor (0x2904) says (Bluetooth Core, Volume 3, Part G, 3.3.3.5;
//! Assigned Numbers, 2.4.1).

use serde::Deserialize;

use super::characteristics::Truncated;
use super::form::{Value, decimal, medfloat16, medfloat32};

/// How the number is written, by the names and codes of the Assigned Numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs, reason = "the names say it")]
pub enum Format {
    Uint8,
    Uint16,
    Uint24,
    Uint32,
    Sint8,
    Sint16,
    Sint24,
    Sint32,
    Sint64,
    Float32,
    Float64,
    Medfloat16,
    Medfloat32,
}

impl Format {
    fn of_code(code: u8) -> Option<Self> {
        Some(match code {
            0x04 => Format::Uint8,
            0x06 => Format::Uint16,
            0x07 => Format::Uint24,
            0x08 => Format::Uint32,
            0x0C => Format::Sint8,
            0x0E => Format::Sint16,
            0x0F => Format::Sint24,
            0x10 => Format::Sint32,
            0x12 => Format::Sint64,
            0x14 => Format::Float32,
            0x15 => Format::Float64,
            0x16 => Format::Medfloat16,
            0x17 => Format::Medfloat32,
            _ => return None,
        })
    }

    const fn octets(self) -> usize {
        match self {
            Format::Uint8 | Format::Sint8 => 1,
            Format::Uint16 | Format::Sint16 | Format::Medfloat16 => 2,
            Format::Uint24 | Format::Sint24 => 3,
            Format::Uint32 | Format::Sint32 | Format::Float32 | Format::Medfloat32 => 4,
            Format::Sint64 | Format::Float64 => 8,
        }
    }

    /// The number times 10^`exponent`.
    pub fn read(self, bytes: &[u8], exponent: i8) -> Result<Value, Truncated> {
        let need = self.octets();
        let mut low = [0; 8];
        match bytes.get(..need) {
            None => return Err(Truncated { need, got: bytes.len() }),
            Some(bytes) => low[..need].copy_from_slice(bytes),
        }
        let unsigned = u64::from_le_bytes(low);
        let unused = 64 - 8 * need as u32;
        let signed = (unsigned << unused) as i64 >> unused;
        let value = match self {
            Format::Uint8 | Format::Uint16 | Format::Uint24 | Format::Uint32 => unsigned as f64,
            Format::Sint8 | Format::Sint16 | Format::Sint24 | Format::Sint32 | Format::Sint64 => {
                signed as f64
            }
            Format::Float32 => f64::from(f32::from_bits(unsigned as u32)),
            Format::Float64 => f64::from_bits(unsigned),
            Format::Medfloat16 => return Ok(scaled(medfloat16([low[0], low[1]]), exponent)),
            Format::Medfloat32 => {
                return Ok(scaled(medfloat32([low[0], low[1], low[2], low[3]]), exponent));
            }
        };
        Ok(scaled(Value::Number(value), exponent))
    }
}

fn scaled(value: Value, exponent: i8) -> Value {
    match value {
        Value::Number(number) if number.is_nan() => Value::Unknown("nan"),
        Value::Number(number) => match decimal(number, exponent.into()) {
            scaled if scaled.is_finite() => Value::Number(scaled),
            _ => Value::Wrong("infinite"),
        },
        other => other,
    }
}

/// What a presentation format descriptor says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Presentation {
    /// How the number is written.
    pub format: Format,
    /// It is to be multiplied by ten to this power.
    pub exponent: i8,
    /// Its unit.
    pub unit: &'static str,
}

impl Presentation {
    /// Reads the seven octets of a descriptor.
    pub fn read(bytes: &[u8]) -> Result<Self, String> {
        let [format, exponent, low, high, _name_space, _, _] = *bytes else {
            return Err(format!("has 7 octets, not {}", bytes.len()));
        };
        let unit = u16::from_le_bytes([low, high]);
        Ok(Presentation {
            format: Format::of_code(format)
                .ok_or_else(|| format!("has the format {format:#04x}, which is no number"))?,
            exponent: exponent as i8,
            unit: UNITS
                .iter()
                .find(|(uuid, _)| *uuid == unit)
                .map(|(_, symbol)| *symbol)
                .ok_or_else(|| {
                    format!("has the unit {unit:#06x}; write `format`, `exponent` and `unit`")
                })?,
        })
    }
}

/// Units that can be recorded, by UUID (Bluetooth SIG, `uuids/units.yaml`).
const UNITS: [(u16, &str); 9] = [
    (0x2704, "A"),
    (0x2726, "W"),
    (0x2727, "C"),
    (0x2728, "V"),
    (0x272A, "ohm"),
    (0x272F, "degC"),
    (0x27AB, "kWh"),
    (0x27AD, "%"),
    (0x27B0, "Ah"),
];
