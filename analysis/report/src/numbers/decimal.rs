//! Decimals of a few places, written as the whole numbers they are: three digits
//! at a time from a table. Never rounds what it is not asked to round.

/// Of any three digits: the digits, and how many zeros lead and trail them.
type Three = ([u8; 3], u8, u8);

const THREES: [Three; 1000] = {
    let mut all = [([b'0'; 3], 0, 0); 1000];
    let mut n = 0_usize;
    while n < 1000 {
        let digits = [b'0' + (n / 100) as u8, b'0' + (n / 10 % 10) as u8, b'0' + (n % 10) as u8];
        let lead = if n >= 100 {
            0
        } else if n >= 10 {
            1
        } else {
            2
        };
        let trail = if !n.is_multiple_of(10) {
            0
        } else if !n.is_multiple_of(100) {
            1
        } else {
            2
        };
        all[n] = (digits, lead, trail);
        n += 1;
    }
    all
};

/// Decimals below this many of their last places are told apart by every binary
/// number near them: no shorter decimal reads back to the same one.
const MOST: f64 = 4_503_599_627_370_496.0;

/// Writes a value of at most six places; false, and nothing, if it is none.
pub(super) fn write(value: f64, out: &mut Vec<u8>) -> bool {
    if value == 0.0 {
        out.push(b'0');
    } else if let Some(number) = whole(value, 1e3) {
        put(value, number / 1000, [(number % 1000) as u16], out);
    } else if let Some(number) = whole(value, 1e6) {
        let (rest, millionths) = (number / 1000, (number % 1000) as u16);
        put(value, rest / 1000, [(rest % 1000) as u16, millionths], out);
    } else {
        return false;
    }
    true
}

/// Writes a value rounded to nine places; false, and nothing, if it is too large
/// for that.
pub(super) fn write_billionths(value: f64, out: &mut Vec<u8>) -> bool {
    // On a discharge half of the totals stay at it.
    if value == 0.0 {
        out.push(b'0');
        return true;
    }
    let billionths = value.abs() * 1e9;
    if billionths.is_nan() || billionths >= MOST {
        return false;
    }
    let number = (billionths + 0.5) as u64;
    let three = |unit: u64| (number / unit % 1000) as u16;
    put(value, number / 1_000_000_000, [three(1_000_000), three(1000), three(1)], out);
    true
}

/// The magnitude in such parts, if it is a whole number of them.
fn whole(value: f64, parts: f64) -> Option<u64> {
    let scaled = value.abs() * parts;
    if scaled.is_nan() || scaled >= MOST {
        return None;
    }
    let number = (scaled + 0.5) as u64;
    (number as f64 / parts == value.abs()).then_some(number)
}

/// Puts a number together: sign, whole part, three digits after three.
fn put<const N: usize>(value: f64, whole: u64, parts: [u16; N], out: &mut Vec<u8>) {
    let last = parts.iter().rposition(|part| *part != 0);
    if value < 0.0 && (whole > 0 || last.is_some()) {
        out.push(b'-');
    }
    put_whole(whole, out);
    let Some(last) = last else { return };
    out.push(b'.');
    for part in &parts[..=last] {
        out.extend_from_slice(&THREES[usize::from(*part)].0);
    }
    let zeros = THREES[usize::from(parts[last])].2;
    out.truncate(out.len() - usize::from(zeros));
}

fn put_whole(number: u64, out: &mut Vec<u8>) {
    if number < 1000 {
        let (digits, lead, _) = THREES[number as usize];
        match lead {
            0 => out.extend_from_slice(&digits),
            1 => out.extend_from_slice(&[digits[1], digits[2]]),
            _ => out.push(digits[2]),
        }
        return;
    }
    put_whole(number / 1000, out);
    out.extend_from_slice(&THREES[(number % 1000) as usize].0);
}
