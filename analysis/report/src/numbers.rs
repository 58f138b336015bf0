//! Writes figures with honest digits: no more than the figure is worth, always
//! its unit, never `-0.0`. People get U+2212 for minus, files get ASCII.

use ampledger_types::Unit;
use ampledger_types::result::Figure;

mod decimal;
mod text;

pub use text::Text;

const MINUS: char = '\u{2212}';

/// A value for people: three significant digits, and not fewer decimals than
/// a bench meter shows for its unit. `57.4 Ah`, `1457 Wh`, `−12.1 A`.
pub fn value(value: f64, unit: Unit) -> String {
    format!("{} {}", fixed(value, decimals(value, unit)), unit.symbol())
}

/// A value with as many digits as tell it from another: `10.502 V` beside 10.5 V.
pub fn told_from(value: f64, other: f64, unit: Unit) -> String {
    let least = decimals(value, unit);
    let differs = |digits: &usize| fixed(value, *digits) != fixed(other, *digits);
    let digits = (least..least + 4).find(differs).unwrap_or(least);
    format!("{} {}", fixed(value, digits), unit.symbol())
}

/// A value with its expanded uncertainty; the digits of both follow the
/// uncertainty: `57.4 ± 0.4 Ah`, `1457 ± 12 Wh`.
///
/// Two digits of the uncertainty where it begins with 1 or 2, else one:
/// common practice, no source (JCGM 100, 7.2.6, from memory: at most two).
pub fn uncertain(value: f64, uncertainty: f64, unit: Unit) -> String {
    let places = uncertainty_places(uncertainty);
    format!("{} ± {} {}", rounded(value, places), spread(uncertainty), unit.symbol())
}

/// An uncertainty alone, with the same one or two digits: `0.4`, `230`.
pub fn spread(uncertainty: f64) -> String {
    rounded(uncertainty, uncertainty_places(uncertainty))
}

/// The value alone where its uncertainty stands elsewhere: with no more digits
/// than that leaves it, `58` of 58 ± 9 Ah.
pub fn worth(value: f64, uncertainty: Option<f64>, unit: Unit) -> String {
    let usual = decimals(value, unit) as i32;
    let known = uncertainty.filter(|u| *u > 0.0 && u.is_finite());
    rounded(value, known.map_or(usual, |u| uncertainty_places(u).min(usual)))
}

/// A figure for people, with its uncertainty only where one is stated;
/// `unknown` where it has no value.
pub fn figure(figure: &Figure, unit: Unit) -> String {
    match (figure.value, figure.expanded_uncertainty) {
        (None, _) => "unknown".to_owned(),
        (Some(v), Some(u)) if u > 0.0 && u.is_finite() => uncertain(v, u, unit),
        (Some(v), _) => value(v, unit),
    }
}

/// A value that a person set, as it was set: `60 Ah`, `20.0 V`. Volts always
/// have a decimal.
pub fn given(value: f64, unit: Unit) -> String {
    let shown = match unit {
        Unit::Volt if value == value.round() => fixed(value, 1),
        _ => for_people(plain(value)),
    };
    format!("{shown} {}", unit.symbol())
}

/// The value alone, without its unit, with the digits of [`value()`]. For
/// tables whose head names the unit.
pub fn bare(value: f64, unit: Unit) -> String {
    fixed(value, decimals(value, unit))
}

/// A share in percent: `95.7 %`.
pub fn percent(share: f64) -> String {
    percent_worth(share, None)
}

/// The same with no more digits than its uncertainty leaves it: `78 %`.
pub fn percent_worth(share: f64, uncertainty: Option<f64>) -> String {
    let percent = worth(share * 100.0, uncertainty.map(|u| u * 100.0), Unit::Percent);
    format!("{percent} {}", Unit::Percent.symbol())
}

/// A current against the rating: `0.20 C`, `0.05 C`, `0.013 C`.
pub fn c_rate(current_ampere: f64, rated_ah: f64) -> String {
    let rate = (current_ampere / rated_ah).abs();
    format!("{} C", fixed(rate, if rate < 0.0495 { 3 } else { 2 }))
}

/// A value for files: the shortest digits that read back to the same number,
/// plain, without an exponent; empty where there is none. Most readings are
/// decimals of a few places and are written as whole numbers are, which is quicker
/// by far.
pub fn plain(value: f64) -> String {
    let mut room = decimal::Room::default();
    match decimal::write(value, &mut room) {
        0 => shortest(value),
        written => room[..written].iter().copied().map(char::from).collect(),
    }
}

fn shortest(value: f64) -> String {
    if !value.is_finite() {
        return String::new();
    }
    let mut buffer = zmij::Buffer::new();
    let shortest = buffer.format_finite(value);
    match shortest.contains('e') {
        true => value.to_string(),
        false => shortest.strip_suffix(".0").unwrap_or(shortest).to_owned(),
    }
}

/// A value with so many significant digits, for tables of small parts:
/// `0.083`, `1.2`, `140`.
pub fn plain_to(value: f64, digits: i32) -> String {
    if value == 0.0 || !value.is_finite() {
        return fixed(value, 0);
    }
    let decimals = f64::from(digits - 1) - value.abs().log10().floor();
    fixed(value, decimals.clamp(0.0, 12.0) as usize)
}

fn decimals(value: f64, unit: Unit) -> usize {
    let least = match unit {
        Unit::Volt | Unit::Ampere | Unit::AmpereHour | Unit::Celsius | Unit::Percent => 1,
        _ => 0,
    };
    let magnitude = value.abs();
    let three_digits = match magnitude {
        m if m < 0.9995 => 3,
        m if m < 9.995 => 2,
        m if m < 99.95 => 1,
        _ => 0,
    };
    match unit {
        Unit::Celsius | Unit::Percent => 1,
        // Resistances of packs are milliohms.
        Unit::Ohm if magnitude < 0.9995 => 5,
        _ => three_digits.max(least),
    }
}

/// Decimals that an uncertainty leaves; below nought tens, hundreds, …
fn uncertainty_places(uncertainty: f64) -> i32 {
    let magnitude = uncertainty.abs();
    if magnitude.is_nan() || magnitude < 1e-9 {
        return 3;
    }
    let exponent = magnitude.log10().floor();
    let leading = magnitude / 10_f64.powf(exponent);
    // What rounds up to 3.0 in two digits has one digit.
    let digits = if leading < 2.95 { 2.0 } else { 1.0 };
    // 9.6 rounds to 10: still the same decimals as 9.
    (digits - 1.0 - exponent).clamp(-9.0, 9.0) as i32
}

fn rounded(value: f64, places: i32) -> String {
    match usize::try_from(places) {
        Ok(decimals) => fixed(value, decimals),
        Err(_) => {
            let step = 10_f64.powi(-places);
            fixed((value / step).round() * step, 0)
        }
    }
}

fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "unknown".to_owned();
    }
    for_people(format!("{value:.decimals$}"))
}

fn for_people(ascii: String) -> String {
    match ascii.strip_prefix('-') {
        Some(digits) if digits.bytes().all(|b| b == b'0' || b == b'.') => digits.to_owned(),
        Some(digits) => format!("{MINUS}{digits}"),
        None => ascii,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// What a cell of a line holds.
    fn cell(write: impl Fn(&mut text::Line<'_>)) -> String {
        let mut text = Text::default();
        for _ in 0..2 {
            let mut line = text.line();
            write(&mut line);
            line.end();
        }
        let lines = String::from_utf8(text.as_bytes().to_vec()).unwrap();
        let (first, second) = lines.split_once('\n').unwrap();
        assert_eq!(second.strip_suffix('\n'), Some(first));
        first.to_owned()
    }

    #[test]
    fn digits_follow_the_size_and_the_unit() {
        for (v, unit, words) in [
            (57.412, Unit::AmpereHour, "57.4 Ah"),
            (157.44, Unit::AmpereHour, "157.4 Ah"),
            (4.2517, Unit::AmpereHour, "4.25 Ah"),
            (0.0424, Unit::AmpereHour, "0.042 Ah"),
            (9.996, Unit::AmpereHour, "10.0 Ah"),
            (1457.4, Unit::WattHour, "1457 Wh"),
            (57.44, Unit::WattHour, "57.4 Wh"),
            (-12.1, Unit::Ampere, "−12.1 A"),
            (20.0, Unit::Volt, "20.0 V"),
            (3.3217, Unit::Volt, "3.32 V"),
            (102.34, Unit::Volt, "102.3 V"),
            (22.456, Unit::Celsius, "22.5 °C"),
            (0.00212, Unit::Ohm, "0.00212 Ω"),
        ] {
            assert_eq!(value(v, unit), words);
        }
    }

    #[test]
    fn two_values_that_differ_are_told_apart() {
        assert_eq!(told_from(10.502, 10.5, Unit::Volt), "10.502 V");
        assert_eq!(told_from(23.12, 20.0, Unit::Volt), "23.1 V");
        assert_eq!(told_from(10.5, 10.5, Unit::Volt), "10.5 V");
    }

    #[test]
    fn a_stated_uncertainty_decides_the_digits() {
        for (v, u, unit, words) in [
            (57.4123, 0.4, Unit::AmpereHour, "57.4 ± 0.4 Ah"),
            (1457.2, 12.3, Unit::WattHour, "1457 ± 12 Wh"),
            (57.4123, 0.0183, Unit::AmpereHour, "57.412 ± 0.018 Ah"),
            (57.4123, 0.296, Unit::AmpereHour, "57.4 ± 0.3 Ah"),
            (-0.2, 0.96, Unit::Ampere, "−0.2 ± 1.0 A"),
            (1480.3, 227.0, Unit::WattHour, "1480 ± 230 Wh"),
            (1480.3, 452.0, Unit::WattHour, "1500 ± 500 Wh"),
            (58.04, 9.1, Unit::AmpereHour, "58 ± 9 Ah"),
        ] {
            assert_eq!(uncertain(v, u, unit), words);
        }
    }

    #[test]
    fn a_value_alone_has_no_more_digits_than_its_uncertainty_leaves_it() {
        assert_eq!(worth(58.04, Some(9.1), Unit::AmpereHour), "58");
        assert_eq!(worth(58.04, Some(0.4), Unit::AmpereHour), "58.0");
        assert_eq!(worth(58.04, Some(0.018), Unit::AmpereHour), "58.0", "and no more than usual");
        assert_eq!(worth(58.04, None, Unit::AmpereHour), "58.0");
        assert_eq!(worth(1480.3, Some(227.0), Unit::WattHour), "1480");
        assert_eq!((spread(227.4), spread(0.412)), ("230".to_owned(), "0.4".to_owned()));
        assert_eq!(percent_worth(0.775, Some(0.1)), "78 %");
        assert_eq!(percent_worth(0.957, Some(0.006)), "95.7 %");
    }

    #[test]
    fn small_parts_keep_their_first_digits() {
        for (v, words) in [
            (0.082_9, "0.083"),
            (0.000_123_4, "0.00012"),
            (1.24, "1.2"),
            (143.0, "143"),
            (0.0, "0"),
        ] {
            assert_eq!(plain_to(v, 2), words);
        }
    }

    #[test]
    fn zero_has_no_sign() {
        assert_eq!(value(-0.0, Unit::Ampere), "0.000 A");
        assert_eq!(value(-0.0001, Unit::Ampere), "0.000 A");
        assert_eq!(plain(-0.0), "0");
        assert_eq!(given(-0.0, Unit::Volt), "0.0 V");
    }

    #[test]
    fn what_was_set_is_shown_as_it_was_set() {
        assert_eq!(given(60.0, Unit::AmpereHour), "60 Ah");
        assert_eq!(given(20.0, Unit::Volt), "20.0 V");
        assert_eq!(given(10.25, Unit::Volt), "10.25 V");
        assert_eq!(given(-5.0, Unit::Celsius), "−5 °C");
    }

    #[test]
    fn shares_and_rates() {
        assert_eq!(percent(0.957), "95.7 %");
        assert_eq!(c_rate(-12.1, 60.0), "0.20 C");
        assert_eq!(c_rate(3.0, 60.0), "0.05 C");
        assert_eq!(c_rate(0.8, 60.0), "0.013 C");
    }

    #[test]
    fn a_figure_shows_an_uncertainty_only_where_one_is_stated() {
        let mut f = Figure::provisional(57.41, Unit::AmpereHour, "", Vec::new());
        assert_eq!(figure(&f, Unit::AmpereHour), "57.4 Ah");
        f.expanded_uncertainty = Some(0.4);
        assert_eq!(figure(&f, Unit::AmpereHour), "57.4 ± 0.4 Ah");
        let none = Figure::undetermined(Unit::AmpereHour, "", Vec::new());
        assert_eq!(figure(&none, Unit::AmpereHour), "unknown");
    }

    #[test]
    fn files_never_get_an_exponent_or_a_non_number() {
        assert_eq!(plain(1e-7), "0.0000001");
        assert_eq!(plain(1e21), "1000000000000000000000");
        assert_eq!(plain(f64::NAN), "");
        assert_eq!(plain(-12.1), "-12.1");
    }

    #[test]
    fn a_running_total_has_the_digits_of_a_billionth_at_most() {
        let total = |value| cell(|line| line.total(value));
        assert_eq!(total(0.0), "0");
        assert_eq!(total(0.000_274_075_729_444_4), "0.000274076");
        assert_eq!(total(49.999_693_173_943_75), "49.999693174");
        assert_eq!(total(1234.5), "1234.5");
        assert_eq!(total(0.999_999_999_9), "1");
        assert_eq!(total(1e12), "1000000000000");
    }

    proptest! {
        #[test]
        fn a_running_total_is_right_to_half_a_billionth(v in 0.0_f64..4_000_000.0) {
            let read: f64 = cell(|line| line.total(v)).parse().unwrap();
            prop_assert!((read - v).abs() <= 0.5e-9 + v * 2.0 * f64::EPSILON);
        }

        #[test]
        fn microseconds_are_written_as_the_seconds_they_are(us: i64, few in -2_000_000_i64..2_000_000) {
            for us in [us, us % 4_000_000_000_000_000, few] {
                prop_assert_eq!(cell(|line| line.second(us)), plain(us as f64 / 1e6));
            }
        }

        #[test]
        fn what_files_get_reads_back_to_the_same_number(bits: u64) {
            let v = f64::from_bits(bits);
            prop_assume!(v.is_finite());
            prop_assert_eq!(plain(v).parse::<f64>().unwrap(), v);
        }

        #[test]
        fn files_get_the_shortest_digits_however_they_are_written(
            bits: u64, millionths in -5_000_000_000_000_000i64..5_000_000_000_000_000, places in 0..7,
        ) {
            let rounded = (millionths as f64 / 10f64.powi(6 - places)).round() / 10f64.powi(places);
            for v in [f64::from_bits(bits), millionths as f64 / 1e6, rounded, rounded / 3.0] {
                if v.is_finite() {
                    // The standard library writes the shortest digits, too.
                    let (ours, shortest) = (plain(v), format!("{}", v + 0.0));
                    // Of two equally near it may take the other.
                    prop_assert_eq!(ours.len(), shortest.len());
                    prop_assert_eq!(ours.parse::<f64>().unwrap(), v);
                    prop_assert_eq!(cell(|line| line.plain(v)), ours);
                }
            }
        }

        #[test]
        fn people_never_see_a_negative_zero(v in -0.01_f64..0.01) {
            for unit in [Unit::Ampere, Unit::Volt, Unit::WattHour, Unit::Celsius] {
                let text = value(v, unit);
                let digits = text.chars().any(|c| ('1'..='9').contains(&c));
                prop_assert!(digits || !text.contains(MINUS), "{}", text);
            }
        }
    }
}
