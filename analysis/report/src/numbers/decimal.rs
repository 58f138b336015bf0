//! Decimals of a few places, written as the whole numbers they are: three digits
//! at a time from a table. Never rounds what it is not asked to round.

/// Any three digits: as a whole number, and as what stands after the point.
#[derive(Clone, Copy)]
#[repr(align(16))]
struct Three {
    /// All three.
    all: [u8; 4],
    /// Without the zeros that lead.
    bare: [u8; 4],
    /// The point and all three.
    places: [u8; 4],
    bare_len: u8,
    /// Of the places up to the last that is not a zero; none where all are.
    places_len: u8,
}

static THREES: [Three; 1000] = {
    let mut all = [Three::of(0); 1000];
    let mut n = 0_u16;
    while n < 1000 {
        all[n as usize] = Three::of(n);
        n += 1;
    }
    all
};

impl Three {
    const fn of(n: u16) -> Three {
        let [a, b, c] = [b'0' + (n / 100) as u8, b'0' + (n / 10 % 10) as u8, b'0' + (n % 10) as u8];
        let (bare, bare_len) = match n {
            0..10 => ([c, 0, 0, 0], 1),
            10..100 => ([b, c, 0, 0], 2),
            _ => ([a, b, c, 0], 3),
        };
        let places_len = if n == 0 {
            0
        } else if n.is_multiple_of(100) {
            2
        } else if n.is_multiple_of(10) {
            3
        } else {
            4
        };
        let (all, places) = ([a, b, c, 0], [b'.', a, b, c]);
        Three { all, bare, places, bare_len, places_len }
    }
}

/// Decimals below this many of their last places are told apart by every binary
/// number near them: no shorter decimal reads back to the same one. From here on
/// binary numbers have no bits for a fraction either.
const MOST: f64 = 4_503_599_627_370_496.0;

/// Room for any such decimal, and for what is put down beyond its end.
pub(super) type Room = [u8; 32];

/// Writes a value of at most six places; gives its length, 0 if it is none.
#[inline]
pub(super) fn write(value: f64, room: &mut Room) -> usize {
    match whole(value, 1e3) {
        // Nearly every reading.
        Some(number) if number < 1_000_000 => {
            let mut pen = Pen::at_sign(value < 0.0, room);
            pen.thousandths(number as u32);
            pen.at
        }
        _ => write_other(value, room),
    }
}

#[inline(never)]
fn write_other(value: f64, room: &mut Room) -> usize {
    match (whole(value, 1e3), whole(value, 1e6)) {
        (Some(number), _) => put(value < 0.0, number / 1000, [(number % 1000) as u32], room),
        (None, Some(number)) => put_millionths(value < 0.0, number, room),
        (None, None) => 0,
    }
}

/// Writes millionths as the value that they are; gives its length, 0 if there are
/// too many for that.
#[inline]
pub(super) fn write_millionths(millionths: i64, room: &mut Room) -> usize {
    let number = millionths.unsigned_abs();
    let (upper, last) = (number / 1000, (number % 1000) as u32);
    if last > 0 && upper < 1_000_000_000 {
        // Nearly every time of a test.
        let (whole, three) = (upper as u32 / 1000, upper as u32 % 1000);
        let mut pen = Pen::at_sign(millionths < 0, room);
        pen.below_million(whole);
        pen.point_and_three(three);
        pen.last(last);
        return pen.at;
    }
    match number < MOST as u64 {
        true => put_millionths(millionths < 0, number, room),
        false => 0,
    }
}

/// Writes a value rounded to nine places; gives its length, 0 if it is too large
/// for that.
#[inline]
pub(super) fn write_billionths(value: f64, room: &mut Room) -> usize {
    // On a discharge half of the totals stay at it.
    if value == 0.0 {
        room[0] = b'0';
        return 1;
    }
    let billionths = value.abs() * 1e9;
    if billionths.is_nan() || billionths >= MOST {
        return 0;
    }
    let number = ((billionths + 0.5) as i64).unsigned_abs();
    let (upper, lower) = (number / 1_000_000, (number % 1_000_000) as u32);
    let last = lower % 1000;
    if last > 0 && upper < 1_000_000 {
        // Nearly every total.
        let mut pen = Pen::at_sign(value < 0.0, room);
        pen.below_thousand(upper as u32 / 1000);
        pen.point_and_three(upper as u32 % 1000);
        pen.three(lower / 1000);
        pen.last(last);
        return pen.at;
    }
    let parts = [(upper % 1000) as u32, lower / 1000, last];
    put(value < 0.0 && number > 0, upper / 1000, parts, room)
}

fn put_millionths(is_negative: bool, number: u64, room: &mut Room) -> usize {
    let (whole, lower) = (number / 1_000_000, (number % 1_000_000) as u32);
    put(is_negative, whole, [lower / 1000, lower % 1000], room)
}

/// Puts any number together: its whole part, and three places after three.
#[inline(never)]
fn put<const N: usize>(is_negative: bool, whole: u64, parts: [u32; N], room: &mut Room) -> usize {
    let mut pen = Pen::at_sign(is_negative, room);
    let (billions, rest) = (whole / 1_000_000_000, (whole % 1_000_000_000) as u32);
    if billions > 0 {
        pen.below_million((billions % 1_000_000) as u32);
        pen.three(rest / 1_000_000);
        pen.three(rest / 1000 % 1000);
        pen.three(rest % 1000);
    } else if rest >= 1_000_000 {
        pen.below_thousand(rest / 1_000_000);
        pen.three(rest / 1000 % 1000);
        pen.three(rest % 1000);
    } else {
        pen.below_million(rest);
    }
    let Some(last) = parts.iter().rposition(|part| *part > 0) else { return pen.at };
    pen.put([b'.', 0, 0, 0], 1);
    parts[..last].iter().for_each(|part| pen.three(*part));
    pen.last(parts[last]);
    pen.at
}

/// The magnitude in such parts, if it is a whole number of them.
fn whole(value: f64, parts: f64) -> Option<u64> {
    let magnitude = value.abs();
    let scaled = magnitude * parts;
    // The last bits of the sum are the number, which takes no conversion.
    let sum = scaled + MOST;
    let is_whole = (sum - MOST) / parts == magnitude;
    (is_whole && scaled < MOST - 1.0).then_some(sum.to_bits() & (MOST as u64 - 1))
}

/// Puts digits down one after the other. Where it stands is never looked up in
/// memory, which would take longer than the digits: so all of this is inlined.
struct Pen<'a> {
    room: &'a mut Room,
    at: usize,
}

impl<'a> Pen<'a> {
    #[inline(always)]
    fn at_sign(is_negative: bool, room: &'a mut Room) -> Pen<'a> {
        room[0] = b'-';
        Pen { room, at: usize::from(is_negative) }
    }
}

impl Pen<'_> {
    /// Below 1000 in all.
    #[inline(always)]
    fn thousandths(&mut self, number: u32) {
        self.below_thousand(number / 1000);
        let Three { places, places_len, .. } = THREES[(number % 1000) as usize];
        self.put(places, places_len);
    }

    #[inline(always)]
    fn below_million(&mut self, number: u32) {
        if number >= 1000 {
            self.below_thousand(number / 1000);
            self.three(number % 1000);
        } else {
            self.below_thousand(number);
        }
    }

    /// As many digits as the number has.
    #[inline(always)]
    fn below_thousand(&mut self, number: u32) {
        let Three { bare, bare_len, .. } = THREES[number as usize];
        self.put(bare, bare_len);
    }

    /// Three digits.
    #[inline(always)]
    fn three(&mut self, number: u32) {
        self.put(THREES[number as usize].all, 3);
    }

    /// The point and three digits.
    #[inline(always)]
    fn point_and_three(&mut self, number: u32) {
        self.put(THREES[number as usize].places, 4);
    }

    /// The last three digits, without zeros at their end; not all are.
    #[inline(always)]
    fn last(&mut self, number: u32) {
        let Three { all, places_len, .. } = THREES[number as usize];
        self.put(all, places_len - 1);
    }

    /// Four bytes at once are quicker than as many as are wanted.
    #[inline(always)]
    fn put(&mut self, bytes: [u8; 4], wanted: u8) {
        if let Some(four) = self.room.get_mut(self.at..self.at + 4) {
            four.copy_from_slice(&bytes);
        }
        self.at += usize::from(wanted);
    }
}
