//! Running totals row by row, for exports. Rows are read the same way as the
//! analysis reads them, so the last totals are those of the phases.

use ampledger_types::result::PhaseKind;

use crate::axis::Row;
use crate::feed::{Fed, Feed, Interval};
use crate::findings::Analysis;
use crate::integrate::Flows;
use crate::rules::Setting;

/// Sums up to a row, magnitudes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RunningTotals {
    /// Taken by the pack, Ah.
    pub charged_ah: f64,
    /// Given by the pack, Ah.
    pub discharged_ah: f64,
    /// Taken by the pack, Wh; `None` where a voltage was lacking.
    pub charged_wh: Option<f64>,
    /// Given by the pack, Wh; `None` where a voltage was lacking.
    pub discharged_wh: Option<f64>,
}

/// A second pass over the rows of a session whose analysis is known.
#[derive(Clone, Debug)]
pub struct Cumulative {
    feed: Feed,
    /// The stretches under current, in order, parts of a merged discharge each
    /// on its own.
    active: Vec<(i64, i64)>,
    at: usize,
    flows: Flows,
}

impl Cumulative {
    /// For the rows that gave `analysis` under `setting`.
    pub fn new(analysis: &Analysis, setting: &Setting) -> Self {
        let mut active = Vec::new();
        for phase in analysis.phases.iter().filter(|p| p.kind != PhaseKind::Rest) {
            let mut start_us = phase.start_us;
            for (rest_start_us, rest_end_us) in &phase.interruptions {
                active.push((start_us, *rest_start_us));
                start_us = *rest_end_us;
            }
            active.push((start_us, phase.end_us));
        }
        Cumulative::of_stretches(active, setting)
    }

    /// For rows whose stretches under current are known, in order, µs of test
    /// time.
    pub fn of_stretches(active: Vec<(i64, i64)>, setting: &Setting) -> Self {
        Cumulative { feed: Feed::new(setting), active, at: 0, flows: Flows::default() }
    }

    /// The totals up to and including this row.
    pub fn push(&mut self, row: &Row) -> RunningTotals {
        if let Fed::Interval(interval) = &self.feed.push(row)
            && self.is_active(interval)
        {
            interval.book_sums(&mut self.flows);
        }
        let has_voltage = self.feed.voltage.is_some();
        let known = |wh: Option<f64>| wh.filter(|_| has_voltage);
        RunningTotals {
            charged_ah: self.flows.charged.charge_ah(),
            discharged_ah: self.flows.discharged.charge_ah(),
            charged_wh: known(self.flows.charged.energy_wh()),
            discharged_wh: known(self.flows.discharged.energy_wh()),
        }
    }

    /// The clock broke off before the next row, and for how long is unknown.
    pub fn break_of_unknown_length(&mut self) {
        self.feed.break_of_unknown_length();
    }

    fn is_active(&mut self, interval: &Interval) -> bool {
        while self.active.get(self.at).is_some_and(|(_, end_us)| *end_us < interval.to.t_us) {
            self.at += 1;
        }
        self.active.get(self.at).is_some_and(|(start_us, _)| *start_us <= interval.from.t_us)
    }
}
