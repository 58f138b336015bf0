//! A column of readings as bytes, and back, bit for bit: NaN with its payload,
//! the infinities and -0.0 too.
//!
//! Meters send decimals, so a column is kept as whole numbers and a power of
//! ten wherever dividing gives the same bits again; what does not fit is listed.

use pco::ChunkConfig;
use pco::standalone::simple_compress;

use super::ints::{self, Shape};
use crate::varint;

/// Whole numbers over a power of ten, and a list of what is not.
const DECIMAL: u8 = 0;
/// Binary numbers, compressed.
const BINARY: u8 = 1;
/// Plain, 8 bytes each: what the codec makes no smaller.
const PLAIN: u8 = 2;

/// Decimal places that are looked for.
const PLACES: u8 = 9;
/// Values that the places are looked for in.
const PROBE: usize = 64;
/// One value of so many may be listed as an exception.
const EXCEPTIONS: usize = 16;
/// Above this not every whole number is a binary one.
const EXACT: f64 = 9_007_199_254_740_992.0;

/// Puts the column at the end of `out`.
pub(crate) fn write(values: &[f64], out: &mut Vec<u8>) {
    let begin = out.len();
    if !write_decimal(values, out) {
        out.truncate(begin);
        out.push(BINARY);
        if compress(values, out).is_none() || out.len() - begin > 1 + 8 * values.len() {
            out.truncate(begin);
            out.push(PLAIN);
            out.extend(values.iter().flat_map(|v| v.to_le_bytes()));
        }
    }
}

/// The column of `count` values that is all of `bytes`.
pub(crate) fn read(bytes: &[u8], count: usize) -> Option<Vec<f64>> {
    let (&kind, rest) = bytes.split_first()?;
    match kind {
        DECIMAL => read_decimal(rest, count),
        BINARY => ints::expand(rest, count),
        PLAIN => {
            let (whole, odd) = rest.as_chunks::<8>();
            let fits = odd.is_empty() && whole.len() == count;
            fits.then(|| whole.iter().map(|b| f64::from_le_bytes(*b)).collect())
        }
        _ => None,
    }
}

/// Writes as decimals; false if the values are none.
fn write_decimal(values: &[f64], out: &mut Vec<u8>) -> bool {
    let Some(places) = places(values) else { return false };
    let power = power(places);
    if let Some(scaled) = scale_all(values, power) {
        out.extend_from_slice(&[DECIMAL, places]);
        varint::write(0, out);
        ints::write(&scaled, Shape::Unknown, out);
        return true;
    }
    let (mut scaled, mut others) = (Vec::with_capacity(values.len()), Vec::new());
    let mut before = 0;
    for (i, value) in values.iter().enumerate() {
        match scale(*value, power) {
            Some(number) => before = number,
            None => others.push((i, value.to_bits())),
        }
        // An exception repeats its neighbour, which costs next to nothing.
        scaled.push(before);
    }
    if others.len() > values.len() / EXCEPTIONS + 1 {
        return false;
    }
    out.extend_from_slice(&[DECIMAL, places]);
    varint::write(others.len() as u64, out);
    let mut next = 0;
    for (i, bits) in others {
        varint::write((i - next) as u64, out);
        out.extend_from_slice(&bits.to_le_bytes());
        next = i + 1;
    }
    ints::write(&scaled, Shape::Unknown, out);
    true
}

fn read_decimal(bytes: &[u8], count: usize) -> Option<Vec<f64>> {
    let (&places, mut rest) = bytes.split_first()?;
    if places > PLACES {
        return None;
    }
    let others = usize::try_from(varint::read(&mut rest)?).ok().filter(|n| *n <= count)?;
    let (mut listed, mut next) = (Vec::with_capacity(others), 0usize);
    for _ in 0..others {
        let at = next.checked_add(usize::try_from(varint::read(&mut rest)?).ok()?)?;
        let (bits, after) = rest.split_at_checked(8)?;
        listed.push((at, f64::from_le_bytes(bits.try_into().ok()?)));
        (rest, next) = (after, at.checked_add(1)?);
    }
    let power = power(places);
    let mut values: Vec<f64> =
        ints::read(rest, count)?.into_iter().map(|n| n as f64 / power).collect();
    for (at, value) in listed {
        *values.get_mut(at)? = value;
    }
    Some(values)
}

/// The fewest decimal places that the values have, as seen in some of them.
fn places(values: &[f64]) -> Option<u8> {
    let step = (values.len() / PROBE).max(1);
    let probe: Vec<f64> = values.iter().step_by(step).filter(|v| v.is_finite()).copied().collect();
    let fit = |places: &u8| {
        let power = power(*places);
        let others = probe.iter().filter(|v| scale(**v, power).is_none()).count();
        others <= probe.len() / EXCEPTIONS
    };
    (0..=PLACES).find(fit)
}

fn power(places: u8) -> f64 {
    const POWERS: [f64; PLACES as usize + 1] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];
    POWERS[usize::from(places.min(PLACES))]
}

/// The whole number that gives this value, to the bit, when divided again.
fn scale(value: f64, power: f64) -> Option<i64> {
    let near = value * power;
    if near.is_nan() || near.abs() >= EXACT {
        return None;
    }
    // Half away from zero; what is left of a whole number is exact.
    let whole = near as i64;
    let rest = near - whole as f64;
    let number = whole + i64::from(rest >= 0.5) - i64::from(rest <= -0.5);
    // By its bits: -0.0 equals 0.0 and is another value.
    (((number as f64) / power).to_bits() == value.to_bits()).then_some(number)
}

/// The whole numbers of all values, if there is one for each.
fn scale_all(values: &[f64], power: f64) -> Option<Vec<i64>> {
    // Added to a number below 2^51, it leaves a whole one in the lowest bits.
    const ROUNDING: f64 = 6_755_399_441_055_744.0;
    const BOUND: f64 = 2_251_799_813_685_248.0;
    let (mut different, mut is_within) = (0, true);
    let scaled = values.iter().map(|value| {
        let (near, bits) = (value * power, value.to_bits());
        let rounded = near + ROUNDING;
        different |= ((rounded - ROUNDING) / power).to_bits() ^ bits;
        is_within &= near.abs() < BOUND;
        rounded.to_bits().wrapping_sub(ROUNDING.to_bits()).cast_signed()
    });
    let scaled = scaled.collect();
    (different == 0 && is_within).then_some(scaled)
}

/// Lets the codec look for its mode: a product of two decimals, for one, is
/// nearly a multiple of something, which it finds.
fn compress(values: &[f64], out: &mut Vec<u8>) -> Option<()> {
    let config = ChunkConfig::default().with_compression_level(6);
    out.extend_from_slice(&simple_compress(values, &config).ok()?);
    Some(())
}
