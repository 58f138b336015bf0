//! The quantities that can be recorded, each with its machine-readable name,
//! its label and the unit it is kept in. Names and labels are those of the
//! Battery Data Format (ontology 1.3.0) wherever it has the quantity.
//!
//! To add one: a variant of [`Quantity`], a row in [`Quantity::info`], an
//! entry in [`Quantity::ALL`]. The compiler and the tests find what is missing.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::unit::Unit;

/// What a channel measures. Indexed ones count from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Quantity {
    /// Terminal voltage.
    Voltage,
    /// Current; positive charges the pack.
    Current,
    /// Power; positive charges the pack.
    Power,
    /// Temperature of the air around the pack.
    AmbientTemperature,
    /// Temperature on the pack's surface.
    SurfaceTemperature,
    /// Any other temperature probe.
    Temperature(u16),
    /// State of charge as the instrument claims it.
    StateOfCharge,
    /// The instrument's own amp-hour counter, as it counts.
    ChargeCounter,
    /// The instrument's own watt-hour counter, as it counts.
    EnergyCounter,
    /// Charge put into the pack, as the instrument itself counts it.
    ChargingCapacity,
    /// Charge taken out of the pack, as the instrument itself counts it.
    DischargingCapacity,
    /// Energy put into the pack, as the instrument itself counts it.
    ChargingEnergy,
    /// Energy taken out of the pack, as the instrument itself counts it.
    DischargingEnergy,
    /// Internal resistance as the instrument claims it.
    Resistance,
    /// Frequency, of a mains side or an AC method.
    Frequency,
    /// Voltage of one cell in a series pack.
    CellVoltage(u16),
}

/// One row of the table of quantities.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Info {
    /// Machine-readable name; `#` stands for the index.
    pub name: &'static str,
    /// Label without unit; `#` stands for the index.
    pub label: &'static str,
    /// The unit values are kept in.
    pub unit: Unit,
    /// Whether the Battery Data Format has this column.
    pub in_bdf: bool,
}

impl Quantity {
    /// Every quantity once; indexed ones with index 1.
    pub const ALL: [Quantity; 16] = [
        Quantity::Voltage,
        Quantity::Current,
        Quantity::Power,
        Quantity::AmbientTemperature,
        Quantity::SurfaceTemperature,
        Quantity::Temperature(1),
        Quantity::StateOfCharge,
        Quantity::ChargeCounter,
        Quantity::EnergyCounter,
        Quantity::ChargingCapacity,
        Quantity::DischargingCapacity,
        Quantity::ChargingEnergy,
        Quantity::DischargingEnergy,
        Quantity::Resistance,
        Quantity::Frequency,
        Quantity::CellVoltage(1),
    ];

    /// The quantity's row in the table.
    pub const fn info(self) -> Info {
        const fn row(name: &'static str, label: &'static str, unit: Unit, in_bdf: bool) -> Info {
            Info { name, label, unit, in_bdf }
        }
        match self {
            Quantity::Voltage => row("voltage_volt", "Voltage", Unit::Volt, true),
            Quantity::Current => row("current_ampere", "Current", Unit::Ampere, true),
            Quantity::Power => row("power_watt", "Power", Unit::Watt, true),
            Quantity::AmbientTemperature => {
                row("ambient_temperature_celsius", "Ambient Temperature", Unit::Celsius, true)
            }
            Quantity::SurfaceTemperature => {
                row("surface_temperature_celsius", "Surface Temperature", Unit::Celsius, true)
            }
            Quantity::Temperature(_) => {
                row("temperature_t#_celsius", "Temperature T#", Unit::Celsius, true)
            }
            Quantity::StateOfCharge => {
                row("state_of_charge_percent", "State of Charge", Unit::Percent, false)
            }
            Quantity::ChargeCounter => {
                row("charge_counter_ah", "Charge Counter", Unit::AmpereHour, false)
            }
            Quantity::EnergyCounter => {
                row("energy_counter_wh", "Energy Counter", Unit::WattHour, false)
            }
            Quantity::ChargingCapacity => {
                row("charging_capacity_ah", "Charging Capacity", Unit::AmpereHour, true)
            }
            Quantity::DischargingCapacity => {
                row("discharging_capacity_ah", "Discharging Capacity", Unit::AmpereHour, true)
            }
            Quantity::ChargingEnergy => {
                row("charging_energy_wh", "Charging Energy", Unit::WattHour, true)
            }
            Quantity::DischargingEnergy => {
                row("discharging_energy_wh", "Discharging Energy", Unit::WattHour, true)
            }
            Quantity::Resistance => {
                row("internal_resistance_ohm", "Internal Resistance", Unit::Ohm, true)
            }
            Quantity::Frequency => row("frequency_hertz", "Frequency", Unit::Hertz, true),
            Quantity::CellVoltage(_) => {
                row("cell_voltage_#_volt", "Cell Voltage #", Unit::Volt, false)
            }
        }
    }

    /// The unit values of this quantity are kept in.
    pub const fn unit(self) -> Unit {
        self.info().unit
    }

    /// The machine-readable name, e.g. `voltage_volt`, `cell_voltage_3_volt`.
    pub fn name(self) -> String {
        self.numbered(self.info().name)
    }

    /// The label with its unit as in the Battery Data Format, e.g. `Voltage / V`.
    pub fn bdf_label(self) -> String {
        format!("{} / {}", self.numbered(self.info().label), self.unit().bdf())
    }

    /// Whether the sign of a value says charge or discharge, so that an
    /// instrument that counts the other way must be turned round.
    pub const fn is_directed(self) -> bool {
        matches!(self, Quantity::Current | Quantity::Power)
    }

    fn index(self) -> Option<u16> {
        match self {
            Quantity::Temperature(n) | Quantity::CellVoltage(n) => Some(n),
            _ => None,
        }
    }

    fn with_index(self, n: u16) -> Quantity {
        match self {
            Quantity::Temperature(_) => Quantity::Temperature(n),
            Quantity::CellVoltage(_) => Quantity::CellVoltage(n),
            other => other,
        }
    }

    fn numbered(self, pattern: &str) -> String {
        match self.index() {
            Some(n) => pattern.replace('#', &n.to_string()),
            None => pattern.to_owned(),
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name())
    }
}

/// A name that is no quantity.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no quantity; known are {known}", known = known_names())]
pub struct UnknownQuantity(pub String);

fn known_names() -> String {
    let names: Vec<String> = Quantity::ALL.iter().map(|q| q.name()).collect();
    names.join(", ")
}

impl FromStr for Quantity {
    type Err = UnknownQuantity;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Quantity::ALL
            .into_iter()
            .find_map(|q| match q.info().name.split_once('#') {
                None => (q.info().name == text).then_some(q),
                Some((before, after)) => text
                    .strip_prefix(before)?
                    .strip_suffix(after)?
                    .parse()
                    .ok()
                    .filter(|n| *n > 0)
                    .map(|n| q.with_index(n)),
            })
            .ok_or_else(|| UnknownQuantity(text.to_owned()))
    }
}

impl Serialize for Quantity {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Quantity {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_reads_back() {
        for q in Quantity::ALL {
            assert_eq!(q.name().parse(), Ok(q));
        }
        assert_eq!("cell_voltage_16_volt".parse(), Ok(Quantity::CellVoltage(16)));
        assert!("cell_voltage_0_volt".parse::<Quantity>().is_err());
        assert!("voltage".parse::<Quantity>().is_err());
    }

    #[test]
    fn labels_are_those_of_the_battery_data_format() {
        // Battery Data Format, ontology 1.3.0, preferred labels.
        assert_eq!(Quantity::Voltage.bdf_label(), "Voltage / V");
        assert_eq!(Quantity::Current.bdf_label(), "Current / A");
        assert_eq!(Quantity::AmbientTemperature.bdf_label(), "Ambient Temperature / degC");
        assert_eq!(Quantity::Temperature(2).bdf_label(), "Temperature T2 / degC");
        assert_eq!(Quantity::Resistance.bdf_label(), "Internal Resistance / ohm");
    }
}
