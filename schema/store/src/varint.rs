//! Whole numbers in as few bytes as they need: 7 bits a byte, the lowest first,
//! the high bit set on all but the last. Small signed ones stay small.

pub(crate) fn write(mut value: u64, out: &mut Vec<u8>) {
    while value >= 0x80 {
        out.push((value & 0x7f) as u8 | 0x80);
        value >>= 7;
    }
    out.push(value as u8);
}

pub(crate) fn read(bytes: &mut &[u8]) -> Option<u64> {
    let mut value = 0u64;
    for shift in (0..64).step_by(7) {
        let (&byte, rest) = bytes.split_first()?;
        *bytes = rest;
        let bits = u64::from(byte & 0x7f);
        if bits << shift >> shift != bits {
            return None;
        }
        value |= bits << shift;
        if byte < 0x80 {
            return Some(value);
        }
    }
    None
}

pub(crate) fn write_signed(value: i64, out: &mut Vec<u8>) {
    write(((value << 1) ^ (value >> 63)).cast_unsigned(), out);
}

pub(crate) fn read_signed(bytes: &mut &[u8]) -> Option<i64> {
    let value = read(bytes)?;
    Some((value >> 1).cast_signed() ^ -((value & 1).cast_signed()))
}
