//! Short memories of bounded size: how fast a group's rows come, and what the
//! load was in the last seconds.

use std::collections::VecDeque;

use crate::feed::Point;

/// Intervals remembered by [`Cadence`].
const INTERVALS: usize = 100;
/// Rows remembered by [`LoadWindow`]; faster rows shorten its time.
const ROWS: usize = 1000;

/// The last intervals between a group's rows and their median: what is a
/// silence is judged by it. Taking one is cheap, the median is worked out when
/// it is asked for.
#[derive(Clone, Debug, Default)]
pub struct Cadence {
    intervals_us: Vec<i64>,
    next: usize,
}

impl Cadence {
    /// Takes an interval, µs.
    pub fn push(&mut self, interval_us: i64) {
        if self.intervals_us.len() < INTERVALS {
            self.intervals_us.push(interval_us);
        } else {
            self.intervals_us[self.next] = interval_us;
        }
        self.next = if self.next + 1 < INTERVALS { self.next + 1 } else { 0 };
    }

    /// The median (of an even number the smaller of the middle two), s.
    pub(crate) fn median_second(&self) -> Option<f64> {
        let middle = self.intervals_us.len().checked_sub(1)? / 2;
        let mut sorted = [0; INTERVALS];
        let sorted = sorted.get_mut(..self.intervals_us.len())?;
        sorted.copy_from_slice(&self.intervals_us);
        let (_, median, _) = sorted.select_nth_unstable(middle);
        Some(*median as f64 / 1e6)
    }

    /// The longer of a factor times the median and a floor, s.
    pub fn limit_second(&self, factor: f64, floor_second: f64) -> f64 {
        self.median_second().map_or(floor_second, |m| (m * factor).max(floor_second))
    }
}

/// What the load was before it changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LoadBefore {
    /// Median magnitude of the current, A.
    pub(crate) current_ampere: f64,
    /// Median voltage, V.
    pub(crate) voltage_volt: Option<f64>,
    /// The last row with at least half that current.
    pub(crate) last_full: Point,
    /// Rows after that one.
    pub(crate) rows_since_full: usize,
}

/// The rows of the last seconds.
#[derive(Clone, Debug)]
pub(crate) struct LoadWindow {
    rows: VecDeque<Point>,
    length_us: i64,
}

impl LoadWindow {
    pub(crate) fn new(length_second: f64) -> Self {
        LoadWindow { rows: VecDeque::new(), length_us: (length_second * 1e6) as i64 }
    }

    pub(crate) fn push(&mut self, point: Point) {
        let oldest_us = point.t_us.saturating_sub(self.length_us);
        while self.rows.front().is_some_and(|p| p.t_us < oldest_us) || self.rows.len() >= ROWS {
            self.rows.pop_front();
        }
        self.rows.push_back(point);
    }

    /// The rows held from one moment to another, both included.
    pub(crate) fn between(&self, from_us: i64, to_us: i64) -> impl Iterator<Item = &Point> {
        self.rows.iter().filter(move |p| p.t_us >= from_us && p.t_us <= to_us)
    }

    /// The load over the rows held; `None` before the first.
    pub(crate) fn load(&self) -> Option<LoadBefore> {
        let currents = self.rows.iter().map(|p| p.reading.current_ampere.abs());
        let current_ampere = median(currents.collect())?;
        let voltages = self.rows.iter().filter_map(|p| p.reading.voltage_volt);
        let is_full = |p: &&Point| p.reading.current_ampere.abs() >= 0.5 * current_ampere;
        let rows_since_full = self.rows.iter().rev().position(|p| is_full(&p))?;
        Some(LoadBefore {
            current_ampere,
            voltage_volt: median(voltages.collect()),
            last_full: *self.rows.iter().rev().find(is_full)?,
            rows_since_full,
        })
    }
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    let middle = values.len().checked_sub(1)? / 2;
    values.sort_by(f64::total_cmp);
    values.get(middle).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_follows_the_last_hundred_intervals() {
        let mut cadence = Cadence::default();
        assert_eq!(cadence.median_second(), None);
        assert_eq!(cadence.limit_second(5.0, 2.0), 2.0);
        (0..100).for_each(|_| cadence.push(1_000_000));
        assert_eq!(cadence.limit_second(5.0, 2.0), 5.0);
        (0..50).for_each(|_| cadence.push(10_000_000));
        assert_eq!(cadence.median_second(), Some(1.0));
        cadence.push(10_000_000);
        assert_eq!(cadence.median_second(), Some(10.0));
        (0..1000).for_each(|_| cadence.push(2_000_000));
        assert_eq!(cadence.intervals_us.len(), 100);
    }

    #[test]
    fn the_window_is_bounded_however_fast_rows_come() {
        let mut window = LoadWindow::new(10.0);
        (0..100_000).for_each(|t_us| window.push(Point { t_us, ..Point::default() }));
        assert_eq!(window.rows.len(), ROWS);
    }
}
