//! Numbers in a frame: where they lie, how they are written.

use serde::Deserialize;

/// Which byte of a number comes first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Endian {
    /// The least significant.
    #[default]
    Little,
    /// The most significant.
    Big,
}

/// How a number is written: `u` without and `i` with a sign (two's complement),
/// `f` IEEE 754; then its bits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[allow(missing_docs, reason = "the names say it")]
pub enum Type {
    #[default]
    U8,
    I8,
    U16,
    I16,
    U24,
    I24,
    U32,
    I32,
    U48,
    I48,
    U64,
    I64,
    F32,
    F64,
}

impl Type {
    /// How many bytes it takes.
    pub const fn octets(self) -> usize {
        match self {
            Type::U8 | Type::I8 => 1,
            Type::U16 | Type::I16 => 2,
            Type::U24 | Type::I24 => 3,
            Type::U32 | Type::I32 | Type::F32 => 4,
            Type::U48 | Type::I48 => 6,
            Type::U64 | Type::I64 | Type::F64 => 8,
        }
    }

    const fn is_signed(self) -> bool {
        matches!(self, Type::I8 | Type::I16 | Type::I24 | Type::I32 | Type::I48 | Type::I64)
    }

    /// Whether it is a floating point number.
    pub const fn is_float(self) -> bool {
        matches!(self, Type::F32 | Type::F64)
    }
}

/// A number as it stands in a frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// An integer.
    Int(i128),
    /// A floating point number; it may be none or infinite.
    Float(f64),
}

impl Number {
    /// As a floating point number. Beyond 2^53 the last digits are lost.
    pub fn as_f64(self) -> f64 {
        match self {
            Number::Int(n) => n as f64,
            Number::Float(value) => value,
        }
    }
}

/// Where a number lies and how it is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Its first byte, from 0; from the frame's end if negative.
    pub at: i32,
    /// How it is written.
    pub written: Type,
    /// Which byte comes first.
    pub endian: Endian,
    /// The lowest and the highest of the bits that count; all of them if none.
    pub bits: Option<(u32, u32)>,
}

impl Place {
    /// The number, if the frame is long enough.
    pub fn read(&self, frame: &[u8]) -> Option<Number> {
        let from = position(self.at, frame.len())?;
        let bytes = frame.get(from..from.checked_add(self.written.octets())?)?;
        let raw = unsigned(bytes, self.endian);
        Some(match self.written {
            Type::F32 => Number::Float(f64::from(f32::from_bits(raw as u32))),
            Type::F64 => Number::Float(f64::from_bits(raw as u64)),
            _ => {
                let all = (0, 8 * bytes.len() as u32 - 1);
                let (low, high) = self.bits.unwrap_or(all);
                Number::Int(self.integer(raw >> low, high - low + 1))
            }
        })
    }

    /// The number, if the frame is long enough and it is an integer.
    pub fn read_int(&self, frame: &[u8]) -> Option<i128> {
        match self.read(frame)? {
            Number::Int(n) => Some(n),
            Number::Float(_) => None,
        }
    }

    fn integer(&self, raw: u128, width: u32) -> i128 {
        let value = (raw & ((1 << width) - 1)) as i128;
        let is_negative = self.written.is_signed() && value >> (width - 1) == 1;
        if is_negative { value - (1 << width) } else { value }
    }
}

/// A place in a frame of `length` bytes, counted from its end if negative.
pub fn position(at: i32, length: usize) -> Option<usize> {
    match usize::try_from(at) {
        Ok(at) => Some(at),
        Err(_) => length.checked_sub(at.unsigned_abs() as usize),
    }
}

/// The bytes as one number without a sign.
pub fn unsigned(bytes: &[u8], endian: Endian) -> u128 {
    let join = |number: u128, byte: &u8| number << 8 | u128::from(*byte);
    match endian {
        Endian::Big => bytes.iter().fold(0, join),
        Endian::Little => bytes.iter().rev().fold(0, join),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn place(at: i32, written: Type, endian: Endian) -> Place {
        Place { at, written, endian, bits: None }
    }

    #[test]
    fn numbers_are_read_in_both_orders_from_both_ends() {
        let frame = [0xFF, 0x01, 0x02, 0x80];
        for (at, written, endian, value) in [
            (1, Type::U16, Endian::Big, 0x0102),
            (1, Type::U16, Endian::Little, 0x0201),
            (0, Type::I16, Endian::Little, 0x01FF),
            (0, Type::I16, Endian::Big, -0xFF),
            (-1, Type::I8, Endian::Big, -128),
            (-3, Type::I24, Endian::Little, 0x0080_0201 - 0x0100_0000),
            (0, Type::U32, Endian::Big, 0xFF01_0280),
        ] {
            let read = place(at, written, endian).read_int(&frame);
            assert_eq!(read, Some(value), "{at} {written:?} {endian:?}");
        }
        for at in [3, 4, -5, i32::MAX, i32::MIN] {
            assert_eq!(place(at, Type::U16, Endian::Big).read(&frame), None, "{at}");
        }
    }

    #[test]
    fn bits_are_cut_out_with_their_sign() {
        let frame = [0b1010_0101, 0b1111_0000];
        let bits = |written, low, high| {
            let bits = Some((low, high));
            Place { at: 0, written, endian: Endian::Little, bits }.read_int(&frame).unwrap()
        };
        assert_eq!(bits(Type::U16, 0, 3), 0b0101);
        assert_eq!(bits(Type::I16, 4, 7), 0b1010 - 16);
        assert_eq!(bits(Type::U16, 4, 15), 0b1111_0000_1010);
        assert_eq!(bits(Type::U8, 7, 7), 1);
        assert_eq!(bits(Type::U8, 1, 1), 0);
    }

    proptest! {
        #[test]
        fn every_number_reads_back(n in any::<i64>(), value in any::<f64>()) {
            for (endian, bytes) in [(Endian::Big, n.to_be_bytes()), (Endian::Little, n.to_le_bytes())] {
                prop_assert_eq!(place(0, Type::I64, endian).read_int(&bytes), Some(n.into()));
                prop_assert_eq!(place(0, Type::U64, endian).read_int(&bytes), Some((n as u64).into()));
            }
            let read = place(0, Type::F64, Endian::Big).read(&value.to_be_bytes());
            prop_assert_eq!(read.map(|n| n.as_f64().to_bits()), Some(value.to_bits()));
            let single = value as f32;
            let read = place(0, Type::F32, Endian::Little).read(&single.to_le_bytes());
            prop_assert_eq!(read.map(|n| (n.as_f64() as f32).to_bits()), Some(single.to_bits()));
        }
    }
}
