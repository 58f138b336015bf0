//! Time as it is recorded: a boot clock in microseconds that never runs
//! backwards, and observations that map it to UTC afterwards.

use serde::{Deserialize, Serialize};

/// An instrument's own time beyond this (2001-01-01 UTC) is a date, in
/// microseconds since 1970; a smaller one counts from some beginning.
pub const EARLIEST_DATE_US: i64 = 978_307_200_000_000;

/// Number of a run in its store, from 1, growing.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct RunId(pub i64);

/// One unbroken spell of recording on one boot clock: a daemon from start to
/// stop, or one playing of a replay file, which has a boot clock of its own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// Number of the run.
    pub id: RunId,
    /// Whose clock `t_us` is. Runs with equal boot ids share one axis.
    pub boot_id: String,
    /// Boot clock at the start of the run, in microseconds.
    pub started_t_us: i64,
    /// Real seconds are multiplied by this; 1 outside demos and tests.
    pub clock_rate: f64,
    /// Version and build of the program that recorded.
    pub recorded_by: String,
    /// The one source of a replay; `None` for a live run.
    pub replay_of: Option<String>,
}

/// The wall clock as seen at one moment of the boot clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ClockObservation {
    /// Boot clock, microseconds.
    pub t_us: i64,
    /// Wall clock, microseconds since 1970-01-01 UTC.
    pub unix_us: i64,
    /// Whether the system said its clock was synchronised.
    pub synchronised: bool,
}

/// A date that was worked out from the boot clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Dated {
    /// Microseconds since 1970-01-01 UTC.
    pub unix_us: i64,
    /// `false` where the clock had never been set when this was asked.
    pub synchronised: bool,
}

/// Maps one boot's clock to UTC and back.
///
/// Synchronised observations win over others. Between them the latest one
/// before the moment counts; before the first, the first: so a clock that is
/// set late dates everything recorded earlier in that boot.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClockMap {
    observations: Vec<ClockObservation>,
    synchronised: bool,
}

impl ClockMap {
    /// Keeps the observations that count, in order of the boot clock.
    pub fn new(observations: impl IntoIterator<Item = ClockObservation>) -> Self {
        let mut all: Vec<_> = observations.into_iter().collect();
        all.sort_by_key(|o| o.t_us);
        let synchronised = all.iter().any(|o| o.synchronised);
        all.retain(|o| o.synchronised == synchronised);
        ClockMap { observations: all, synchronised }
    }

    /// The date of a moment of the boot clock; `None` if the wall clock was
    /// never seen in that boot.
    pub fn date(&self, t_us: i64) -> Option<Dated> {
        let after = self.observations.partition_point(|o| o.t_us <= t_us);
        let o = self.observations.get(after.saturating_sub(1))?;
        let unix_us = o.unix_us.saturating_add(t_us.saturating_sub(o.t_us));
        Some(Dated { unix_us, synchronised: self.synchronised })
    }

    /// The moment of the boot clock that a date stands for. Where the wall
    /// clock was stepped back and the date occurs twice, the later moment.
    pub fn moment(&self, unix_us: i64) -> Option<i64> {
        let t = |o: &ClockObservation| o.t_us.saturating_add(unix_us.saturating_sub(o.unix_us));
        let last_begun = self.observations.iter().rev().find(|o| o.unix_us <= unix_us);
        last_begun.or(self.observations.first()).map(t)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(t_us: i64, unix_us: i64, synchronised: bool) -> ClockObservation {
        ClockObservation { t_us, unix_us, synchronised }
    }

    #[test]
    fn a_clock_set_late_dates_what_came_before() {
        let map = ClockMap::new([seen(0, 5, false), seen(1_000, 1_000_000, true)]);
        assert_eq!(map.date(400), Some(Dated { unix_us: 999_400, synchronised: true }));
        assert_eq!(map.moment(999_400), Some(400));
    }

    #[test]
    fn a_step_changes_dates_only_from_there_on() {
        let map = ClockMap::new([seen(0, 1_000, true), seen(500, 9_500, true)]);
        assert_eq!(map.date(499).unwrap().unix_us, 1_499);
        assert_eq!(map.date(500).unwrap().unix_us, 9_500);
        assert_eq!(map.moment(9_600), Some(600));
    }

    #[test]
    fn never_set_is_said() {
        let map = ClockMap::new([seen(0, 1_000, false)]);
        assert!(!map.date(5).unwrap().synchronised);
        assert_eq!(ClockMap::default().date(5), None);
    }
}
