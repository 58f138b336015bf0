//! What can be said about a meter on the command line: how good it is and how
//! it is wired. Without that nothing that it read is proven.

use ampledger_types::source::{Accuracy, PoweredBy, ReadingKind, VoltageSensedAt};
use ampledger_types::{Instrument, Quantity};
use clap::{Args, ValueEnum};

use crate::pack_fields::{positive, replace};

/// Fields of a meter. What is not given stays as a file says, if there is one.
#[derive(Args, Clone, Debug, Default, PartialEq)]
#[command(next_help_heading = "About the meter")]
pub struct MeterFields {
    /// Limit of the current's gain error, percent of the reading
    #[arg(long, value_name = "PERCENT", value_parser = not_negative)]
    pub current_gain: Option<f64>,
    /// Limit of the current's offset, A
    #[arg(long, value_name = "A", value_parser = not_negative)]
    pub current_offset: Option<f64>,
    /// Smallest step of the current, A
    #[arg(long, value_name = "A", value_parser = positive)]
    pub current_resolution: Option<f64>,
    /// Largest current that it reads, A
    #[arg(long, value_name = "A", value_parser = positive)]
    pub current_range: Option<f64>,
    /// Limit of the voltage's gain error, percent of the reading
    #[arg(long, value_name = "PERCENT", value_parser = not_negative)]
    pub voltage_gain: Option<f64>,
    /// Limit of the voltage's offset, V
    #[arg(long, value_name = "V", value_parser = not_negative)]
    pub voltage_offset: Option<f64>,
    /// How far the current's gain moves with temperature, ppm/K
    #[arg(long, value_name = "PPM", value_parser = not_negative)]
    pub current_ppm: Option<f64>,
    /// Temperature at which the current was calibrated, °C
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    pub calibrated_at: Option<f64>,
    /// Smallest step of the voltage, V
    #[arg(long, value_name = "V", value_parser = positive)]
    pub voltage_resolution: Option<f64>,
    /// When it was calibrated, as in 2026-01-14
    #[arg(long, value_name = "DATE", value_parser = date)]
    pub calibrated: Option<String>,
    /// What powers it
    #[arg(long, value_enum)]
    pub powered_by: Option<PoweredByName>,
    /// Where the voltage is read
    #[arg(long, value_enum)]
    pub sensed_at: Option<SensedAtName>,
    /// What draws current ahead of it, unseen by it; `nothing` if so
    #[arg(long, value_name = "WHAT")]
    pub ahead: Option<String>,
    /// What one reading is
    #[arg(long, value_enum)]
    pub reading: Option<ReadingName>,
}

/// What powers a meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum PoweredByName {
    /// The pack under test: it goes dark when the pack does
    PackUnderTest,
    /// Anything else
    SomethingElse,
}

/// Where a voltage is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SensedAtName {
    /// At the pack's terminals
    PackTerminals,
    /// At the current sensor
    Sensor,
    /// At the load
    Load,
}

/// What one reading is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum ReadingName {
    /// The mean over an interval
    Average,
    /// The value at one instant
    PointSample,
}

/// A number that is not below zero.
pub fn not_negative(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value >= 0.0 && value.is_finite() => Ok(value),
        _ => Err("write a number, 0 or above, as in 0.25".to_owned()),
    }
}

fn date(text: &str) -> Result<String, String> {
    let date = text.parse::<jiff::civil::Date>();
    date.map(|date| date.to_string()).map_err(|_| "write a date as in 2026-01-14".to_owned())
}

impl MeterFields {
    /// `meter` with what was said about it.
    pub fn apply(&self, mut meter: Instrument) -> Instrument {
        let current = [self.current_gain, self.current_offset, self.current_resolution];
        self.state(&mut meter, Quantity::Current, current);
        let voltage = [self.voltage_gain, self.voltage_offset, self.voltage_resolution];
        self.state(&mut meter, Quantity::Voltage, voltage);
        if let Some(range) = self.current_range {
            accuracy(&mut meter, Quantity::Current).range = Some(range);
        }
        if let Some(ppm) = self.current_ppm {
            accuracy(&mut meter, Quantity::Current).temperature_ppm_per_kelvin = Some(ppm);
        }
        if let Some(celsius) = self.calibrated_at {
            accuracy(&mut meter, Quantity::Current).calibrated_celsius = Some(celsius);
        }
        replace(&mut meter.powered_by, self.powered_by.map(PoweredBy::from));
        replace(&mut meter.voltage_sensed_at, self.sensed_at.map(VoltageSensedAt::from));
        replace(&mut meter.draws_ahead_of_sensor, self.ahead.clone());
        replace(&mut meter.reading, self.reading.map(ReadingKind::from));
        meter
    }

    fn state(&self, meter: &mut Instrument, quantity: Quantity, said: [Option<f64>; 3]) {
        let is_known = meter.accuracy.contains_key(&quantity.name());
        if !is_known && said.iter().all(Option::is_none) && self.calibrated.is_none() {
            return;
        }
        let stated = accuracy(meter, quantity);
        let [gain_percent, offset, resolution] = said;
        replace(&mut stated.gain_percent, gain_percent);
        replace(&mut stated.offset, offset);
        replace(&mut stated.resolution, resolution);
        replace(&mut stated.calibrated, self.calibrated.clone());
    }
}

fn accuracy(meter: &mut Instrument, quantity: Quantity) -> &mut Accuracy {
    meter.accuracy.entry(quantity.name()).or_default()
}

impl From<PoweredByName> for PoweredBy {
    fn from(name: PoweredByName) -> PoweredBy {
        match name {
            PoweredByName::PackUnderTest => PoweredBy::PackUnderTest,
            PoweredByName::SomethingElse => PoweredBy::SomethingElse,
        }
    }
}

impl From<SensedAtName> for VoltageSensedAt {
    fn from(name: SensedAtName) -> VoltageSensedAt {
        match name {
            SensedAtName::PackTerminals => VoltageSensedAt::PackTerminals,
            SensedAtName::Sensor => VoltageSensedAt::Sensor,
            SensedAtName::Load => VoltageSensedAt::Load,
        }
    }
}

impl From<ReadingName> for ReadingKind {
    fn from(name: ReadingName) -> ReadingKind {
        match name {
            ReadingName::Average => ReadingKind::Average,
            ReadingName::PointSample => ReadingKind::PointSample,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_wins_over_the_file_and_the_rest_stays() {
        let mut file =
            Instrument { model: Some("shunt board".to_owned()), ..Instrument::default() };
        let stated =
            Accuracy { gain_percent: Some(1.0), offset: Some(0.05), ..Accuracy::default() };
        file.accuracy.insert("current_ampere".to_owned(), stated);
        let said = MeterFields {
            current_gain: Some(0.25),
            calibrated: Some("2026-01-14".to_owned()),
            ahead: Some("nothing".to_owned()),
            current_ppm: Some(20.0),
            ..MeterFields::default()
        };
        let meter = said.apply(file);
        let current = &meter.accuracy["current_ampere"];
        assert_eq!((current.gain_percent, current.offset), (Some(0.25), Some(0.05)));
        assert_eq!(current.temperature_ppm_per_kelvin, Some(20.0));
        assert_eq!(meter.accuracy["voltage_volt"].calibrated.as_deref(), Some("2026-01-14"));
        assert_eq!(meter.draws_ahead_of_sensor.as_deref(), Some("nothing"));
        assert_eq!(meter.model.as_deref(), Some("shunt board"));
        assert_eq!(MeterFields::default().apply(Instrument::default()), Instrument::default());
    }

    #[test]
    fn a_date_and_a_limit_are_checked() {
        assert_eq!(date("2026-01-14").as_deref(), Ok("2026-01-14"));
        assert!(date("14.1.2026").is_err());
        assert_eq!(not_negative("0"), Ok(0.0));
        assert!(not_negative("-0.1").is_err() && not_negative("NaN").is_err());
    }
}
