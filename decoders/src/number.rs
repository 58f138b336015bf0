//! Numbers as instruments print them, with or without a unit behind. Never
//! takes infinity, NaN or a word for a number.

use ampledger_types::unit::parse_unit;

/// What a cell holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Cell<'a> {
    /// A finite number, and the unit written behind it.
    Number {
        /// As written.
        value: f64,
        /// What stands behind it; it may be no unit at all.
        unit: Option<&'a str>,
    },
    /// It says that there is no value: empty, `-`, `nan`, `n/a`.
    Missing,
    /// Anything else, such as an overload.
    Other,
}

/// Reads a cell whose decimal mark is `mark`.
pub fn cell(text: &str, mark: char) -> Cell<'_> {
    if let Some(value) = short(text, mark) {
        return Cell::Number { value, unit: None };
    }
    let text = text.trim();
    if is_missing(text) {
        return Cell::Missing;
    }
    match split_number(text, mark) {
        Some((value, "")) => Cell::Number { value, unit: None },
        Some((value, unit)) => Cell::Number { value, unit: Some(unit) },
        None => Cell::Other,
    }
}

/// Whether the text is a number and nothing else but a known unit.
pub fn is_number(text: &str, mark: char) -> bool {
    match cell(text, mark) {
        Cell::Number { unit, .. } => unit.is_none_or(|unit| parse_unit(unit).is_some()),
        _ => false,
    }
}

fn is_missing(text: &str) -> bool {
    const WORDS: [&str; 5] = ["nan", "na", "n/a", "null", "none"];
    text.bytes().all(|b| b == b'-') || WORDS.iter().any(|word| text.eq_ignore_ascii_case(word))
}

/// Digits that a whole number can have which is surely a binary one.
const EXACT_DIGITS: usize = 15;
const POWERS: [f64; EXACT_DIGITS + 1] =
    [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];

/// The number that is all of the text, as most cells are: some digits, and a
/// mark in the middle of them. With so few of them both the digits and the
/// power of ten are binary numbers, and one division rounds once, as reading
/// the whole does (Clinger, How to Read Floating Point Numbers Accurately, 1990).
pub(crate) fn short(text: &str, mark: char) -> Option<f64> {
    let (value, length) = leading(text.as_bytes(), u8::try_from(mark).ok()?)?;
    (length == text.len()).then_some(value)
}

/// The short number that the bytes begin with, up to the first that is no part
/// of one, and its length.
#[inline]
pub(crate) fn leading(bytes: &[u8], mark: u8) -> Option<(f64, usize)> {
    let is_negative = bytes.first() == Some(&b'-');
    let unsigned = bytes.get(usize::from(is_negative)..)?;
    let (mut number, mut point, mut length) = (0u64, None, 0usize);
    for byte in unsigned {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            // Too many digits are found below.
            number = number.wrapping_mul(10).wrapping_add(u64::from(digit));
        } else if *byte == mark && point.is_none() {
            point = Some(length);
        } else {
            break;
        }
        length += 1;
    }
    let last = length.checked_sub(1)?;
    let places = match point {
        // A mark at an end, or too many digits: read with more care.
        Some(at) if at > 0 && at < last && last <= EXACT_DIGITS => last - at,
        None if last < EXACT_DIGITS => 0,
        _ => return None,
    };
    let sign = if is_negative { -1.0 } else { 1.0 };
    // At most 15 digits: with a sign bit it is the same, and sooner converted.
    let number = number.cast_signed() as f64;
    Some((sign * (number / POWERS[places]), length + usize::from(is_negative)))
}

/// The number at the front, and what is left behind it, trimmed.
pub fn split_number(text: &str, mark: char) -> Option<(f64, &str)> {
    if let Some(value) = short(text, mark) {
        return Some((value, ""));
    }
    let (sign, unsigned) = match text.strip_prefix(['-', '\u{2212}']) {
        Some(rest) => (-1.0, rest.trim_start()),
        None => (1.0, text.strip_prefix('+').unwrap_or(text).trim_start()),
    };
    let whole = digits(unsigned);
    let mut end = whole;
    let mut count = whole;
    if let Some(rest) = unsigned[end..].strip_prefix(mark) {
        count += digits(rest);
        end += mark.len_utf8() + digits(rest);
    }
    if count == 0 {
        return None;
    }
    end += exponent(&unsigned[end..]);
    let (number, rest) = unsigned.split_at(end);
    let value: f64 = match mark {
        '.' => number.parse().ok()?,
        mark => number.replacen(mark, ".", 1).parse().ok()?,
    };
    value.is_finite().then(|| (sign * value, rest.trim()))
}

fn digits(text: &str) -> usize {
    text.bytes().take_while(u8::is_ascii_digit).count()
}

/// Length of an exponent, if it is one: `E` with digits behind it.
fn exponent(text: &str) -> usize {
    let Some(rest) = text.strip_prefix(['e', 'E']) else { return 0 };
    let unsigned = rest.strip_prefix(['+', '-']).unwrap_or(rest);
    match digits(unsigned) {
        0 => 0,
        n => 1 + rest.len() - unsigned.len() + n,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn numbers_are_read_with_their_unit() {
        for (text, value, unit) in [
            ("13.2V", 13.2, Some("V")),
            (" -12.1 A ", -12.1, Some("A")),
            ("+1.326E+01", 13.26, None),
            ("- 0.5", -0.5, None),
            ("\u{2212}3", -3.0, None),
            (".5", 0.5, None),
            ("5.", 5.0, None),
            ("2 Eh", 2.0, Some("Eh")),
        ] {
            assert_eq!(cell(text, '.'), Cell::Number { value, unit }, "{text}");
        }
        assert_eq!(cell("13,25 V", ','), Cell::Number { value: 13.25, unit: Some("V") });
        // The wrong mark is never skipped over: 13,25 is not 13.
        assert!(!is_number("13,25", '.'));
        assert!(!is_number("1.234,5", ','));
    }

    #[test]
    fn no_value_and_no_number_are_told_apart() {
        for text in ["", " ", "-", "--", "nan", "NaN", "N/A"] {
            assert_eq!(cell(text, '.'), Cell::Missing, "{text}");
        }
        for text in ["inf", "-inf", "OVLD", "1e999", "e5", "V", "."] {
            assert_eq!(cell(text, '.'), Cell::Other, "{text}");
        }
    }

    proptest! {
        #[test]
        fn every_finite_number_reads_back(value in proptest::num::f64::NORMAL) {
            for text in [format!("{value}"), format!("{value:e}")] {
                prop_assert_eq!(split_number(&text, '.'), Some((value, "")));
            }
        }

        #[test]
        fn short_numbers_are_read_as_long_ones_are(
            text in "-?[0-9]{1,17}([.,][0-9]{0,17})?", comma in any::<bool>(),
        ) {
            let mark = if comma { ',' } else { '.' };
            if let Some(value) = short(&text, mark) {
                let expected: f64 = text.replace(',', ".").parse().unwrap();
                prop_assert_eq!(value.to_bits(), expected.to_bits());
            }
        }

        #[test]
        fn no_text_makes_a_number_that_is_none(text in "\\PC{0,12}", comma in any::<bool>()) {
            if let Cell::Number { value, .. } = cell(&text, if comma { ',' } else { '.' }) {
                prop_assert!(value.is_finite());
            }
        }
    }
}
