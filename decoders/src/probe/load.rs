//! When the load was on and when it was off, with the moments round a switch left
//! out: a hand that tells of it is late, or early, and an instrument still settles.

use serde::Serialize;

/// How long an instrument may take to settle after a switch, and how far a hand
/// may be off that tells of it, seconds. Common practice, no source.
const SETTLE_SECOND: f64 = 2.0;

/// The switching of a load.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Load {
    /// When it was switched, microseconds; on with the first.
    pub switched_us: Vec<i64>,
    /// What is left out on both sides of each switch, seconds.
    pub settle_second: f64,
}

/// A stretch in which the load stayed as it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Its number, from 0; the load is off in the even ones.
    pub number: usize,
    /// Whether the load was on.
    pub is_on: bool,
}

impl Load {
    /// Switched at these times.
    pub fn new(switched_us: &[i64]) -> Self {
        let mut switched_us = switched_us.to_vec();
        switched_us.sort_unstable();
        let shortest = switched_us.windows(2).map(|pair| pair[1] - pair[0]).min();
        let third = shortest.map_or(SETTLE_SECOND, |us| us as f64 / 3e6);
        Load { switched_us, settle_second: third.min(SETTLE_SECOND) }
    }

    /// Whether somebody switched at all.
    pub fn is_known(&self) -> bool {
        !self.switched_us.is_empty()
    }

    /// Whether it was switched twice in each direction: once proves little, since
    /// whatever drifts is different afterwards too.
    pub fn is_enough(&self) -> bool {
        self.switched_us.len() >= 4
    }

    /// Where a moment lies; `None` while things settle.
    pub(super) fn stretch(&self, t_us: i64) -> Option<Stretch> {
        let number = self.switched_us.partition_point(|switch| *switch <= t_us);
        let last = number.checked_sub(1).and_then(|last| self.switched_us.get(last));
        let near = [last, self.switched_us.get(number)];
        let mut near = near.into_iter().flatten().map(|switch| t_us.abs_diff(*switch));
        let is_settled = near.all(|us| us as f64 >= self.settle_second * 1e6);
        is_settled.then_some(Stretch { number, is_on: number % 2 == 1 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_moments_round_a_switch_belong_to_neither_side() {
        let load = Load::new(&[10_000_000, 20_000_000]);
        let at = |t_us| load.stretch(t_us).map(|s| (s.number, s.is_on));
        assert_eq!(at(8_000_000), Some((0, false)));
        assert_eq!((at(8_000_001), at(10_000_000), at(11_999_999)), (None, None, None));
        assert_eq!(at(12_000_000), Some((1, true)));
        assert_eq!(at(22_000_000), Some((2, false)));
        // Switched fast, less is left out.
        assert_eq!(Load::new(&[0, 1_500_000]).settle_second, 0.5);
    }
}
