//! Units: the one each quantity is kept in, and the spellings and multiples
//! that instruments and files use for it. Conversion is a factor and, for
//! temperature, an offset; a unit of another dimension is refused.

use serde::{Deserialize, Serialize};

/// The unit a quantity is kept in. One per dimension; multiples are converted
/// on the way in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Unit {
    /// volt, V
    Volt,
    /// ampere, A
    Ampere,
    /// watt, W
    Watt,
    /// degree Celsius, °C
    Celsius,
    /// percent, %
    Percent,
    /// ampere hour, Ah
    AmpereHour,
    /// watt hour, Wh
    WattHour,
    /// ohm, Ω
    Ohm,
    /// hertz, Hz
    Hertz,
    /// second, s
    Second,
}

impl Unit {
    /// The symbol a person reads.
    pub const fn symbol(self) -> &'static str {
        match self {
            Unit::Volt => "V",
            Unit::Ampere => "A",
            Unit::Watt => "W",
            Unit::Celsius => "°C",
            Unit::Percent => "%",
            Unit::AmpereHour => "Ah",
            Unit::WattHour => "Wh",
            Unit::Ohm => "Ω",
            Unit::Hertz => "Hz",
            Unit::Second => "s",
        }
    }

    /// The unit's code in the Unified Code for Units of Measure (UCUM 2.2).
    pub const fn ucum(self) -> &'static str {
        match self {
            Unit::Volt => "V",
            Unit::Ampere => "A",
            Unit::Watt => "W",
            Unit::Celsius => "Cel",
            Unit::Percent => "%",
            Unit::AmpereHour => "A.h",
            Unit::WattHour => "W.h",
            Unit::Ohm => "Ohm",
            Unit::Hertz => "Hz",
            Unit::Second => "s",
        }
    }

    /// The spelling in Battery Data Format labels, as in `Voltage / V`.
    pub const fn bdf(self) -> &'static str {
        match self {
            Unit::Celsius => "degC",
            Unit::Ohm => "ohm",
            other => other.symbol(),
        }
    }
}

/// How a written unit becomes the unit it is kept in:
/// `kept = written × factor + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conversion {
    /// The unit that comes out.
    pub unit: Unit,
    /// Multiplier, in kept units per written unit.
    pub factor: f64,
    /// Added after the multiplication, in kept units.
    pub offset: f64,
}

impl Conversion {
    const fn times(unit: Unit, factor: f64) -> Self {
        Conversion { unit, factor, offset: 0.0 }
    }
}

/// Reads a unit as instruments and files spell it: `mA`, `Ah`, `A.h`,
/// `degC`, `°F`, `ohm`, `Seconds`. Case counts where it must (`mW` is no
/// `MW`), long names are taken in any case. `None` for what is not known.
pub fn parse_unit(text: &str) -> Option<Conversion> {
    let text = text.trim();
    symbol(text).or_else(|| long_name(&text.to_lowercase()))
}

fn symbol(text: &str) -> Option<Conversion> {
    use Unit::*;
    let c = Conversion::times;
    Some(match text {
        "V" => c(Volt, 1.0),
        "mV" => c(Volt, 1e-3),
        "uV" | "µV" | "μV" => c(Volt, 1e-6),
        "kV" => c(Volt, 1e3),
        "A" => c(Ampere, 1.0),
        "mA" => c(Ampere, 1e-3),
        "uA" | "µA" | "μA" => c(Ampere, 1e-6),
        "kA" => c(Ampere, 1e3),
        "W" => c(Watt, 1.0),
        "mW" => c(Watt, 1e-3),
        "kW" => c(Watt, 1e3),
        "Ah" | "A.h" | "A·h" | "AH" | "A-HR" => c(AmpereHour, 1.0),
        "mAh" | "mA.h" | "mAH" => c(AmpereHour, 1e-3),
        "As" | "A.s" | "C" => c(AmpereHour, 1.0 / 3600.0),
        "Wh" | "W.h" | "W·h" | "WH" | "W-HR" => c(WattHour, 1.0),
        "mWh" | "mW.h" => c(WattHour, 1e-3),
        "kWh" | "kW.h" => c(WattHour, 1e3),
        "J" | "Ws" | "W.s" => c(WattHour, 1.0 / 3600.0),
        "kJ" => c(WattHour, 1e3 / 3600.0),
        "Ohm" | "ohm" | "\u{3a9}" | "\u{2126}" => c(Ohm, 1.0),
        "mOhm" | "mohm" | "m\u{3a9}" | "m\u{2126}" => c(Ohm, 1e-3),
        "uOhm" | "µΩ" | "μΩ" => c(Ohm, 1e-6),
        "kOhm" | "kohm" | "kΩ" => c(Ohm, 1e3),
        "%" => c(Percent, 1.0),
        "Hz" => c(Hertz, 1.0),
        "kHz" => c(Hertz, 1e3),
        "s" => c(Second, 1.0),
        "ms" => c(Second, 1e-3),
        "us" | "µs" | "μs" => c(Second, 1e-6),
        "min" => c(Second, 60.0),
        "h" => c(Second, 3600.0),
        "°C" | "℃" | "Cel" | "degC" | "DEG_C" => c(Celsius, 1.0),
        "°F" | "℉" | "degF" => {
            Conversion { unit: Celsius, factor: 5.0 / 9.0, offset: -160.0 / 9.0 }
        }
        "K" => Conversion { unit: Celsius, factor: 1.0, offset: -273.15 },
        _ => return None,
    })
}

fn long_name(text: &str) -> Option<Conversion> {
    use Unit::*;
    let c = Conversion::times;
    Some(match text {
        "v" | "volt" | "volts" => c(Volt, 1.0),
        "millivolt" | "millivolts" => c(Volt, 1e-3),
        "a" | "amp" | "amps" | "ampere" | "amperes" => c(Ampere, 1.0),
        "milliamp" | "milliamps" | "milliampere" | "milliamperes" => c(Ampere, 1e-3),
        "w" | "watt" | "watts" => c(Watt, 1.0),
        "kilowatt" | "kilowatts" => c(Watt, 1e3),
        "ah" | "amp hour" | "amp hours" | "ampere hour" | "ampere hours" => c(AmpereHour, 1.0),
        "mah" => c(AmpereHour, 1e-3),
        "wh" | "watt hour" | "watt hours" => c(WattHour, 1.0),
        "mwh" => c(WattHour, 1e-3),
        "kwh" => c(WattHour, 1e3),
        "ohms" => c(Ohm, 1.0),
        "pct" | "percent" => c(Percent, 1.0),
        "hertz" => c(Hertz, 1.0),
        "sec" | "secs" | "second" | "seconds" => c(Second, 1.0),
        "millisecond" | "milliseconds" => c(Second, 1e-3),
        "mins" | "minute" | "minutes" => c(Second, 60.0),
        "hr" | "hrs" | "hour" | "hours" => c(Second, 3600.0),
        "celsius" | "deg c" | "degc" | "deg_c" => c(Celsius, 1.0),
        "fahrenheit" | "deg f" | "degf" => return symbol("°F"),
        "kelvin" => return symbol("K"),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn multiples_become_the_kept_unit() {
        let c = parse_unit("mA").unwrap();
        assert_eq!((c.unit, 1500.0 * c.factor), (Unit::Ampere, 1.5));
        assert_eq!(parse_unit("kWh").unwrap().factor, 1000.0);
        // 1 A·h = 3600 C: SI, "Coulomb" (QUDT A-HR has 3600 as its multiplier).
        assert_eq!(3600.0 * parse_unit("C").unwrap().factor, 1.0);
    }

    #[test]
    fn temperatures_have_an_offset() {
        // 212 °F and 373.15 K are both 100 °C (definition of the scales).
        for (text, value) in [("°F", 212.0), ("K", 373.15), ("degC", 100.0)] {
            let c = parse_unit(text).unwrap();
            assert!((value * c.factor + c.offset - 100.0).abs() < 1e-9, "{text}");
        }
    }

    #[test]
    fn case_counts_where_it_must() {
        assert_eq!(parse_unit("mW").unwrap().factor, 1e-3);
        assert_eq!(parse_unit("MW"), None);
        assert_eq!(parse_unit("Volts").unwrap().unit, Unit::Volt);
        assert_eq!(parse_unit("furlong"), None);
    }
}
