//! Numbers in registers: 16, 32 and 64 bits. The standard knows 16-bit
//! registers only, high octet first; how larger numbers are laid over several
//! is the instrument's own choice, and a setting here.

use serde::Deserialize;

/// What a number is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Unsigned, one register.
    #[default]
    U16,
    /// Signed (two's complement), one register.
    I16,
    /// Unsigned, two registers.
    U32,
    /// Signed, two registers.
    I32,
    /// IEEE 754 single, two registers.
    F32,
    /// Unsigned, four registers.
    U64,
    /// Signed, four registers.
    I64,
    /// IEEE 754 double, four registers.
    F64,
}

/// The order of the octets, `a` the most significant of a 32-bit number. The
/// four names are common usage (common practice, no source).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// High register first, high octet first.
    #[default]
    Abcd,
    /// Low register first, high octet first.
    Cdab,
    /// High register first, low octet first.
    Badc,
    /// Low register first, low octet first.
    Dcba,
}

impl Kind {
    /// How many registers it takes.
    pub fn registers(self) -> u16 {
        match self {
            Kind::U16 | Kind::I16 => 1,
            Kind::U32 | Kind::I32 | Kind::F32 => 2,
            Kind::U64 | Kind::I64 | Kind::F64 => 4,
        }
    }

    /// The number in these octets, as they came. A single is read as the
    /// shortest decimal that stands for it: 13.26, not 13.260000228881836. An
    /// integer beyond 2^53 is rounded.
    pub fn read(self, order: Order, octets: &[u8]) -> f64 {
        let bits = bits(order, octets);
        match self {
            Kind::U16 | Kind::U32 | Kind::U64 => bits as f64,
            Kind::I16 => f64::from(bits as u16 as i16),
            Kind::I32 => f64::from(bits as u32 as i32),
            Kind::I64 => bits as i64 as f64,
            Kind::F32 => decimal(f32::from_bits(bits as u32)),
            Kind::F64 => f64::from_bits(bits),
        }
    }
}

fn bits(order: Order, octets: &[u8]) -> u64 {
    let swaps_octets = matches!(order, Order::Badc | Order::Dcba);
    let add = |bits: u64, register: &[u8]| {
        let (first, second) = match (register, swaps_octets) {
            ([high, low], false) | ([low, high], true) => (*high, *low),
            _ => return bits,
        };
        bits << 16 | u64::from(first) << 8 | u64::from(second)
    };
    let registers = octets.chunks_exact(2);
    match order {
        Order::Abcd | Order::Badc => registers.fold(0, add),
        Order::Cdab | Order::Dcba => registers.rev().fold(0, add),
    }
}

fn decimal(single: f32) -> f64 {
    single.to_string().parse().unwrap_or_else(|_| f64::from(single))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn every_order_puts_the_octets_where_they_belong() {
        let orders = [Order::Abcd, Order::Cdab, Order::Badc, Order::Dcba];
        // 13.26 as a single is 41 54 28 F6 (IEEE 754), -12345 FF FF CF C7.
        for (order, float, integer) in [
            (orders[0], [0x41, 0x54, 0x28, 0xF6], [0xFF, 0xFF, 0xCF, 0xC7]),
            (orders[1], [0x28, 0xF6, 0x41, 0x54], [0xCF, 0xC7, 0xFF, 0xFF]),
            (orders[2], [0x54, 0x41, 0xF6, 0x28], [0xFF, 0xFF, 0xC7, 0xCF]),
            (orders[3], [0xF6, 0x28, 0x54, 0x41], [0xC7, 0xCF, 0xFF, 0xFF]),
        ] {
            assert_eq!(Kind::F32.read(order, &float), 13.26, "{order:?}");
            assert_eq!(Kind::I32.read(order, &integer), -12345.0, "{order:?}");
        }
        assert_eq!(Kind::I16.read(Order::Abcd, &[0xFF, 0x9C]), -100.0);
        assert_eq!(Kind::I16.read(Order::Badc, &[0x9C, 0xFF]), -100.0);
        assert_eq!(
            Kind::I64.read(Order::Cdab, &[0xFF, 0xFE, 0xFF, 0xFF, 255, 255, 255, 255]),
            -2.0
        );
    }

    proptest! {
        #[test]
        fn every_number_reads_back_in_every_order(bits: u64, order in 0usize..4) {
            let order = [Order::Abcd, Order::Cdab, Order::Badc, Order::Dcba][order];
            let sent = |octets: &[u8]| -> Vec<u8> {
                let mut registers: Vec<[u8; 2]> =
                    octets.chunks(2).map(|two| [two[0], two[1]]).collect();
                if matches!(order, Order::Cdab | Order::Dcba) {
                    registers.reverse();
                }
                if matches!(order, Order::Badc | Order::Dcba) {
                    registers.iter_mut().for_each(|register| register.swap(0, 1));
                }
                registers.concat()
            };
            let single = f32::from_bits(bits as u32);
            let read = Kind::F32.read(order, &sent(&(bits as u32).to_be_bytes()));
            prop_assert!(read as f32 == single || single.is_nan() && read.is_nan());
            let double = Kind::F64.read(order, &sent(&bits.to_be_bytes()));
            prop_assert!(double == f64::from_bits(bits) || double.is_nan());
            prop_assert_eq!(Kind::U32.read(order, &sent(&(bits as u32).to_be_bytes())), bits as u32 as f64);
            prop_assert_eq!(Kind::I64.read(order, &sent(&bits.to_be_bytes())), bits as i64 as f64);
        }
    }
}
