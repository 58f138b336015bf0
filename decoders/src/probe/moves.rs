//! Which numbers move with the load. For each place and each way of writing a
//! number: how far apart are on and off, measured by how much it wanders while
//! nothing is switched, and is it so at every switch?

use std::ops::Range;

use serde::Serialize;

use super::load::{Load, Stretch};
use super::packets::Packets;
use super::shape::LOOKED_AT;
use crate::layout::value::{self, Endian, Number, Type};

/// A number whose states lie less far apart is not named.
pub const FEWEST_SPREADS: f64 = 4.0;
/// Further apart than this is all the same.
const MOST_SPREADS: f64 = 1000.0;
/// Fewer values on either side say nothing.
const FEWEST_VALUES: u64 = 8;
/// Moves that are named.
const MOST_MOVES: usize = 8;
/// The spread of a number that does not move: its step, evenly spread.
const STEP_SPREAD: f64 = 0.3;

/// Where a number lies.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    /// In a packet.
    Bytes {
        /// The first byte.
        at: usize,
        /// How it is written, as in a layout: `i16`.
        written: &'static str,
        /// Whether the high byte comes first.
        is_big_endian: bool,
    },
    /// In a line: the name of the column.
    Column(String),
}

/// A number that moves with the load.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Move {
    /// Where it lies.
    pub place: Place,
    /// Its mean while the load was on.
    pub on: f64,
    /// Its mean while it was off.
    pub off: f64,
    /// How far apart they are, in spreads.
    pub spreads: f64,
    /// Whether it was so at each of two switches or more in both directions.
    pub is_confident: bool,
}

/// One value after another, with the load on and off.
#[derive(Clone, Debug, Default)]
pub struct Watch {
    on: Moments,
    off: Moments,
    /// Lowest and highest mean of a stretch, on and off, and how many there were.
    on_means: Means,
    off_means: Means,
    stretch: Option<Stretch>,
    sum: f64,
    count: u64,
    is_void: bool,
}

#[derive(Clone, Debug, Default)]
struct Moments {
    count: u64,
    mean: f64,
    squares: f64,
}

#[derive(Clone, Debug, Default)]
struct Means {
    count: u64,
    lowest: f64,
    highest: f64,
}

impl Moments {
    /// Welford's recurrence (B. P. Welford, Technometrics 4, 1962).
    fn add(&mut self, value: f64) {
        self.count += 1;
        let delta = value - self.mean;
        self.mean += delta / self.count as f64;
        self.squares += delta * (value - self.mean);
    }
}

impl Means {
    fn add(&mut self, mean: f64) {
        let (lowest, highest) =
            if self.count == 0 { (mean, mean) } else { (self.lowest, self.highest) };
        self.lowest = lowest.min(mean);
        self.highest = highest.max(mean);
        self.count += 1;
    }
}

impl Watch {
    /// The next value. What is no plausible number makes the whole place none.
    pub fn add(&mut self, value: Option<f64>, stretch: Option<Stretch>) {
        let Some(value) = value.filter(|value| value.is_finite()) else {
            self.is_void = true;
            return;
        };
        let Some(stretch) = stretch else { return };
        if self.stretch != Some(stretch) {
            self.end_stretch();
            self.stretch = Some(stretch);
        }
        self.sum += value;
        self.count += 1;
        if stretch.is_on { self.on.add(value) } else { self.off.add(value) }
    }

    fn end_stretch(&mut self) {
        if let Some(stretch) = self.stretch.filter(|_| self.count > 0) {
            let mean = self.sum / self.count as f64;
            if stretch.is_on { self.on_means.add(mean) } else { self.off_means.add(mean) }
        }
        (self.sum, self.count) = (0.0, 0);
    }

    /// What came of it, if it moves with the load; `step` is its least step.
    pub fn end(mut self, place: Place, step: f64) -> Option<Move> {
        self.end_stretch();
        let (on, off) = (&self.on, &self.off);
        if self.is_void || on.count < FEWEST_VALUES || off.count < FEWEST_VALUES {
            return None;
        }
        let apart = (on.mean - off.mean).abs();
        let pooled = (on.squares + off.squares) / (on.count + off.count - 2) as f64;
        let spread = pooled.sqrt().max(step * STEP_SPREAD).max(apart / MOST_SPREADS);
        let spreads = apart / spread;
        let always = self.on_means.lowest > self.off_means.highest
            || self.on_means.highest < self.off_means.lowest;
        let often = self.on_means.count >= 2 && self.off_means.count >= 2;
        (always && apart > 0.0 && spreads >= FEWEST_SPREADS).then_some(Move {
            place,
            on: on.mean,
            off: off.mean,
            spreads,
            is_confident: often,
        })
    }
}

/// The ways in which a number may be written.
const WRITTEN: [(Type, &str); 7] = [
    (Type::U8, "u8"),
    (Type::I8, "i8"),
    (Type::U16, "u16"),
    (Type::I16, "i16"),
    (Type::U32, "u32"),
    (Type::I32, "i32"),
    (Type::F32, "f32"),
];

struct Candidate {
    reader: value::Place,
    name: &'static str,
    watch: Watch,
}

impl Candidate {
    fn read(&self, packet: &[u8]) -> Option<f64> {
        match self.reader.read(packet)? {
            Number::Int(n) => Some(n as f64),
            // Other bytes taken for a number are tiny or huge.
            Number::Float(value) => {
                let is_plausible = value == 0.0 || (1e-6..=1e7).contains(&value.abs());
                is_plausible.then_some(value)
            }
        }
    }
}

/// What moves in the packets of one length, the clearest first.
pub fn in_packets(
    length: usize,
    packets: &Packets,
    is_constant: &[bool],
    sealed: Range<usize>,
    load: &Load,
) -> Vec<Move> {
    if !load.is_known() {
        return Vec::new();
    }
    let mut candidates = candidates(length, is_constant, &sealed);
    for (t_us, packet) in packets.iter().filter(|(_, packet)| packet.len() == length) {
        let stretch = load.stretch(t_us);
        for candidate in &mut candidates {
            let value = candidate.read(packet);
            candidate.watch.add(value, stretch);
        }
    }
    let tells = tells(length, packets, is_constant, load);
    let moves = candidates.into_iter().filter_map(|candidate| {
        let Candidate { reader, name, watch } = candidate;
        let at = reader.at as usize;
        let is_big_endian = reader.endian == Endian::Big;
        let step = step(&reader, &tells);
        let found = watch.end(Place::Bytes { at, written: name, is_big_endian }, step)?;
        Some((at..at + reader.written.octets(), found))
    });
    apart(moves.collect(), is_constant)
}

fn candidates(length: usize, is_constant: &[bool], sealed: &Range<usize>) -> Vec<Candidate> {
    let mut all = Vec::new();
    for at in 0..length.min(LOOKED_AT) {
        for (written, name) in WRITTEN {
            let bytes = at..at + written.octets();
            let is_in = bytes.end <= length.min(LOOKED_AT);
            let is_sealed = bytes.clone().any(|byte| sealed.contains(&byte));
            if !is_in || is_sealed || bytes.clone().all(|byte| is_constant[byte]) {
                continue;
            }
            let orders: &[Endian] = match written.octets() {
                1 => &[Endian::Little],
                _ => &[Endian::Little, Endian::Big],
            };
            for endian in orders {
                let reader = value::Place { at: at as i32, written, endian: *endian, bits: None };
                all.push(Candidate { reader, name, watch: Watch::default() });
            }
        }
    }
    all
}

/// What a byte can tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Tells {
    /// It is always the same, or nothing but 00 or FF, as where it carries a sign.
    Nothing,
    /// It takes all values alike, whether the load is on or off.
    Noise,
    /// It stays together.
    Something,
}

/// What each byte of the packets of one length can tell.
fn tells(length: usize, packets: &Packets, is_constant: &[bool], load: &Load) -> Vec<Tells> {
    let mut is_flat = vec![true; is_constant.len()];
    // Directions on a circle of 256, so that FF lies beside 00: on and off.
    let mut sums = vec![[(0.0f64, 0.0f64, 0.0f64); 2]; is_constant.len()];
    for (t_us, packet) in packets.iter().filter(|(_, packet)| packet.len() == length) {
        let stretch = load.stretch(t_us);
        for (at, byte) in packet.iter().enumerate().take(is_flat.len()) {
            is_flat[at] &= matches!(byte, 0x00 | 0xFF);
            if let Some(stretch) = stretch {
                let (sin, cos) = (f64::from(*byte) * std::f64::consts::TAU / 256.0).sin_cos();
                let sum = &mut sums[at][usize::from(stretch.is_on)];
                *sum = (sum.0 + sin, sum.1 + cos, sum.2 + 1.0);
            }
        }
    }
    let together = |sum: &(f64, f64, f64)| sum.0.hypot(sum.1) / sum.2.max(1.0) >= 0.5;
    let tell = |at: usize| match () {
        () if is_flat[at] || is_constant[at] => Tells::Nothing,
        () if sums[at].iter().any(together) => Tells::Something,
        () => Tells::Noise,
    };
    (0..is_constant.len()).map(tell).collect()
}

/// The least step of a number: where its low bytes say nothing, it is larger. Nor
/// does a byte say anything that lies below one which is always 00 or FF while one
/// above that is not: no number counts like that.
fn step(reader: &value::Place, tells: &[Tells]) -> f64 {
    if reader.written.is_float() {
        return 0.0;
    }
    let at = reader.at as usize;
    let mut bytes = tells[at..at + reader.written.octets()].to_vec();
    if reader.endian == Endian::Big {
        bytes.reverse();
    }
    let highest = bytes.iter().rposition(|byte| *byte != Tells::Nothing).unwrap_or(0);
    let mute = bytes[..highest].iter().rposition(|byte| *byte == Tells::Nothing);
    let low = mute.map_or(0, |place| place + 1);
    let noise = bytes[low..highest].iter().take_while(|byte| **byte == Tells::Noise).count();
    256f64.powi((low + noise) as i32)
}

/// Of the many ways to read the same bytes the best: the clearest; of those as
/// clear the narrowest, unless a wider one reads the same numbers and its further
/// bytes move too. What overlaps it is then left out.
fn apart(mut moves: Vec<(Range<usize>, Move)>, is_constant: &[bool]) -> Vec<Move> {
    let overlap = |a: &Range<usize>, b: &Range<usize>| a.start < b.end && b.start < a.end;
    let mut chosen = Vec::new();
    while chosen.len() < MOST_MOVES {
        let clearest = moves.iter().max_by(|a, b| a.1.spreads.total_cmp(&b.1.spreads));
        let Some((bytes, best)) = clearest else { break };
        let ties = moves
            .iter()
            .filter(|(other, m)| overlap(other, bytes) && m.spreads >= 0.99 * best.spreads);
        let Some(narrow) = ties.clone().min_by_key(|(bytes, m)| (bytes.len(), rank(m))) else {
            break;
        };
        let same = |m: &Move| near(m.on, narrow.1.on) && near(m.off, narrow.1.off);
        let wide = ties
            .filter(|(bytes, m)| same(m) && bytes.clone().all(|byte| !is_constant[byte]))
            .max_by_key(|(bytes, m)| (bytes.len(), std::cmp::Reverse(rank(m))));
        let (bytes, found) = wide.unwrap_or(narrow).clone();
        moves.retain(|(other, _)| !overlap(other, &bytes));
        chosen.push(found);
    }
    chosen
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

/// Of two ways that are as good: a plausible floating point number is no chance,
/// and a current has a sign.
fn rank(found: &Move) -> u8 {
    match &found.place {
        Place::Bytes { written, .. } if written.starts_with('f') => 0,
        Place::Bytes { written, .. } if written.starts_with('i') => 1,
        _ => 2,
    }
}
