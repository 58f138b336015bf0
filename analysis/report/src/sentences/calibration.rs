//! Zeros and calibrations in words.

use ampledger_types::calibration::{Calibration, Change, Zero};
use ampledger_types::result::Moment;
use jiff::tz::TimeZone;

use crate::{dates, numbers};

/// `offset zeroed at 2026-03-01 09:12 UTC (+0.013 A)`
pub fn zeroed(taken: Moment, offset_ampere: f64) -> String {
    let when = match taken.unix_time_second {
        Some(second) => {
            let text = dates::local(dates::unix_us(second), &TimeZone::UTC);
            // Without seconds and offset.
            format!(" at {} UTC", text.get(..16).unwrap_or(&text))
        }
        None => String::new(),
    };
    format!("offset zeroed{when} ({})", signed(offset_ampere))
}

/// What a record changes, with its figures.
pub fn calibration(record: &Calibration) -> String {
    let (channel, unit) = (record.channel.words(), record.channel.unit());
    match &record.change {
        Change::Zero(zero) => format!("zero of the {channel}: {}", measured(zero)),
        Change::Line(line) => format!(
            "calibration of the {channel} against {}: corrected = {} {unit} + {} × read, from {} to \
             {} {unit}",
            line.against,
            numbers::plain_to(line.offset, 3),
            numbers::plain_to(line.gain, 6),
            numbers::plain_to(line.points[0].truth, 3),
            numbers::plain_to(line.points[1].truth, 3),
        ),
    }
}

/// `+0.013 A, u = 0.00012 A, 120 readings over 118 s, deviation 0.0013 A`
pub fn measured(zero: &Zero) -> String {
    let celsius = zero.celsius.map(|celsius| format!(", at {celsius:.0} °C"));
    format!(
        "{}, u = {} A, {} readings over {}, deviation {} A{}",
        signed(zero.mean_ampere),
        numbers::plain_to(zero.standard_ampere, 2),
        zero.count,
        dates::duration(zero.second),
        numbers::plain_to(zero.deviation_ampere, 2),
        celsius.unwrap_or_default(),
    )
}

fn signed(ampere: f64) -> String {
    let text = format!("{ampere:+.3} A");
    text.replacen('-', "\u{2212}", 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_zero_is_said_with_its_date_and_its_sign() {
        let dated = Moment { test_time_second: 0.0, unix_time_second: Some(1_772_352_720.0) };
        assert_eq!(zeroed(dated, 0.013), "offset zeroed at 2026-03-01 08:12 UTC (+0.013 A)");
        let undated = Moment { test_time_second: 0.0, unix_time_second: None };
        assert_eq!(zeroed(undated, -0.002), "offset zeroed (−0.002 A)");
        let zero = Zero {
            mean_ampere: 0.0132,
            deviation_ampere: 0.0013,
            standard_ampere: 0.00012,
            count: 120,
            second: 118.0,
            drift_ampere: 0.0,
            celsius: None,
        };
        assert_eq!(
            measured(&zero),
            "+0.013 A, u = 0.00012 A, 120 readings over 118 s, deviation 0.0013 A"
        );
    }
}
