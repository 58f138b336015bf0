//! A column of whole numbers as bytes, and back: times, sample numbers, and
//! decimals scaled up. Any i64 comes back as it was.

use pco::ChunkConfig;
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{DeltaSpec, ModeSpec};

/// Evenly spaced: the first number and the step.
const EVEN: u8 = 0;
/// The least number, and how far each is above it, in 32 bits.
const NARROW: u8 = 1;
/// All 64 bits.
const WIDE: u8 = 2;
/// Plain, 8 bytes each: what the codec makes no smaller.
const PLAIN: u8 = 3;

/// Numbers that the choice of a delta is made on.
const PROBE: usize = 512;

/// How numbers follow each other.
#[derive(Clone, Copy)]
pub(crate) enum Shape {
    /// Mostly by the same step, as times do.
    Steps,
    /// To be found out.
    Unknown,
}

/// Puts the column at the end of `out`.
pub(crate) fn write(numbers: &[i64], shape: Shape, out: &mut Vec<u8>) {
    if let Some((first, step)) = even(numbers) {
        out.push(EVEN);
        out.extend_from_slice(&first.to_le_bytes());
        out.extend_from_slice(&step.to_le_bytes());
        return;
    }
    let delta = match shape {
        Shape::Steps => DeltaSpec::TryConsecutive(1),
        Shape::Unknown => delta(numbers),
    };
    let begin = out.len();
    let done = match narrow(numbers) {
        Some((least, above)) => {
            out.push(NARROW);
            out.extend_from_slice(&least.to_le_bytes());
            compress(&above, delta, out)
        }
        None => {
            out.push(WIDE);
            compress(numbers, delta, out)
        }
    };
    if done.is_none() || out.len() - begin > 1 + 8 * numbers.len() {
        out.truncate(begin);
        out.push(PLAIN);
        out.extend(numbers.iter().flat_map(|n| n.to_le_bytes()));
    }
}

/// The column of `count` numbers that is all of `bytes`.
pub(crate) fn read(bytes: &[u8], count: usize) -> Option<Vec<i64>> {
    let (&kind, rest) = bytes.split_first()?;
    match kind {
        EVEN => {
            let (first, step) = rest.split_at_checked(8)?;
            let (first, step) = (number(first)?, number(step)?);
            let at = |i: usize| first.wrapping_add(step.wrapping_mul(i as i64));
            Some((0..count).map(at).collect())
        }
        NARROW => {
            let (least, packed) = rest.split_at_checked(8)?;
            let least = number(least)?;
            let above: Vec<u32> = expand(packed, count)?;
            Some(above.into_iter().map(|n| least.wrapping_add(i64::from(n))).collect())
        }
        WIDE => expand(rest, count),
        PLAIN => {
            let (whole, odd) = rest.as_chunks::<8>();
            let fits = odd.is_empty() && whole.len() == count;
            fits.then(|| whole.iter().map(|b| i64::from_le_bytes(*b)).collect())
        }
        _ => None,
    }
}

fn number(bytes: &[u8]) -> Option<i64> {
    Some(i64::from_le_bytes(bytes.try_into().ok()?))
}

/// The first number and the step, if it is the same throughout.
fn even(numbers: &[i64]) -> Option<(i64, i64)> {
    let first = numbers.first().copied().unwrap_or(0);
    let step = numbers.get(1).map_or(0, |second| second.wrapping_sub(first));
    let is_even = numbers.windows(2).all(|pair| pair[1].wrapping_sub(pair[0]) == step);
    is_even.then_some((first, step))
}

/// The least number and how far the others are above it, if 32 bits hold that.
fn narrow(numbers: &[i64]) -> Option<(i64, Vec<u32>)> {
    let least = *numbers.iter().min()?;
    let above = |n: &i64| u32::try_from(n.checked_sub(least)?).ok();
    Some((least, numbers.iter().map(above).collect::<Option<_>>()?))
}

/// Compresses with the modes named: letting the codec look for one takes
/// longer than the rest and finds no better one for such columns.
pub(crate) fn compress<T: Number>(
    numbers: &[T],
    delta: DeltaSpec,
    out: &mut Vec<u8>,
) -> Option<()> {
    let config = ChunkConfig::default()
        .with_compression_level(6)
        .with_mode_spec(ModeSpec::Classic)
        .with_delta_spec(delta);
    out.extend_from_slice(&simple_compress(numbers, &config).ok()?);
    Some(())
}

/// What [`compress`] made of `count` numbers. Takes no more memory than they do.
pub(crate) fn expand<T: Number + Default>(packed: &[u8], count: usize) -> Option<Vec<T>> {
    let mut numbers = vec![T::default(); count];
    let progress = simple_decompress_into(packed, &mut numbers).ok()?;
    (progress.finished && progress.n_processed == count).then_some(numbers)
}

/// Whether differences are smaller than the numbers themselves, as seen in a
/// stretch from the middle.
fn delta(numbers: &[i64]) -> DeltaSpec {
    let begin = numbers.len().saturating_sub(PROBE) / 2;
    let probe = &numbers[begin..numbers.len().min(begin + PROBE)];
    let steps: Vec<i64> = probe.windows(2).map(|pair| pair[1].wrapping_sub(pair[0])).collect();
    match bits(&steps) < bits(probe) {
        true => DeltaSpec::TryConsecutive(1),
        false => DeltaSpec::NoOp,
    }
}

/// About how many bits a number takes: its place among equal shares of the
/// sorted numbers, or its rarity where it is a frequent one, and its place
/// within the share.
fn bits(numbers: &[i64]) -> f64 {
    let mut sorted = numbers.to_vec();
    sorted.sort_unstable();
    let (total, share) = (sorted.len() as f64, (sorted.len() / 32).max(1));
    let (mut cost, mut rest) = (0.0, sorted.as_slice());
    while let Some(first) = rest.first() {
        let equal = rest.partition_point(|n| n == first);
        let taken = if equal >= share { equal } else { share.min(rest.len()) };
        let width = rest[taken - 1].wrapping_sub(*first).cast_unsigned() as f64;
        cost += taken as f64 * ((total / taken as f64).log2() + (width + 1.0).log2());
        rest = &rest[taken..];
    }
    cost / total.max(1.0)
}
