//! How values are written in a characteristic: scaled integers with their codes
//! for 'no value', the medical float, times, states. All little-endian. A code
//! for 'no value' never becomes a number.

use std::borrow::Cow;

/// One value out of a characteristic.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number in its form's unit.
    Number(f64),
    /// The largest that can be written: it may be more.
    AtLeast(f64),
    /// The instrument does not know it; the word says how.
    Unknown(&'static str),
    /// What is there must not be taken for a value; the word says why.
    Wrong(&'static str),
    /// A state or a date, which is no reading; and whether it is a fault.
    State(Cow<'static, str>, bool),
}

/// A code that stands for no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Code {
    /// As [`Value::Unknown`].
    Unknown(&'static str),
    /// As [`Value::Wrong`].
    Wrong(&'static str),
}

/// A scaled integer.
#[derive(Debug, PartialEq)]
pub struct Scalar {
    /// Bytes.
    pub octets: usize,
    /// Two's complement.
    pub signed: bool,
    /// How many steps make one of the unit.
    pub per_unit: f64,
    /// Its unit; empty for a plain number.
    pub unit: &'static str,
    /// The least and the largest allowed, in steps.
    pub range: (i64, i64),
    /// Codes that are no number.
    pub codes: &'static [(i64, Code)],
    /// The largest also stands for everything above.
    pub clips: bool,
}

/// How one value is written.
#[derive(Debug, PartialEq)]
pub enum Form {
    /// A scaled integer.
    Scalar(&'static Scalar),
    /// medfloat16, in this unit.
    MedFloat(&'static str),
    /// Time Exponential 8: 1.1^(N - 64) seconds.
    TimeExponential,
    /// States in the bits of so many bytes.
    Bits(usize, &'static [Bits]),
    /// Days since 1970-01-01; 0 is not known.
    Date,
    /// One of some words, by number, in one byte.
    Word(&'static [&'static str]),
}

/// A state in some bits.
#[derive(Debug, PartialEq)]
pub struct Bits {
    /// Its name.
    pub name: &'static str,
    /// Its lowest bit.
    pub at: u32,
    /// What its numbers mean; their count gives its width.
    pub words: &'static [&'static str],
    /// Whether `yes` is a fault.
    pub fault: bool,
}

impl Form {
    /// How many bytes it takes.
    pub fn octets(&self) -> usize {
        match self {
            Form::Scalar(scalar) => scalar.octets,
            Form::MedFloat(_) => 2,
            Form::TimeExponential | Form::Word(_) => 1,
            Form::Bits(octets, _) => *octets,
            Form::Date => 3,
        }
    }

    /// The unit of its numbers.
    pub fn unit(&self) -> &'static str {
        match self {
            Form::Scalar(scalar) => scalar.unit,
            Form::MedFloat(unit) => unit,
            Form::TimeExponential => "s",
            Form::Bits(..) | Form::Date | Form::Word(_) => "",
        }
    }

    /// The values in its bytes, with the names of those that have their own.
    pub fn read(
        &self,
        name: &'static str,
        bytes: &[u8],
        each: &mut impl FnMut(&'static str, Value),
    ) {
        let raw = unsigned(bytes);
        match self {
            Form::Scalar(scalar) => each(name, scalar.read(bytes)),
            Form::MedFloat(_) => each(name, medfloat16([bytes[0], bytes[1]])),
            Form::TimeExponential => each(name, time_exponential(bytes[0])),
            Form::Word(words) => {
                let word = words.get(raw as usize).copied().filter(|word| !word.is_empty());
                each(
                    name,
                    word.map_or(Value::Wrong("reserved"), |w| Value::State(w.into(), false)),
                );
            }
            Form::Date => each(name, date(raw)),
            Form::Bits(_, states) => {
                for state in *states {
                    let number =
                        (raw >> state.at) as usize & (state.words.len().next_power_of_two() - 1);
                    each(
                        state.name,
                        match state.words.get(number) {
                            Some(word) => Value::State((*word).into(), state.fault && number == 1),
                            None => Value::Wrong("reserved"),
                        },
                    );
                }
            }
        }
    }
}

impl Scalar {
    fn read(&self, bytes: &[u8]) -> Value {
        let raw = unsigned(bytes) as i64;
        let width = 8 * self.octets;
        let raw = if self.signed && raw >> (width - 1) == 1 { raw - (1 << width) } else { raw };
        match self.codes.iter().find(|(code, _)| *code == raw) {
            Some((_, Code::Unknown(word))) => return Value::Unknown(word),
            Some((_, Code::Wrong(word))) => return Value::Wrong(word),
            None => {}
        }
        let value = raw as f64 / self.per_unit;
        let (lowest, highest) = self.range;
        match raw {
            raw if raw < lowest || raw > highest => Value::Wrong("reserved"),
            raw if raw == highest && self.clips => Value::AtLeast(value),
            _ => Value::Number(value),
        }
    }
}

fn unsigned(bytes: &[u8]) -> u64 {
    bytes.iter().rev().fold(0, |number, byte| number << 8 | u64::from(*byte))
}

/// medfloat16, the SFLOAT of IEEE 11073-20601: the high four bits are an exponent
/// to base 10, the others a mantissa, both in two's complement.
pub fn medfloat16(bytes: [u8; 2]) -> Value {
    let raw = u16::from_le_bytes(bytes);
    match raw {
        0x07FF => return Value::Unknown("nan"),
        0x0800 => return Value::Unknown("not_at_this_resolution"),
        0x07FE => return Value::Wrong("positive_infinity"),
        0x0802 => return Value::Wrong("negative_infinity"),
        0x0801 => return Value::Wrong("reserved"),
        _ => {}
    }
    let exponent = i32::from(raw as i16 >> 12);
    let mantissa = i32::from((raw << 4) as i16 >> 4);
    Value::Number(decimal(f64::from(mantissa), exponent))
}

/// medfloat32, the FLOAT of IEEE 11073-20601: the high byte is the exponent.
pub fn medfloat32(bytes: [u8; 4]) -> Value {
    let raw = u32::from_le_bytes(bytes);
    match raw {
        0x007F_FFFF => return Value::Unknown("nan"),
        0x0080_0000 => return Value::Unknown("not_at_this_resolution"),
        0x007F_FFFE => return Value::Wrong("positive_infinity"),
        0x0080_0002 => return Value::Wrong("negative_infinity"),
        0x0080_0001 => return Value::Wrong("reserved"),
        _ => {}
    }
    let exponent = raw as i32 >> 24;
    let mantissa = (raw << 8) as i32 >> 8;
    Value::Number(decimal(f64::from(mantissa), exponent))
}

/// `number × 10^exponent`, as close as a decimal comes.
pub fn decimal(number: f64, exponent: i32) -> f64 {
    let power = 10f64.powi(exponent.abs());
    if exponent < 0 { number / power } else { number * power }
}

fn time_exponential(n: u8) -> Value {
    match n {
        0x00 => Value::Number(0.0),
        0xFE => Value::Unknown("device_lifetime"),
        0xFF => Value::Unknown("not_known"),
        n => Value::Number(1.1f64.powi(i32::from(n) - 64)),
    }
}

fn date(days: u64) -> Value {
    if days == 0 {
        return Value::Unknown("not_known");
    }
    let day = i64::try_from(days).ok().and_then(|days| days.checked_mul(86_400));
    match day.and_then(|second| jiff::Timestamp::from_second(second).ok()) {
        Some(day) => {
            let date = jiff::tz::Offset::UTC.to_datetime(day).date();
            Value::State(date.to_string().into(), false)
        }
        None => Value::Wrong("reserved"),
    }
}

/// The time of an Elapsed Time characteristic.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Elapsed {
    /// Microseconds: since 1970-01-01 UTC, or of a tick counter.
    pub t_us: i64,
    /// Whether it is that of a tick counter.
    pub is_tick: bool,
    /// What sets the instrument's clock.
    pub source: &'static str,
    /// How far its local time is ahead of UTC, minutes.
    pub offset_minutes: i64,
}

/// How many bytes an Elapsed Time has.
pub const ELAPSED_OCTETS: usize = 9;

/// Reads an Elapsed Time. `None` where it lies beyond all reason.
pub fn elapsed(bytes: [u8; ELAPSED_OCTETS]) -> Option<Elapsed> {
    /// 2000-01-01 00:00:00 UTC, the epoch of its time of day.
    const EPOCH_SECOND: i64 = 946_684_800;
    const SOURCES: [&str; 8] = [
        "unknown",
        "ntp",
        "gps",
        "radio",
        "manual",
        "atomic_clock",
        "cellular",
        "not_synchronized",
    ];
    let has = |bit: u8| bytes[0] >> bit & 1 == 1;
    let step_us = [1_000_000, 100_000, 1000, 100][usize::from(bytes[0] >> 2 & 3)];
    let counted_us = i64::try_from(unsigned(&bytes[1..7])).ok()?.checked_mul(step_us)?;
    let offset_minutes = if has(4) { 15 * i64::from(bytes[8] as i8) } else { 0 };
    let (is_tick, is_utc) = (has(0), has(1));
    let ahead_us = if is_utc { 0 } else { offset_minutes * 60_000_000 };
    let t_us = match is_tick {
        true => counted_us,
        false => counted_us.checked_add(EPOCH_SECOND * 1_000_000)?.checked_sub(ahead_us)?,
    };
    let source = SOURCES.get(usize::from(bytes[7])).copied().unwrap_or("unknown");
    Some(Elapsed { t_us, is_tick, source, offset_minutes })
}
