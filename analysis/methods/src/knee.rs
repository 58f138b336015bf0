//! The knee of a discharge curve: a voltage that at the end falls many times
//! faster than in mid-run says that the pack was empty.

use std::collections::VecDeque;

use crate::feed::{Point, seconds_between};
use crate::rules::Setting;

/// Readings kept of the whole run; when full, every other one is dropped.
const WHOLE: usize = 256;
/// Readings kept of the end.
const RECENT: usize = 1024;
/// The current at both ends of the last stretch may differ by this share; a
/// load step is no knee.
const SAME_LOAD: f64 = 0.1;

#[derive(Clone, Debug)]
pub(crate) struct Knee {
    whole: Vec<Point>,
    spacing_us: i64,
    recent: VecDeque<Point>,
    window_us: i64,
}

impl Knee {
    pub(crate) fn new(window_second: f64) -> Self {
        let window_us = (window_second * 1e6) as i64;
        Knee { whole: Vec::new(), spacing_us: 0, recent: VecDeque::new(), window_us }
    }

    pub(crate) fn push(&mut self, point: &Point) {
        if point.reading.voltage_volt.is_none() {
            return;
        }
        let after = |last: Option<&Point>| last.map(|p| point.t_us.saturating_sub(p.t_us));
        if after(self.whole.last()).is_none_or(|us| us >= self.spacing_us) {
            self.keep(point);
        }
        if after(self.recent.back()).is_some_and(|us| us < self.window_us / (RECENT as i64 / 2)) {
            return;
        }
        self.recent.push_back(*point);
        let begin_us = point.t_us.saturating_sub(self.window_us.saturating_mul(2));
        while self.recent.len() > RECENT || self.recent.get(1).is_some_and(|p| p.t_us < begin_us) {
            self.recent.pop_front();
        }
    }

    fn keep(&mut self, point: &Point) {
        if self.whole.len() == WHOLE {
            let mut place = 0;
            self.whole.retain(|_| {
                place += 1;
                place % 2 == 1
            });
            let run_us = point.t_us.saturating_sub(self.whole[0].t_us);
            self.spacing_us = run_us / (WHOLE as i64 / 2);
        }
        self.whole.push(*point);
    }

    /// Whether there is a knee before `last`; `None` where the run is too
    /// short to have a middle, or the load changed at its end.
    pub(crate) fn is_there(&self, last: &Point, setting: &Setting) -> Option<bool> {
        let first = self.whole.first()?;
        let run_us = last.t_us.saturating_sub(first.t_us);
        if run_us < self.window_us.saturating_mul(4) {
            return None;
        }
        let at = |quarter: i64| {
            let t_us = first.t_us.saturating_add(run_us / 4 * quarter);
            self.whole.get(self.whole.partition_point(|p| p.t_us < t_us))
        };
        let middle = slope(at(1)?, at(3)?)?;
        let begin_us = last.t_us.saturating_sub(self.window_us);
        let before = self.recent.iter().rev().find(|p| p.t_us <= begin_us)?;
        let change = before.reading.current_ampere - last.reading.current_ampere;
        if change.abs() > SAME_LOAD * last.reading.current_ampere.abs() {
            return None;
        }
        let fell = before.reading.voltage_volt? - last.reading.voltage_volt?;
        let is_seen = fell > 2.0 * setting.voltage_resolution.unwrap_or(0.0);
        let end = slope(before, last)?;
        Some(is_seen && end > middle.max(0.0) * setting.rules.knee_slope_factor && end > 0.0)
    }
}

/// How fast the voltage falls from one reading to another, V/s.
fn slope(from: &Point, to: &Point) -> Option<f64> {
    let seconds = seconds_between(from.t_us, to.t_us);
    let fell = from.reading.voltage_volt? - to.reading.voltage_volt?;
    (seconds > 0.0).then(|| fell / seconds)
}
