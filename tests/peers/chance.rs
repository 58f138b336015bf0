//! Chance that can be repeated: the seed is printed, and `AMPLEDGER_SEED` gives
//! it again.

/// Numbers that look random, from a seed.
#[derive(Clone, Debug)]
pub struct Chance(u64);

impl Chance {
    /// From `AMPLEDGER_SEED`, or from the time; printed, so that a failure says
    /// it.
    pub fn new() -> Chance {
        let seed = match std::env::var("AMPLEDGER_SEED") {
            Ok(text) => text.parse().expect("AMPLEDGER_SEED is no number"),
            Err(_) => {
                let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
                now.map_or(1, |now| now.as_nanos() as u64)
            }
        };
        eprintln!("AMPLEDGER_SEED={seed}");
        Chance(seed | 1)
    }

    /// Another one, for another part.
    pub fn part(&mut self) -> Chance {
        Chance(self.next() | 1)
    }

    /// The lowest to below the highest.
    pub fn within(&mut self, range: std::ops::Range<u64>) -> u64 {
        range.start + self.next() % (range.end - range.start)
    }

    /// One time in so many.
    pub fn one_in(&mut self, n: u64) -> bool {
        self.next().is_multiple_of(n)
    }

    fn next(&mut self) -> u64 {
        // splitmix64, from memory: any generator would do.
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}
