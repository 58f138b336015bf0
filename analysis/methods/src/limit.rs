//! A limit over one value as it comes: passed once the value was beyond it for
//! long enough, over once it is back by the hysteresis. Does nothing about it.

use std::collections::VecDeque;

use crate::feed::seconds_between;

/// Points kept to know how fast something rises.
const POINTS: usize = 240;

/// On which side of the limit it is passed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// At or above it.
    Above,
    /// At or below it.
    Below,
}

/// What a limit is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LimitRule {
    /// The side.
    pub side: Side,
    /// The value.
    pub bound: f64,
    /// By how much a value must come back.
    pub hysteresis: f64,
    /// For how long it must be beyond, s.
    pub hold_second: f64,
    /// Whether it stays passed until a person has seen it.
    pub latch: bool,
}

/// What became of a limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LimitChange {
    /// It is passed, since this time, µs.
    Passed {
        /// The first value beyond it.
        since_us: i64,
    },
    /// The value is back.
    Over,
}

/// Watches one value.
#[derive(Clone, Debug)]
pub struct LimitWatch {
    rule: LimitRule,
    beyond_us: Option<i64>,
    passed_us: Option<i64>,
}

impl LimitWatch {
    /// Nothing seen yet.
    pub fn new(rule: LimitRule) -> LimitWatch {
        LimitWatch { rule, beyond_us: None, passed_us: None }
    }

    /// What it is.
    pub fn rule(&self) -> &LimitRule {
        &self.rule
    }

    /// Since when it is passed, µs.
    pub fn passed_us(&self) -> Option<i64> {
        self.passed_us
    }

    /// Since when the value is beyond it, passed or not yet, µs.
    pub fn beyond_us(&self) -> Option<i64> {
        self.beyond_us
    }

    /// Takes a value. What is no number says nothing.
    pub fn push(&mut self, t_us: i64, value: f64) -> Option<LimitChange> {
        if value.is_nan() {
            return None;
        }
        let rule = self.rule;
        let (is_beyond, is_back) = match rule.side {
            Side::Above => (value >= rule.bound, value < rule.bound - rule.hysteresis),
            Side::Below => (value <= rule.bound, value > rule.bound + rule.hysteresis),
        };
        let is_inside = if self.passed_us.is_some() { is_back } else { !is_beyond };
        if is_inside {
            self.beyond_us = None;
            let was_passed = self.passed_us.is_some() && !rule.latch;
            self.passed_us = self.passed_us.filter(|_| rule.latch);
            return was_passed.then_some(LimitChange::Over);
        }
        let since_us = *self.beyond_us.get_or_insert(t_us);
        let held = seconds_between(since_us, t_us) >= rule.hold_second;
        if self.passed_us.is_some() || !held {
            return None;
        }
        self.passed_us = Some(since_us);
        Some(LimitChange::Passed { since_us })
    }

    /// A person has seen it: it counts anew from here. Says whether it was
    /// passed.
    pub fn acknowledge(&mut self) -> bool {
        self.beyond_us = None;
        self.passed_us.take().is_some()
    }
}

/// How fast a value rises, over a window.
#[derive(Clone, Debug)]
pub struct Rise {
    points: VecDeque<(i64, f64)>,
    window_second: f64,
}

impl Rise {
    /// Over so many seconds.
    pub fn over(window_second: f64) -> Rise {
        Rise { points: VecDeque::new(), window_second }
    }

    /// Takes a value; the rise a minute, once nearly the whole window is seen.
    pub fn push(&mut self, t_us: i64, value: f64) -> Option<f64> {
        if value.is_nan() {
            return None;
        }
        let spacing = self.window_second / (POINTS as f64 / 2.0);
        let is_due = self.points.back().is_none_or(|(t, _)| seconds_between(*t, t_us) >= spacing);
        // The clock of another boot, or a window with a hole in it.
        let gap = self.points.back().map_or(0.0, |(t, _)| seconds_between(*t, t_us));
        if gap < 0.0 || gap > self.window_second {
            self.points.clear();
        }
        if is_due {
            self.points.push_back((t_us, value));
        }
        while self.points.len() > POINTS
            || self
                .points
                .get(1)
                .is_some_and(|(t, _)| seconds_between(*t, t_us) >= self.window_second)
        {
            self.points.pop_front();
        }
        let (from_us, from) = *self.points.front()?;
        let second = seconds_between(from_us, t_us);
        (second >= 0.9 * self.window_second).then(|| (value - from) / second * 60.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn below_20(hold_second: f64, latch: bool) -> LimitWatch {
        let rule =
            LimitRule { side: Side::Below, bound: 20.0, hysteresis: 0.5, hold_second, latch };
        LimitWatch::new(rule)
    }

    /// Values a second apart; what became of the limit, with the second.
    fn play(watch: &mut LimitWatch, from: i64, values: &[f64]) -> Vec<(i64, LimitChange)> {
        let told = (from..).zip(values).filter_map(|(second, value)| {
            watch.push(second * 1_000_000, *value).map(|change| (second, change))
        });
        told.collect()
    }

    const fn passed(second: i64) -> LimitChange {
        LimitChange::Passed { since_us: second * 1_000_000 }
    }

    #[test]
    fn a_limit_is_passed_once_the_value_was_beyond_it_for_the_hold() {
        let mut watch = below_20(3.0, false);
        assert_eq!(play(&mut watch, 0, &[20.1, 20.0, 19.9, 19.9, 20.1, 19.9, 19.9]), []);
        assert_eq!(play(&mut watch, 7, &[19.9, 19.9]), [(8, passed(5))]);
    }

    #[test]
    fn it_is_over_once_the_value_is_back_by_more_than_the_hysteresis() {
        let mut watch = below_20(0.0, false);
        let told = play(&mut watch, 0, &[19.9, 20.1, 20.5, 20.6, 20.1, 20.0]);
        assert_eq!(told, [(0, passed(0)), (3, LimitChange::Over), (5, passed(5))]);
    }

    #[test]
    fn above_is_the_mirror_of_below() {
        let rule = LimitRule {
            side: Side::Above,
            bound: 29.2,
            hysteresis: 0.2,
            hold_second: 0.0,
            latch: false,
        };
        let told = play(&mut LimitWatch::new(rule), 0, &[29.1, 29.2, 29.0, 28.9]);
        assert_eq!(told, [(1, passed(1)), (3, LimitChange::Over)]);
    }

    #[test]
    fn a_latched_limit_stays_until_a_person_has_seen_it() {
        let mut watch = below_20(0.0, true);
        assert_eq!(play(&mut watch, 0, &[19.9, 25.0, 19.0, 25.0]), [(0, passed(0))]);
        assert!(watch.acknowledge());
        assert_eq!(play(&mut watch, 4, &[25.0, 19.9]), [(5, passed(5))]);
    }

    #[test]
    fn no_number_is_no_value() {
        let mut watch = below_20(2.0, false);
        assert_eq!(play(&mut watch, 0, &[19.9, f64::NAN, 19.9]), [(2, passed(0))]);
    }

    #[test]
    fn a_rise_is_told_once_the_window_is_seen() {
        let mut rise = Rise::over(60.0);
        let told: Vec<Option<f64>> =
            (0..120).map(|s| rise.push(s * 1_000_000, 20.0 + s as f64 / 30.0)).collect();
        assert_eq!(told[53], None, "53 s of 60");
        assert!(told[54..].iter().all(|r| r.is_some_and(|r| (r - 2.0).abs() < 1e-9)));
        let mut fast = Rise::over(60.0);
        (0..100_000).for_each(|i| {
            fast.push(i * 1_000, 20.0);
        });
        assert!(fast.points.len() <= POINTS);
    }

    #[test]
    fn after_a_hole_the_window_is_seen_anew() {
        let mut rise = Rise::over(60.0);
        (0..100).for_each(|s| {
            rise.push(s * 1_000_000, 20.0);
        });
        assert_eq!(rise.push(200_000_000, 40.0), None);
    }
}
