//! The objects of BTHome v2 (bthome.io, "Format", 2026-04-30): every id with its
//! length, so that one that is not used costs nothing behind it. Knows nothing
//! of channels.

use ampledger_types::Quantity;

/// How an object is written behind its id.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Form {
    /// An integer of so many bytes, with or without sign, times the first and
    /// divided by the second number.
    Number(usize, bool, f64, f64),
    /// Seconds since 1970-01-01 UTC, 4 bytes.
    Timestamp,
    /// A length, then so many bytes.
    Counted,
    /// A length in the low five bits, then a code and so many bytes.
    Command,
    /// The kind of device, 2 bytes.
    DeviceType,
    /// Parts of a version, the least significant first.
    Firmware(usize),
}

/// One kind of object.
#[derive(Debug)]
pub struct Object {
    /// Its id.
    pub id: u8,
    /// Its name; several ids can have the same.
    pub name: &'static str,
    /// How it is written.
    pub form: Form,
    /// Its unit; empty where none can be recorded.
    pub unit: &'static str,
    /// What it measures, where it leaves no doubt.
    pub quantity: Option<Quantity>,
}

/// What an object says.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number in the object's unit.
    Number(f64),
    /// A time, microseconds since 1970-01-01 UTC.
    Time(i64),
    /// Something about the device: its type, its firmware.
    Identity(String),
    /// Anything that is no number.
    Other,
}

/// The packet id.
pub const PACKET_ID: u8 = 0x00;

/// Why reading stops; what came before counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Stop {
    /// Its length is not known, so nothing behind it can be read.
    #[error("unknown object id {0:#04X}")]
    Unknown(u8),
    /// The data ends in it.
    #[error("truncated object {0:#04X}")]
    Truncated(u8),
}

/// Hands each object to `each`, up to one that cannot be read.
pub fn read(mut bytes: &[u8], mut each: impl FnMut(&'static Object, Value)) -> Result<(), Stop> {
    while let Some((id, rest)) = bytes.split_first() {
        let object = OBJECTS.iter().find(|object| object.id == *id).ok_or(Stop::Unknown(*id))?;
        let (head, length) = object.form.extent(rest).ok_or(Stop::Truncated(*id))?;
        let value = rest.get(head..head + length).ok_or(Stop::Truncated(*id))?;
        each(object, object.form.value(value));
        bytes = &rest[head + length..];
    }
    Ok(())
}

impl Form {
    /// The bytes ahead of the value, and its own.
    fn extent(self, rest: &[u8]) -> Option<(usize, usize)> {
        Some(match self {
            Form::Number(octets, ..) | Form::Firmware(octets) => (0, octets),
            Form::Timestamp => (0, 4),
            Form::DeviceType => (0, 2),
            Form::Counted => (1, usize::from(*rest.first()?)),
            Form::Command => (1, 1 + usize::from(*rest.first()? & 0x1F)),
        })
    }

    fn value(self, bytes: &[u8]) -> Value {
        let unsigned = || bytes.iter().rev().fold(0u64, |n, byte| n << 8 | u64::from(*byte));
        match self {
            Form::Number(octets, signed, times, per_unit) => {
                let unused = 64 - 8 * octets as u32;
                let raw = unsigned() << unused;
                let raw =
                    if signed { (raw as i64 >> unused) as f64 } else { (raw >> unused) as f64 };
                Value::Number(raw * times / per_unit)
            }
            Form::Timestamp => Value::Time(unsigned() as i64 * 1_000_000),
            Form::DeviceType => Value::Identity(format!("type {}", unsigned())),
            Form::Firmware(_) => {
                let parts: Vec<String> = bytes.iter().rev().map(u8::to_string).collect();
                Value::Identity(format!("firmware {}", parts.join(".")))
            }
            Form::Counted | Form::Command => Value::Other,
        }
    }
}

const fn unsigned(id: u8, name: &'static str, octets: usize, per_unit: f64) -> Object {
    Object { id, name, form: Form::Number(octets, false, 1.0, per_unit), unit: "", quantity: None }
}

const fn signed(id: u8, name: &'static str, octets: usize, per_unit: f64) -> Object {
    Object { id, name, form: Form::Number(octets, true, 1.0, per_unit), unit: "", quantity: None }
}

const fn other(id: u8, name: &'static str, form: Form) -> Object {
    Object { id, name, form, unit: "", quantity: None }
}

impl Object {
    const fn measuring(self, unit: &'static str, quantity: Quantity) -> Object {
        Object { unit, quantity: Some(quantity), ..self }
    }

    const fn by(self, unit: &'static str) -> Object {
        Object { unit, ..self }
    }
}

use Quantity::{Current, EnergyCounter, Power, StateOfCharge, Voltage};
const T1: Quantity = Quantity::Temperature(1);

/// Every object. States and events have a number like any other.
pub static OBJECTS: &[Object] = &[
    unsigned(0x00, "packet_id", 1, 1.0),
    unsigned(0x01, "battery", 1, 1.0).measuring("%", StateOfCharge),
    signed(0x02, "temperature", 2, 100.0).measuring("degC", T1),
    unsigned(0x03, "humidity", 2, 100.0).by("%"),
    unsigned(0x04, "pressure", 3, 100.0),
    unsigned(0x05, "illuminance", 3, 100.0),
    unsigned(0x06, "mass", 2, 100.0),
    unsigned(0x07, "mass_pounds", 2, 100.0),
    signed(0x08, "dew_point", 2, 100.0).by("degC"),
    unsigned(0x09, "count", 1, 1.0),
    unsigned(0x0A, "energy", 3, 1.0).measuring("Wh", EnergyCounter),
    unsigned(0x0B, "power", 3, 100.0).measuring("W", Power),
    unsigned(0x0C, "voltage", 2, 1_000.0).measuring("V", Voltage),
    unsigned(0x0D, "pm25", 2, 1.0),
    unsigned(0x0E, "pm10", 2, 1.0),
    unsigned(0x0F, "generic_state", 1, 1.0),
    unsigned(0x10, "power_on", 1, 1.0),
    unsigned(0x11, "opening", 1, 1.0),
    unsigned(0x12, "carbon_dioxide", 2, 1.0),
    unsigned(0x13, "volatile_organic_compounds", 2, 1.0),
    unsigned(0x14, "moisture", 2, 100.0).by("%"),
    unsigned(0x15, "battery_low", 1, 1.0),
    unsigned(0x16, "battery_charging", 1, 1.0),
    unsigned(0x17, "carbon_monoxide", 1, 1.0),
    unsigned(0x18, "cold_detected", 1, 1.0),
    unsigned(0x19, "connectivity", 1, 1.0),
    unsigned(0x1A, "door", 1, 1.0),
    unsigned(0x1B, "garage_door", 1, 1.0),
    unsigned(0x1C, "gas_detected", 1, 1.0),
    unsigned(0x1D, "heat_detected", 1, 1.0),
    unsigned(0x1E, "light_detected", 1, 1.0),
    unsigned(0x1F, "lock", 1, 1.0),
    unsigned(0x20, "moisture_detected", 1, 1.0),
    unsigned(0x21, "motion", 1, 1.0),
    unsigned(0x22, "moving", 1, 1.0),
    unsigned(0x23, "occupancy", 1, 1.0),
    unsigned(0x24, "plug", 1, 1.0),
    unsigned(0x25, "presence", 1, 1.0),
    unsigned(0x26, "problem", 1, 1.0),
    unsigned(0x27, "running", 1, 1.0),
    unsigned(0x28, "safety", 1, 1.0),
    unsigned(0x29, "smoke", 1, 1.0),
    unsigned(0x2A, "sound", 1, 1.0),
    unsigned(0x2B, "tamper", 1, 1.0),
    unsigned(0x2C, "vibration", 1, 1.0),
    unsigned(0x2D, "window", 1, 1.0),
    unsigned(0x2E, "humidity", 1, 1.0).by("%"),
    unsigned(0x2F, "moisture", 1, 1.0).by("%"),
    unsigned(0x3A, "button", 1, 1.0),
    other(0x3B, "command", Form::Command),
    unsigned(0x3C, "dimmer", 2, 1.0),
    unsigned(0x3D, "count", 2, 1.0),
    unsigned(0x3E, "count", 4, 1.0),
    signed(0x3F, "rotation", 2, 10.0),
    unsigned(0x40, "distance", 2, 1.0),
    unsigned(0x41, "distance", 2, 10.0),
    unsigned(0x42, "duration", 3, 1_000.0).by("s"),
    unsigned(0x43, "current", 2, 1_000.0).measuring("A", Current),
    unsigned(0x44, "speed", 2, 100.0),
    signed(0x45, "temperature", 2, 10.0).measuring("degC", T1),
    unsigned(0x46, "uv_index", 1, 10.0),
    unsigned(0x47, "volume", 2, 10.0),
    unsigned(0x48, "volume", 2, 1.0),
    unsigned(0x49, "volume_flow_rate", 2, 1_000.0),
    unsigned(0x4A, "voltage", 2, 10.0).measuring("V", Voltage),
    unsigned(0x4B, "gas", 3, 1_000.0),
    unsigned(0x4C, "gas", 4, 1_000.0),
    unsigned(0x4D, "energy", 4, 1.0).measuring("Wh", EnergyCounter),
    unsigned(0x4E, "volume", 4, 1_000.0),
    unsigned(0x4F, "water", 4, 1_000.0),
    other(0x50, "timestamp", Form::Timestamp),
    unsigned(0x51, "acceleration", 2, 1_000.0),
    unsigned(0x52, "gyroscope", 2, 1_000.0),
    other(0x53, "text", Form::Counted),
    other(0x54, "raw", Form::Counted),
    unsigned(0x55, "volume_storage", 4, 1_000.0),
    unsigned(0x56, "conductivity", 2, 1.0),
    signed(0x57, "temperature", 1, 1.0).measuring("degC", T1),
    other(0x58, "temperature", Form::Number(1, true, 35.0, 100.0)).measuring("degC", T1),
    signed(0x59, "count", 1, 1.0),
    signed(0x5A, "count", 2, 1.0),
    signed(0x5B, "count", 4, 1.0),
    signed(0x5C, "power", 4, 100.0).measuring("W", Power),
    signed(0x5D, "current", 2, 1_000.0).measuring("A", Current),
    unsigned(0x5E, "direction", 2, 100.0),
    unsigned(0x5F, "precipitation", 2, 10.0),
    unsigned(0x60, "channel", 1, 1.0),
    unsigned(0x61, "rotational_speed", 2, 1.0),
    signed(0x62, "speed", 4, 1_000_000.0),
    signed(0x63, "acceleration", 4, 1_000_000.0),
    unsigned(0x64, "light_level", 1, 1.0),
    unsigned(0x65, "settings_revision", 1, 1.0),
    other(0xF0, "device_type", Form::DeviceType),
    other(0xF1, "firmware", Form::Firmware(4)),
    other(0xF2, "firmware", Form::Firmware(3)),
];
