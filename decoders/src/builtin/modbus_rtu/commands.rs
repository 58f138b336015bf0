//! What somebody may want of a unit: a coil or registers to be written. Reads
//! the command's arguments; sends nothing.

use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::frame::{Request, What};
use super::plan::Unit;
use crate::decoder::Command;

/// At most so many registers in one write (V1.1b3, 6.12).
const MOST_WRITTEN: usize = 123;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WriteCoil {
    #[serde(default)]
    unit: Option<String>,
    address: u16,
    value: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WriteRegister {
    #[serde(default)]
    unit: Option<String>,
    address: u16,
    value: i32,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WriteRegisters {
    #[serde(default)]
    unit: Option<String>,
    address: u16,
    values: Vec<i32>,
}

/// The place of the unit a command is for, and what to send; or why not.
pub fn request(command: &Command, units: &[Unit]) -> Result<(usize, Request), String> {
    let (unit, what) = match command.name.as_str() {
        "write-coil" => {
            let WriteCoil { unit, address, value } = arguments(&command.arguments)?;
            (unit, What::WriteCoil { address, on: value })
        }
        "write-register" => {
            let WriteRegister { unit, address, value } = arguments(&command.arguments)?;
            (unit, What::WriteRegister { address, value: register(value)? })
        }
        "write-registers" => {
            let WriteRegisters { unit, address, values } = arguments(&command.arguments)?;
            let values = values.into_iter().map(register).collect::<Result<Vec<u16>, String>>()?;
            if !(1..=MOST_WRITTEN).contains(&values.len()) {
                return Err(format!("`values` must be 1 to {MOST_WRITTEN} registers"));
            }
            if usize::from(address) + values.len() > 65536 {
                return Err("the last register would lie beyond 65535".to_owned());
            }
            (unit, What::WriteRegisters { address, values })
        }
        other => {
            return Err(format!(
                "modbus-rtu takes write-coil, write-register and write-registers, not `{other}`"
            ));
        }
    };
    let place = match &unit {
        None if units.len() == 1 => Some(0),
        None => return Err("`unit` must name one of the units on the line".to_owned()),
        Some(name) => units.iter().position(|unit| unit.name == *name),
    };
    match place.zip(place.and_then(|place| units.get(place))) {
        Some((place, unit)) => Ok((place, Request { unit: unit.address, what })),
        None => Err(format!("no unit on the line is called `{}`", unit.unwrap_or_default())),
    }
}

fn arguments<T: DeserializeOwned>(arguments: &Value) -> Result<T, String> {
    T::deserialize(arguments).map_err(|error| format!("arguments: {error}"))
}

/// One register: unsigned, or signed as two's complement.
fn register(value: i32) -> Result<u16, String> {
    match value {
        -32768..=65535 => Ok(value as u16),
        _ => Err(format!("{value} does not fit a register, which is -32768 to 65535")),
    }
}
