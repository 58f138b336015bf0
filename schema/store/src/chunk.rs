//! A sealed chunk: samples of one group in columns, as bytes with a checksum,
//! and back, bit for bit. Knows no database.

mod floats;
mod ints;
#[cfg(test)]
mod tests;

use crate::varint;
use ints::Shape;

/// Samples that a full chunk has.
pub(crate) const FULL: usize = 4096;
/// Samples that a chunk may have.
const MOST: usize = 1 << 16;
/// Columns that a chunk may have.
const MOST_COLUMNS: usize = 1 << 12;
/// Form of the bytes.
const VERSION: u8 = 1;

/// No sample has a time of the instrument.
const OWN_NONE: u8 = 0;
/// Each has one.
const OWN_ALL: u8 = 1;
/// Some have one; a bit for each sample says which.
const OWN_SOME: u8 = 2;

/// Samples of one group, a column for each thing that is known of them.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Columns {
    /// Their numbers.
    pub(crate) seqs: Vec<i64>,
    /// Their times, microseconds.
    pub(crate) t_us: Vec<i64>,
    /// The instrument's own times, microseconds.
    pub(crate) instrument_t_us: Vec<Option<i64>>,
    /// The readings of each channel.
    pub(crate) values: Vec<Vec<f64>>,
}

/// Why bytes are no chunk.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum Unreadable {
    #[error("its checksum does not fit")]
    Checksum,
    #[error("its form {0} is not known")]
    Version(u8),
    #[error("its content contradicts itself")]
    Content,
}

impl Columns {
    /// For samples of a group of so many channels.
    pub(crate) fn of(channels: usize) -> Columns {
        Columns { values: vec![Vec::new(); channels], ..Columns::default() }
    }

    pub(crate) fn len(&self) -> usize {
        self.seqs.len()
    }

    /// Adds a sample; it must have a value for each channel.
    pub(crate) fn push(&mut self, seq: i64, t_us: i64, own: Option<i64>, values: &[f64]) {
        self.seqs.push(seq);
        self.t_us.push(t_us);
        self.instrument_t_us.push(own);
        for (column, value) in self.values.iter_mut().zip(values) {
            column.push(*value);
        }
    }

    /// Adds samples of the same group that came after.
    pub(crate) fn extend(&mut self, later: &Columns) {
        self.seqs.extend_from_slice(&later.seqs);
        self.t_us.extend_from_slice(&later.t_us);
        self.instrument_t_us.extend_from_slice(&later.instrument_t_us);
        for (column, later) in self.values.iter_mut().zip(&later.values) {
            column.extend_from_slice(later);
        }
    }

    /// Keeps only some samples; columns that were not read stay empty.
    pub(crate) fn retain(&mut self, keep: &[bool]) {
        fn of<T>(column: &mut Vec<T>, keep: &[bool]) {
            let mut keep = keep.iter();
            column.retain(|_| keep.next().is_some_and(|keep| *keep));
        }
        of(&mut self.seqs, keep);
        of(&mut self.t_us, keep);
        of(&mut self.instrument_t_us, keep);
        self.values.iter_mut().for_each(|column| of(column, keep));
    }

    /// The same, as they lie here.
    pub(crate) fn lying(&self) -> Lying<'_> {
        let values = self.values.iter().map(Vec::as_slice).collect();
        let Columns { seqs, t_us, instrument_t_us, .. } = self;
        Lying { seqs, t_us, instrument_t_us, values }
    }

    /// From the bytes.
    pub(crate) fn from_bytes(bytes: &[u8]) -> Result<Columns, Unreadable> {
        Columns::some_from_bytes(bytes, &|_| true)
    }

    /// From the bytes, but only those channels' readings that are wanted; the
    /// columns of the others stay empty.
    pub(crate) fn some_from_bytes(
        bytes: &[u8],
        wanted: &dyn Fn(usize) -> bool,
    ) -> Result<Columns, Unreadable> {
        let (checksum, rest) = bytes.split_at_checked(4).ok_or(Unreadable::Content)?;
        if crc32fast::hash(rest).to_le_bytes() != checksum {
            return Err(Unreadable::Checksum);
        }
        match rest.split_first() {
            Some((&VERSION, rest)) => columns(rest, wanted).ok_or(Unreadable::Content),
            Some((other, _)) => Err(Unreadable::Version(*other)),
            None => Err(Unreadable::Content),
        }
    }
}

/// Columns as they lie somewhere.
#[derive(Clone, Debug)]
pub(crate) struct Lying<'a> {
    pub(crate) seqs: &'a [i64],
    pub(crate) t_us: &'a [i64],
    pub(crate) instrument_t_us: &'a [Option<i64>],
    pub(crate) values: Vec<&'a [f64]>,
}

impl Lying<'_> {
    /// As bytes: checksum, version, number of samples, length of each part,
    /// and the parts: numbers, times, own times, readings.
    pub(crate) fn to_bytes(&self) -> Vec<u8> {
        let (mut parts, mut ends) = (Vec::new(), Vec::new());
        ints::write(self.seqs, Shape::Steps, &mut parts);
        ends.push(parts.len());
        ints::write(self.t_us, Shape::Steps, &mut parts);
        ends.push(parts.len());
        self.write_own_times(&mut parts);
        ends.push(parts.len());
        for column in &self.values {
            floats::write(column, &mut parts);
            ends.push(parts.len());
        }
        let mut bytes = vec![0, 0, 0, 0, VERSION];
        varint::write(self.seqs.len() as u64, &mut bytes);
        varint::write(ends.len() as u64, &mut bytes);
        let mut begin = 0;
        for end in ends {
            varint::write((end - begin) as u64, &mut bytes);
            begin = end;
        }
        bytes.extend_from_slice(&parts);
        let checksum = crc32fast::hash(&bytes[4..]);
        bytes[..4].copy_from_slice(&checksum.to_le_bytes());
        bytes
    }

    fn write_own_times(&self, out: &mut Vec<u8>) {
        let has_own = |own: &Option<i64>| own.is_some();
        if !self.instrument_t_us.iter().any(has_own) {
            return out.push(OWN_NONE);
        }
        if self.instrument_t_us.iter().all(has_own) {
            out.push(OWN_ALL);
        } else {
            out.push(OWN_SOME);
            let byte = |eight: &[Option<i64>]| {
                eight.iter().rev().fold(0, |byte, own| byte << 1 | u8::from(own.is_some()))
            };
            out.extend(self.instrument_t_us.chunks(8).map(byte));
        }
        // How far it is from ours: the two clocks run side by side.
        let apart: Vec<i64> = (self.instrument_t_us.iter().zip(self.t_us))
            .map(|(own, t_us)| own.map_or(0, |own| own.wrapping_sub(*t_us)))
            .collect();
        ints::write(&apart, Shape::Unknown, out);
    }
}

fn columns(mut bytes: &[u8], wanted: &dyn Fn(usize) -> bool) -> Option<Columns> {
    let mut number = || usize::try_from(varint::read(&mut bytes)?).ok();
    let samples = number().filter(|n| *n <= MOST)?;
    let parts = number().filter(|n| (3..MOST_COLUMNS).contains(n))?;
    let lengths: Vec<usize> = (0..parts).map(|_| number()).collect::<Option<_>>()?;
    let mut part = |i: usize| {
        let (part, rest) = bytes.split_at_checked(lengths[i])?;
        bytes = rest;
        Some(part)
    };
    let seqs = ints::read(part(0)?, samples)?;
    let t_us = ints::read(part(1)?, samples)?;
    let instrument_t_us = read_own_times(part(2)?, &t_us)?;
    let mut values = Vec::new();
    for i in 3..parts {
        let part = part(i)?;
        values.push(if wanted(i - 3) { floats::read(part, samples)? } else { Vec::new() });
    }
    bytes.is_empty().then_some(Columns { seqs, t_us, instrument_t_us, values })
}

fn read_own_times(bytes: &[u8], t_us: &[i64]) -> Option<Vec<Option<i64>>> {
    let (&kind, rest) = bytes.split_first()?;
    let (has_own, rest): (&[u8], &[u8]) = match kind {
        OWN_NONE if rest.is_empty() => return Some(vec![None; t_us.len()]),
        OWN_ALL => (&[], rest),
        OWN_SOME => rest.split_at_checked(t_us.len().div_ceil(8))?,
        _ => return None,
    };
    let apart = ints::read(rest, t_us.len())?;
    let own = |i: usize| {
        let is_there = has_own.get(i / 8).is_none_or(|byte| byte >> (i % 8) & 1 == 1);
        is_there.then(|| t_us[i].wrapping_add(apart[i]))
    };
    Some((0..t_us.len()).map(own).collect())
}
