//! From rows to intervals: which group carries the current, what voltage goes
//! with it, in which order times run, what is a gap. The analysis and the
//! running totals both read rows through this, so they cannot disagree.

use ampledger_types::result::{AnomalyKind, PhaseKind};

use crate::axis::Row;
use crate::clipped::ClippedWatch;
use crate::counters::Counters;
use crate::integrate::{Flows, Reading};
use crate::rules::{Rules, Setting};
use crate::tally::Tally;
use crate::threshold::Threshold;
use crate::window::Cadence;

/// No pack of ours carries more, A or V: such a value is none.
const IMPLAUSIBLE: f64 = 1e6;

/// A reading with its time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Point {
    /// Test time, µs.
    pub(crate) t_us: i64,
    /// The values.
    pub(crate) reading: Reading,
    /// The instrument's own counters.
    pub(crate) counters: Counters,
    /// How far the voltage's moment is from the current's, µs.
    pub(crate) skew_us: i64,
}

/// Whether an interval is a gap, and what is done about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Silence {
    /// It is none.
    None,
    /// Counted by the straight line.
    Estimated,
    /// Too long, or the load changed in it: not counted.
    NotCounted,
}

/// The stretch between two readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Interval {
    pub(crate) from: Point,
    pub(crate) to: Point,
    pub(crate) seconds: f64,
    pub(crate) silence: Silence,
}

impl Interval {
    pub(crate) fn book(&self, flows: &mut Flows) {
        if self.silence != Silence::NotCounted {
            flows.add(self.seconds, &self.from.reading, &self.to.reading);
        }
    }

    /// The same for the sums alone.
    pub(crate) fn book_sums(&self, flows: &mut Flows) {
        if self.silence != Silence::NotCounted {
            flows.add_sums(self.seconds, &self.from.reading, &self.to.reading);
        }
    }
}

/// What a row came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Fed {
    /// Nothing to integrate.
    Nothing,
    /// A first reading: of the session, or after a break of unknown length.
    Start(Point),
    /// Another reading at the same time: no width, the later one holds.
    Repeated(Point),
    /// An interval to book.
    Interval(Interval),
}

/// The highest current that is believed, A: a multiple of the rating, or of
/// what the pack is said to carry, whichever is more.
fn highest_ampere(setting: &Setting) -> Option<f64> {
    let rules = &setting.rules;
    let of_rating = setting.rated_ah.filter(|ah| *ah > 0.0)? / rules.implausible_divisor_hour;
    let carried = setting.maximum_current_ampere.unwrap_or(0.0);
    Some(of_rating.max(carried * rules.implausible_maximum_factor))
}

/// Seconds between two moments.
pub(crate) fn seconds_between(from_us: i64, to_us: i64) -> f64 {
    to_us.saturating_sub(from_us) as f64 / 1e6
}

/// What a current is, given up to where the pack rests.
pub(crate) fn class(current_ampere: f64, rest_ampere: f64) -> PhaseKind {
    if current_ampere.abs() <= rest_ampere {
        PhaseKind::Rest
    } else if current_ampere < 0.0 {
        PhaseKind::Discharge
    } else {
        PhaseKind::Charge
    }
}

#[derive(Clone, Debug)]
pub(crate) struct Feed {
    rules: Rules,
    /// A higher current is not believed, A.
    highest_ampere: Option<f64>,
    clipped: ClippedWatch,
    pub(crate) cadence: Cadence,
    pub(crate) threshold: Threshold,
    pub(crate) tally: Tally,
    pub(crate) main_group: Option<usize>,
    pub(crate) last: Option<Point>,
    /// The last voltage with its time, from the group it is taken from.
    pub(crate) voltage: Option<(i64, f64)>,
    voltage_group: Option<usize>,
    /// Rows of the main group whose voltage came from another group.
    pub(crate) borrowed_voltages: u64,
    latest_row_us: Option<i64>,
    broken: bool,
}

impl Feed {
    pub(crate) fn new(setting: &Setting) -> Self {
        Feed {
            rules: setting.rules,
            highest_ampere: highest_ampere(setting),
            clipped: ClippedWatch::new(setting),
            cadence: Cadence::default(),
            threshold: Threshold::new(setting),
            tally: Tally::default(),
            main_group: None,
            last: None,
            voltage: None,
            voltage_group: None,
            borrowed_voltages: 0,
            latest_row_us: None,
            broken: false,
        }
    }

    pub(crate) fn push(&mut self, row: &Row) -> Fed {
        if row.is_far_side {
            return Fed::Nothing;
        }
        let plausible = |x: &f64| x.is_finite() && x.abs() <= IMPLAUSIBLE;
        let current = row.current_ampere.filter(plausible);
        let voltage = row.voltage_volt.filter(plausible);
        if self.main_group.is_none() && current.is_some() {
            self.main_group = Some(row.group);
        }
        self.latest_row_us = Some(self.latest_row_us.map_or(row.t_us, |t| t.max(row.t_us)));
        let is_main = self.main_group == Some(row.group);
        self.take_voltage(row, voltage, is_main);
        if !is_main {
            return Fed::Nothing;
        }
        let Some(current_ampere) = current else {
            self.tally.count(AnomalyKind::ValueMissing, row.t_us);
            return Fed::Nothing;
        };
        if self.is_beyond_belief(current_ampere, row.t_us) {
            return Fed::Nothing;
        }
        let (voltage_volt, skew_us) = self.voltage_for(row, voltage);
        let reading = Reading { current_ampere, voltage_volt };
        self.clipped.push(&reading, row.t_us, &mut self.tally);
        self.place(Point { t_us: row.t_us, reading, counters: row.counters, skew_us })
    }

    /// A current that no pack of this rating carries is counted and no reading:
    /// mA taken for A, most likely.
    fn is_beyond_belief(&mut self, current_ampere: f64, t_us: i64) -> bool {
        let is_beyond = self.highest_ampere.is_some_and(|most| current_ampere.abs() > most);
        if is_beyond {
            self.tally.count(AnomalyKind::CurrentImplausible, t_us);
        }
        is_beyond
    }

    /// The clock breaks off before the next row: nothing is known of between.
    pub(crate) fn break_of_unknown_length(&mut self) {
        if let Some(last) = self.last {
            self.broken = true;
            self.tally.count(AnomalyKind::GapLengthUnknown, last.t_us);
        }
    }

    /// The time of the last row: of the group that carries the current, or of
    /// any before there is one.
    pub(crate) fn last_row_us(&self) -> Option<i64> {
        self.last.map(|p| p.t_us).or(self.latest_row_us)
    }

    /// The latest time seen on any group.
    pub(crate) fn latest_row_us(&self) -> Option<i64> {
        self.latest_row_us
    }

    /// The voltage of the current's own group goes first, then the first other
    /// group that has one.
    fn take_voltage(&mut self, row: &Row, voltage: Option<f64>, is_main: bool) {
        let Some(voltage) = voltage else { return };
        if is_main || self.voltage_group.is_none() {
            self.voltage_group = Some(row.group);
        }
        if self.voltage_group == Some(row.group) {
            self.voltage = Some((row.t_us, voltage));
        }
    }

    /// The voltage that goes with a row, and how far its moment is away, µs.
    fn voltage_for(&mut self, row: &Row, own: Option<f64>) -> (Option<f64>, i64) {
        if own.is_some() {
            return (own, 0);
        }
        if self.voltage_group == self.main_group {
            self.tally.count(AnomalyKind::ValueMissing, row.t_us);
        }
        let Some((t_us, voltage)) = self.voltage else { return (None, 0) };
        let is_fresh = seconds_between(t_us, row.t_us).abs() <= self.rules.voltage_hold_second;
        self.borrowed_voltages += u64::from(is_fresh && self.voltage_group != self.main_group);
        (is_fresh.then_some(voltage), row.t_us.saturating_sub(t_us).saturating_abs())
    }

    fn place(&mut self, point: Point) -> Fed {
        let before = self.last;
        if before.is_some_and(|from| point.t_us < from.t_us) {
            // What lies before a time already seen would be counted twice.
            self.tally.count(AnomalyKind::TimeBackwards, point.t_us);
            return Fed::Nothing;
        }
        self.last = Some(point);
        let Some(from) = before.filter(|_| !self.broken) else {
            self.broken = false;
            self.threshold.observe(point.reading.current_ampere);
            return Fed::Start(point);
        };
        if point.t_us == from.t_us {
            self.tally.count(AnomalyKind::TimeRepeated, point.t_us);
            return Fed::Repeated(point);
        }
        self.threshold.observe(point.reading.current_ampere);
        self.cadence.push(point.t_us.saturating_sub(from.t_us));
        let seconds = seconds_between(from.t_us, point.t_us);
        let silence = self.silence(seconds, &from, &point);
        if silence != Silence::None {
            self.tally.count_lasting(AnomalyKind::Gap, from.t_us, seconds);
        }
        Fed::Interval(Interval { from, to: point, seconds, silence })
    }

    /// The interval in which a load comes on or goes off is no gap, as long as
    /// the source was not dark in it; if it was, when the load changed is
    /// anybody's guess, and nothing is counted.
    fn silence(&self, seconds: f64, from: &Point, to: &Point) -> Silence {
        let rules = &self.rules;
        // The median is worked out only where it can make a difference.
        if seconds <= rules.gap_floor_second {
            return Silence::None;
        }
        if seconds <= self.cadence.limit_second(rules.gap_interval_factor, rules.gap_floor_second) {
            return Silence::None;
        }
        let rest = self.threshold.ampere();
        if class(from.reading.current_ampere, rest) != class(to.reading.current_ampere, rest) {
            return if seconds <= self.dark_second() { Silence::None } else { Silence::NotCounted };
        }
        match seconds <= rules.gap_estimate_limit_second {
            true => Silence::Estimated,
            false => Silence::NotCounted,
        }
    }

    /// Whether a stretch was so long that the source was dark in it.
    pub(crate) fn is_dark(&self, seconds: f64) -> bool {
        seconds > self.rules.dark_floor_second && seconds > self.dark_second()
    }

    /// Silent for longer than this is dark, s.
    pub(crate) fn dark_second(&self) -> f64 {
        self.cadence.limit_second(self.rules.dark_interval_factor, self.rules.dark_floor_second)
    }

    /// Silent for longer than this is quiet, s.
    pub(crate) fn quiet_second(&self) -> f64 {
        self.cadence.limit_second(self.rules.quiet_interval_factor, self.rules.quiet_floor_second)
    }
}
