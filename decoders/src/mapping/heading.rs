//! What a heading says by itself: `Voltage / V`, `voltage_volt`, `Current
//! [mA]`, `U_V`. Takes only names that leave no doubt; a lone `T` or a
//! 'capacity' is left for the configuration to explain.

use ampledger_types::unit::parse_unit;
use ampledger_types::{Quantity, Unit};

/// What a column is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// Readings of a quantity.
    Measures(Quantity),
    /// Time since some beginning.
    TestTime,
    /// Time since 1970-01-01 UTC.
    UnixTime,
    /// A date with its time.
    Date,
}

/// A heading parted into name and unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Parted<'a> {
    /// The name.
    pub name: &'a str,
    /// The unit as written.
    pub unit: &'a str,
    /// Whether brackets or a slash set it off.
    marked: bool,
}

impl Parted<'_> {
    /// Whether what looks like a unit certainly is one: it is set off, or
    /// stands behind a name that is known. The `A` of `T_A` is not.
    pub fn is_certain(&self) -> bool {
        self.marked || known(self.name).is_some()
    }
}

/// Parts name and unit, where the end of the heading is a unit.
pub fn part(text: &str) -> Option<Parted<'_>> {
    let text = text.trim();
    let bracketed = [('(', ')'), ('[', ']'), ('{', '}')]
        .into_iter()
        .find_map(|(open, close)| text.strip_suffix(close)?.rsplit_once(open));
    let split = |at: &[char]| text.rsplit_once(at);
    let (name, unit, marked) = match (bracketed, text.rsplit_once('/')) {
        (Some((name, unit)), _) => (name, unit, true),
        (None, Some((name, unit))) if is_unit(unit) => (name, unit, true),
        _ => split(&['_', ' ', '.']).map(|(name, unit)| (name, unit, false))?,
    };
    let (name, unit) = (name.trim(), unit.trim());
    (!name.is_empty() && is_unit(unit)).then_some(Parted { name, unit, marked })
}

fn is_unit(text: &str) -> bool {
    // F is a farad elsewhere, but capacitance is nothing that is recorded.
    parse_unit(text).is_some() || matches!(text.trim(), "F" | "f")
}

/// What a heading stands for, with the unit it names.
pub fn recognise(text: &str) -> Option<(Role, Option<&str>)> {
    let text = text.trim();
    if let Some(role) = known(text) {
        return Some((role, None));
    }
    if let Some(parted) = part(text) {
        return Some((known(parted.name)?, Some(parted.unit)));
    }
    Some((Role::Measures(quantity_of(text)?), Some(text)))
}

/// Whether a heading stands for the instrument's own time.
pub fn is_time(text: &str) -> bool {
    matches!(recognise(text), Some((Role::TestTime | Role::UnixTime | Role::Date, _)))
}

/// The quantity that a heading made of nothing but a unit must mean.
fn quantity_of(text: &str) -> Option<Quantity> {
    if matches!(text, "C" | "c" | "K" | "J") {
        return None;
    }
    Some(match parse_unit(text)?.unit {
        Unit::Volt => Quantity::Voltage,
        Unit::Ampere => Quantity::Current,
        Unit::Watt => Quantity::Power,
        Unit::Celsius => Quantity::Temperature(1),
        Unit::AmpereHour => Quantity::ChargeCounter,
        Unit::WattHour => Quantity::EnergyCounter,
        _ => return None,
    })
}

/// The names that are known without a unit, in any case, their words parted
/// by blanks, underscores, hyphens or full stops.
fn known(name: &str) -> Option<Role> {
    let name = name.to_lowercase();
    if let Ok(quantity) = name.parse() {
        return Some(Role::Measures(quantity));
    }
    let words: Vec<&str> =
        name.split(['_', ' ', '-', '.']).filter(|word| !word.is_empty()).collect();
    let quantity = match words.join(" ").as_str() {
        "voltage" | "battery voltage" | "pack voltage" | "terminal voltage" | "u" | "v" => {
            Quantity::Voltage
        }
        "current" | "battery current" | "pack current" | "i" => Quantity::Current,
        "power" | "battery power" | "pack power" | "p" => Quantity::Power,
        "temperature" | "temp" => Quantity::Temperature(1),
        "ambient temperature" | "ambient temp" => Quantity::AmbientTemperature,
        "surface temperature" | "surface temp" => Quantity::SurfaceTemperature,
        "soc" | "state of charge" => Quantity::StateOfCharge,
        "charge counter" => Quantity::ChargeCounter,
        "energy counter" => Quantity::EnergyCounter,
        "charging capacity" => Quantity::ChargingCapacity,
        "discharging capacity" => Quantity::DischargingCapacity,
        "charging energy" => Quantity::ChargingEnergy,
        "discharging energy" => Quantity::DischargingEnergy,
        "internal resistance" => Quantity::Resistance,
        "frequency" => Quantity::Frequency,
        "test time" | "time" | "elapsed time" | "elapsed" => return Some(Role::TestTime),
        "unix time" | "timestamp" | "epoch" => return Some(Role::UnixTime),
        "date" | "datetime" | "date time" => return Some(Role::Date),
        other => numbered(other)?,
    };
    Some(Role::Measures(quantity))
}

/// `cell 3`, `cell3 voltage`, `cell voltage 3`, `temperature t2`, `temp 2`.
fn numbered(name: &str) -> Option<Quantity> {
    let at = name.find(|c: char| c.is_ascii_digit())?;
    let (before, rest) = name.split_at(at);
    let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
    let (number, after) = rest.split_at(digits);
    let number = number.parse().ok().filter(|n| *n > 0)?;
    match (before.trim(), after.trim()) {
        ("cell", "" | "voltage") | ("cell voltage", "") => Some(Quantity::CellVoltage(number)),
        ("temperature" | "temperature t" | "temp" | "temp t", "") => {
            Some(Quantity::Temperature(number))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn headings_carry_quantity_and_unit() {
        use Quantity::*;
        for (text, quantity, unit) in [
            ("Voltage / V", Voltage, Some("V")),
            ("voltage_volt", Voltage, None),
            ("current_A", Current, Some("A")),
            ("voltage (V)", Voltage, Some("V")),
            ("Current [mA]", Current, Some("mA")),
            ("Temperature / degC", Temperature(1), Some("degC")),
            ("temperature_C", Temperature(1), Some("C")),
            ("U_V", Voltage, Some("V")),
            ("U/V", Voltage, Some("V")),
            ("mA", Current, Some("mA")),
            ("SOC %", StateOfCharge, Some("%")),
            ("cell_voltage_3_volt", CellVoltage(3), None),
            ("Cell 12 mV", CellVoltage(12), Some("mV")),
            ("cell3_voltage", CellVoltage(3), None),
            ("Temperature T2 / degC", Temperature(2), Some("degC")),
            ("Internal Resistance / ohm", Resistance, Some("ohm")),
        ] {
            assert_eq!(recognise(text), Some((Role::Measures(quantity), unit)), "{text}");
        }
    }

    #[test]
    fn every_label_of_the_battery_data_format_is_recognised() {
        for quantity in Quantity::ALL {
            for text in [quantity.bdf_label(), quantity.name()] {
                let (role, _) = recognise(&text).unwrap();
                assert_eq!(role, Role::Measures(quantity), "{text}");
            }
        }
        for (text, role) in [
            ("Test Time / s", Role::TestTime),
            ("test_time_second", Role::TestTime),
            ("time_ms", Role::TestTime),
            ("Unix Time / s", Role::UnixTime),
            ("Date", Role::Date),
        ] {
            assert_eq!(recognise(text).unwrap().0, role, "{text}");
        }
    }

    #[test]
    fn what_leaves_a_doubt_is_left_alone() {
        for text in [
            "T",
            "t",
            "C",
            "Capacity / Ah",
            "Voltage / foo",
            "Cycle Count / 1",
            "Step Time / s",
            "cell 0",
            "discharge current",
            "",
        ] {
            assert_eq!(recognise(text), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn no_heading_breaks_it(text in "\\PC{0,24}") {
            let _ = recognise(&text);
        }
    }
}
