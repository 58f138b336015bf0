//! Boot clocks to test time and test time to dates. A date never moves a
//! figure: dates are looked up last, test time comes from the boot clock.

use std::collections::BTreeMap;
use std::sync::Arc;

use ampledger_methods::RunOffset;
use ampledger_types::result::Moment;
use ampledger_types::{Bound, ClockMap, RunId};

use crate::subject::Clocks;

/// Where each run lies on the test time of a session that begins at `start`.
///
/// Runs of the start's boot share its clock. Another boot is related to it by
/// the wall clock, where that was synchronised on both sides: the moments
/// nearest to the break are taken. Otherwise its place is unknown (`None`).
pub fn run_offsets(start: Bound, clocks: &Clocks) -> Vec<RunOffset> {
    let own_boot = clocks.run(start.run).map(|run| run.boot_id.as_str());
    let place = |run: &ampledger_types::Run| {
        if own_boot == Some(run.boot_id.as_str()) {
            return Some(start.t_us.saturating_neg());
        }
        let [own_first, own_last] = clocks.synchronised(own_boot?)?;
        let [first, last] = clocks.synchronised(&run.boot_id)?;
        let (own, other) = if run.id > start.run { (own_last, first) } else { (own_first, last) };
        let own_test_us = own.t_us - start.t_us;
        let other_test_us = own_test_us + (other.unix_us - own.unix_us);
        Some(other_test_us - other.t_us)
    };
    clocks
        .runs
        .iter()
        .map(|run| RunOffset { run: run.id, boot_id: run.boot_id.clone(), offset_us: place(run) })
        .collect()
}

/// Where a run came to lie when its first sample arrived.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlacedRun {
    /// The run.
    pub run: RunId,
    /// Test time of its first sample, µs.
    pub first_us: i64,
    /// Added to its `t_us` gives test time.
    pub offset_us: i64,
}

/// Dates for the test time of one session.
#[derive(Clone, Debug)]
pub struct Timeline {
    start: Bound,
    offsets: Vec<RunOffset>,
    placed: Vec<PlacedRun>,
    /// The clock of each of the placed runs.
    clocks: Vec<Option<Arc<ClockMap>>>,
    boots: BTreeMap<RunId, String>,
}

impl Timeline {
    /// For a session that begins at `start` whose samples lay as `placed`
    /// says, in order of arrival.
    pub fn new(start: Bound, clocks: &Clocks, placed: &[PlacedRun]) -> Timeline {
        let boots: BTreeMap<RunId, String> =
            clocks.runs.iter().map(|run| (run.id, run.boot_id.clone())).collect();
        let own = PlacedRun { run: start.run, first_us: 0, offset_us: -start.t_us };
        let mut placed = placed.to_vec();
        placed.retain(|p| p.run != start.run);
        placed.insert(0, own);
        placed.sort_by_key(|p| p.first_us);
        let mut maps: BTreeMap<&str, Arc<ClockMap>> = BTreeMap::new();
        let mut clock = |p: &PlacedRun| {
            let boot = boots.get(&p.run)?;
            let map = maps.entry(boot).or_insert_with(|| Arc::new(clocks.map(boot)));
            Some(Arc::clone(map))
        };
        let of_placed = placed.iter().map(&mut clock).collect();
        let offsets = run_offsets(start, clocks);
        Timeline { start, offsets, placed, clocks: of_placed, boots }
    }

    /// Test time of a moment of the record, µs; `None` where the run's place
    /// is not known.
    pub fn test_time_us(&self, at: Bound) -> Option<i64> {
        let known = self.placed.iter().find(|p| p.run == at.run).map(|p| p.offset_us);
        let boot = self.boots.get(&at.run);
        let of_boot = || {
            let same = self.placed.iter().find(|p| self.boots.get(&p.run) == boot);
            same.filter(|_| boot.is_some()).map(|p| p.offset_us)
        };
        let related = || self.offsets.iter().find(|o| o.run == at.run)?.offset_us;
        Some(at.t_us + known.or_else(of_boot).or_else(related)?)
    }

    /// A moment of test time with its date.
    pub fn moment(&self, test_us: i64) -> Moment {
        Moment {
            test_time_second: test_us as f64 / 1e6,
            unix_time_second: self.unix_us(test_us).map(|us| us as f64 / 1e6),
        }
    }

    /// The date of a moment of test time, µs since 1970.
    pub fn unix_us(&self, test_us: i64) -> Option<i64> {
        self.date(test_us).map(|dated| dated.unix_us)
    }

    /// Whether the wall clock was synchronised in every boot of the session.
    pub fn synchronised(&self) -> bool {
        self.placed.iter().zip(&self.clocks).all(|(p, clock)| {
            let dated = clock.as_ref().and_then(|map| map.date(p.first_us - p.offset_us));
            dated.is_some_and(|dated| dated.synchronised)
        })
    }

    /// The session's first moment.
    pub fn start(&self) -> Bound {
        self.start
    }

    fn date(&self, test_us: i64) -> Option<ampledger_types::time::Dated> {
        let after = self.placed.partition_point(|p| p.first_us <= test_us);
        let at = after.saturating_sub(1);
        let span = self.placed.get(at)?;
        self.clocks.get(at)?.as_ref()?.date(test_us - span.offset_us)
    }
}

#[cfg(test)]
mod tests {
    use ampledger_types::{ClockObservation, Run};

    use super::*;

    const SECOND: i64 = 1_000_000;

    fn run(id: i64, boot: &str) -> Run {
        Run {
            id: RunId(id),
            boot_id: boot.to_owned(),
            started_t_us: 0,
            clock_rate: 1.0,
            recorded_by: "test".to_owned(),
            replay_of: None,
        }
    }

    fn seen(t_s: i64, unix_s: i64, synchronised: bool) -> ClockObservation {
        ClockObservation { t_us: t_s * SECOND, unix_us: unix_s * SECOND, synchronised }
    }

    fn clocks(second_boot_synchronised: bool) -> Clocks {
        Clocks {
            runs: vec![run(1, "a"), run(2, "a"), run(3, "b")],
            observations: BTreeMap::from([
                ("a".to_owned(), vec![seen(50, 1_050, true), seen(900, 1_901, true)]),
                ("b".to_owned(), vec![seen(10, 2_000, second_boot_synchronised)]),
            ]),
        }
    }

    const START: Bound = Bound { run: RunId(1), t_us: 100 * SECOND };

    #[test]
    fn a_boot_is_related_to_another_by_the_synchronised_moments_next_to_the_break() {
        let offsets = run_offsets(START, &clocks(true));
        assert_eq!(offsets[0].offset_us, Some(-100 * SECOND));
        assert_eq!(offsets[1].offset_us, Some(-100 * SECOND));
        // 1901 is test time 800; 2000 is 99 s later and 10 s into the boot.
        assert_eq!(offsets[2].offset_us, Some(889 * SECOND));
    }

    #[test]
    fn without_a_synchronised_clock_on_both_sides_the_place_is_unknown() {
        assert_eq!(run_offsets(START, &clocks(false))[2].offset_us, None);
        let line = Timeline::new(START, &clocks(false), &[]);
        assert_eq!(line.test_time_us(Bound { run: RunId(3), t_us: 0 }), None);
    }

    #[test]
    fn dates_follow_the_boot_that_was_running() {
        let placed = [PlacedRun { run: RunId(3), first_us: 894 * SECOND, offset_us: 889 * SECOND }];
        let line = Timeline::new(START, &clocks(true), &placed);
        assert_eq!(line.moment(0).unix_time_second, Some(1_100.0));
        assert_eq!(line.moment(899 * SECOND).unix_time_second, Some(2_000.0));
        assert_eq!(
            line.test_time_us(Bound { run: RunId(3), t_us: 10 * SECOND }),
            Some(899 * SECOND)
        );
        assert!(line.synchronised());
    }

    #[test]
    fn a_clock_that_was_never_set_is_said_and_one_never_seen_gives_no_date() {
        let placed = [PlacedRun { run: RunId(3), first_us: 894 * SECOND, offset_us: 889 * SECOND }];
        assert!(!Timeline::new(START, &clocks(false), &placed).synchronised());
        let mut unseen = clocks(true);
        unseen.observations.clear();
        let line = Timeline::new(START, &unseen, &[]);
        assert_eq!(line.moment(5 * SECOND).unix_time_second, None);
        assert!(!line.synchronised());
    }
}
