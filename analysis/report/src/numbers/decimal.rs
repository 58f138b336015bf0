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
pub(super) fn write(value: f64, room: &mut Room) -> usize {
    let mut pen = Pen { room, at: 0 };
    if let Some(number) = whole(value, 1e3) {
        pen.sign(value < 0.0);
        pen.thousandths(number);
    } else if let Some(number) = whole(value, 1e6) {
        pen.sign(value < 0.0);
        pen.millionths(number);
    }
    pen.at
}

/// Writes millionths as the value that they are; gives its length, 0 if there are
/// too many for that.
pub(super) fn write_millionths(millionths: i64, room: &mut Room) -> usize {
    let number = millionths.unsigned_abs();
    let mut pen = Pen { room, at: 0 };
    if number < MOST as u64 {
        pen.sign(millionths < 0);
        pen.millionths(number);
    }
    pen.at
}

/// Writes a value rounded to nine places; gives its length, 0 if it is too large
/// for that.
pub(super) fn write_billionths(value: f64, room: &mut Room) -> usize {
    // On a discharge half of the totals stay at it.
    if value == 0.0 {
        room[0] = b'0';
        return 1;
    }
    let mut pen = Pen { room, at: 0 };
    let billionths = value.abs() * 1e9;
    if billionths < MOST {
        let number = ((billionths + 0.5) as i64).unsigned_abs();
        pen.sign(value < 0.0 && number > 0);
        pen.billionths(number);
    }
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

impl Pen<'_> {
    #[inline(always)]
    fn sign(&mut self, is_negative: bool) {
        self.put([b'-', 0, 0, 0], u8::from(is_negative));
    }

    #[inline(always)]
    fn billionths(&mut self, number: u64) {
        let (millionths, last) = (number / 1000, number % 1000);
        if last == 0 {
            return self.millionths(millionths);
        }
        self.whole(millionths / 1_000_000);
        self.point_and_three(millionths / 1000 % 1000);
        self.three(millionths % 1000);
        self.last(last);
    }

    #[inline(always)]
    fn millionths(&mut self, number: u64) {
        let (thousandths, last) = (number / 1000, number % 1000);
        if last == 0 {
            return self.thousandths(thousandths);
        }
        self.whole(thousandths / 1000);
        self.point_and_three(thousandths % 1000);
        self.last(last);
    }

    #[inline(always)]
    fn thousandths(&mut self, number: u64) {
        self.whole(number / 1000);
        let Three { places, places_len, .. } = THREES[(number % 1000) as usize];
        self.put(places, places_len);
    }

    #[inline(always)]
    fn whole(&mut self, number: u64) {
        if number >= 1_000_000 {
            self.at += long(self.room, self.at, number / 1_000_000);
            self.three(number / 1000 % 1000);
            self.three(number % 1000);
        } else if number >= 1000 {
            self.first(number / 1000);
            self.three(number % 1000);
        } else {
            self.first(number);
        }
    }

    /// Up to three digits, below 1000.
    #[inline(always)]
    fn first(&mut self, three: u64) {
        let Three { bare, bare_len, .. } = THREES[three as usize];
        self.put(bare, bare_len);
    }

    /// Three digits, below 1000.
    #[inline(always)]
    fn three(&mut self, three: u64) {
        self.put(THREES[three as usize].all, 3);
    }

    /// The point and three digits, below 1000.
    #[inline(always)]
    fn point_and_three(&mut self, three: u64) {
        self.put(THREES[three as usize].places, 4);
    }

    /// The last three digits, not all of them zeros.
    #[inline(always)]
    fn last(&mut self, three: u64) {
        let Three { all, places_len, .. } = THREES[three as usize];
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

/// The digits before the last six of a long number; gives how many.
#[inline(never)]
fn long(room: &mut Room, at: usize, number: u64) -> usize {
    let mut pen = Pen { room, at };
    if number >= 1000 {
        pen.at += long(pen.room, pen.at, number / 1000);
        pen.three(number % 1000);
    } else {
        pen.first(number);
    }
    pen.at - at
}
