//! The streaming analysis of one session: rows in, findings out, in bounded
//! memory. Decides where phases begin and end; a change of phase is pending
//! until it has lasted, and then dated back to where it began.

use std::collections::BTreeMap;

use ampledger_types::api::Check;
use ampledger_types::result::{AnomalyKind, PhaseKind};

use crate::axis::Row;
use crate::discharge::Judge;
use crate::feed::{Fed, Feed, Interval, Point, Silence, class, seconds_between};
pub use crate::findings::{
    Analysis, Cutoff, FoundAnomaly, FoundEnd, FoundGap, FoundPhase, Now, Totals,
};
use crate::first_minute::FirstMinute;
use crate::full::{Bounds, Broken, FullWatch};
use crate::gap::Gap;
use crate::inverter::InverterWatch;
use crate::pending::{Pending, moved_ah};
use crate::phases::{Segment, append};
pub use crate::rules::Setting;
use crate::steps::StepWatch;
use crate::stuck::StuckWatch;
use crate::tally::Tally;
use crate::to_empty::LoadHistory;
use crate::window::{LoadBefore, LoadWindow};

/// Phases told apart in one session; beyond, the last one goes on.
const PHASES: usize = 10_000;
/// A 1 s row with jitter is no slow row.
const JITTER: f64 = 1.05;

/// Streaming, in bounded memory.
#[derive(Clone, Debug)]
pub struct SessionAnalysis {
    pub(crate) setting: Setting,
    pub(crate) feed: Feed,
    pub(crate) closed: Vec<Segment>,
    pub(crate) current: Option<Segment>,
    pub(crate) pending: Option<Pending>,
    pub(crate) window: LoadWindow,
    pub(crate) first_minute: FirstMinute,
    pub(crate) tally: Tally,
    pub(crate) rows: u64,
    pub(crate) ran_out_of_phases: bool,
    stuck: StuckWatch,
    pub(crate) full: FullWatch,
    pub(crate) steps: StepWatch,
    pub(crate) history: LoadHistory,
    pub(crate) inverter: InverterWatch,
}

impl SessionAnalysis {
    /// Nothing seen yet.
    pub fn new(setting: Setting) -> Self {
        SessionAnalysis {
            feed: Feed::new(&setting),
            closed: Vec::new(),
            current: None,
            pending: None,
            window: LoadWindow::new(setting.rules.dark_load_window_second),
            first_minute: FirstMinute::default(),
            tally: Tally::default(),
            rows: 0,
            ran_out_of_phases: false,
            stuck: StuckWatch::default(),
            full: FullWatch::new(&setting),
            steps: StepWatch::new(&setting),
            history: LoadHistory::new(&setting.rules),
            inverter: InverterWatch::default(),
            setting,
        }
    }

    /// Goes on from what an earlier stretch of the same pack and source showed
    /// of a charge; `before` is on this session's axis ([`FullWatch::later`]).
    pub fn after(setting: Setting, before: FullWatch) -> Self {
        let full = before.under(&setting);
        SessionAnalysis { full, ..SessionAnalysis::new(setting) }
    }

    /// What was seen of a charge, for the session after this one.
    pub fn full_watch(&self) -> FullWatch {
        self.full
    }

    /// From here on another instrument is on the line: what a charge proved
    /// under the one before is in doubt.
    pub fn other_instrument(&mut self, t_us: i64) {
        self.full.break_custody(t_us, Broken::OtherInstrument);
    }

    /// Takes the next row, in order of sequence number.
    pub fn push(&mut self, row: &Row) {
        self.rows += 1;
        if row.is_far_side {
            return self.inverter.far(row, &self.setting.rules);
        }
        let fed = self.feed.push(row);
        self.first_minute.row(row, &self.feed, &self.setting);
        match &fed {
            Fed::Nothing => {}
            Fed::Start(point) => {
                // A load that comes first, or out of the dark, must know that
                // nobody saw what was before.
                self.full.start(point, self.bounds(0.0));
                self.arrive(point, None);
            }
            Fed::Interval(interval) => {
                let bounds = self.bounds(interval.seconds);
                if bounds.is_dark {
                    self.full.break_custody(interval.from.t_us, Broken::Dark(interval.seconds));
                }
                self.arrive(&interval.to, Some(interval));
                self.inverter.near(interval, &self.setting.rules);
                self.full.interval(interval, bounds);
                self.steps.interval(interval, &self.window, &self.setting);
            }
            Fed::Repeated(point) => self.repeat(point),
        }
    }

    /// The clock broke off before the next row, and for how long is unknown.
    pub fn break_of_unknown_length(&mut self) {
        self.feed.break_of_unknown_length();
        if let Some(last_us) = self.feed.last_row_us() {
            self.full.break_custody(last_us, Broken::DarkUnknown);
            self.steps.break_off(last_us.saturating_add(1));
        }
    }

    /// Everything odd counted so far; grows by what a row adds.
    pub fn oddities(&self) -> u64 {
        self.feed.tally.total() + self.tally.total() + self.first_minute.tally.total()
    }

    /// How often each kind of oddity was counted so far.
    pub fn oddity_counts(&self) -> BTreeMap<AnomalyKind, u64> {
        let mut all = BTreeMap::new();
        for tally in [&self.feed.tally, &self.tally, &self.first_minute.tally] {
            tally.counts().for_each(|(kind, count)| *all.entry(kind).or_default() += count);
        }
        all
    }

    /// The first-minute checks as far as they can be made now.
    pub fn first_minute_checks(&self) -> Vec<Check> {
        self.first_minute.checks(&self.feed, &self.setting)
    }

    /// A reading, with the interval before it where that has a length.
    fn arrive(&mut self, point: &Point, interval: Option<&Interval>) {
        let Some(kind) = self.current.as_ref().map(|s| s.kind) else {
            let kind = self.wanted(PhaseKind::Rest, point);
            let mut segment = self.begin(kind, point.t_us);
            segment.start_at(point);
            self.current = Some(segment);
            self.window.push(*point);
            return;
        };
        let wanted = self.wanted(kind, point);
        if let (Some(current), Some(interval)) = (&mut self.current, interval) {
            current.watch_ripple(interval);
        }
        if wanted == kind {
            self.take_back();
            self.go_on(point, interval);
        } else if self.pending.as_ref().is_some_and(|p| p.segment.kind == wanted) {
            self.pend_on(point, interval);
        } else {
            self.take_back();
            self.pend(wanted, point, interval, self.window.load());
        }
        self.window.push(*point);
        if wanted != kind || kind == PhaseKind::Rest {
            self.stuck.unloaded();
        }
        self.commit_if_lasting(point);
    }

    /// What phase a reading asks for, seen from the phase it comes in.
    fn wanted(&self, kind: PhaseKind, point: &Point) -> PhaseKind {
        let current = point.reading.current_ampere;
        let rest = self.feed.threshold.ampere();
        let clear = class(current, rest * self.setting.rules.rest_leave_factor);
        match (kind, class(current, rest)) {
            (PhaseKind::Rest, _) => clear,
            (_, PhaseKind::Rest) => PhaseKind::Rest,
            _ if clear == PhaseKind::Rest => kind,
            _ => clear,
        }
    }

    /// A phase that begins here; a discharge with what is known of the charge
    /// before it.
    fn begin(&self, kind: PhaseKind, start_us: i64) -> Segment {
        let mut segment = Segment::begin(kind, start_us, &self.setting);
        segment.full = (kind == PhaseKind::Discharge).then(|| Box::new(self.full));
        segment
    }

    fn bounds(&self, seconds: f64) -> Bounds {
        let (rest_ampere, is_dark) = (self.feed.threshold.ampere(), self.feed.is_dark(seconds));
        Bounds { rest_ampere, is_dark }
    }

    fn go_on(&mut self, point: &Point, interval: Option<&Interval>) {
        let Some(segment) = &mut self.current else { return };
        match interval {
            Some(interval) => segment.extend(interval, || are_slow(&self.feed, &self.setting)),
            None => segment.repeat(point),
        }
        if segment.kind == PhaseKind::Rest {
            return;
        }
        if segment.kind == PhaseKind::Discharge && self.history.is_due(point.t_us) {
            let given = &segment.flows.discharged;
            self.history.mark(point.t_us, given.charge_ah(), given.energy_wh());
        }
        if let Some(stuck) = self.stuck.push(point, &self.setting.rules) {
            segment.list_stuck(&stuck, point);
            if stuck.is_new {
                self.tally.count(AnomalyKind::ChannelStuck, stuck.since_us);
            }
            self.tally.lengthen(AnomalyKind::ChannelStuck, stuck.seconds);
        }
    }

    fn pend_on(&mut self, point: &Point, interval: Option<&Interval>) {
        let Some(pending) = &mut self.pending else { return };
        match interval {
            Some(interval) => {
                pending.segment.extend(interval, || are_slow(&self.feed, &self.setting));
                pending.segment.watch_ripple(interval);
            }
            None => pending.segment.repeat(point),
        }
        pending.note_volt(point);
    }

    /// A change of phase may begin here. The interval in which a load comes on
    /// or goes off is the active phase's; one that was not counted is nobody's.
    fn pend(
        &mut self,
        kind: PhaseKind,
        point: &Point,
        interval: Option<&Interval>,
        load: Option<LoadBefore>,
    ) {
        let counted = interval.filter(|i| i.silence != Silence::NotCounted);
        let is_rest = self.current.as_ref().is_some_and(|s| s.kind == PhaseKind::Rest);
        let from_rest = counted.filter(|_| is_rest);
        let mut segment = self.begin(kind, from_rest.map_or(point.t_us, |i| i.from.t_us));
        let Some(current) = &mut self.current else { return };
        match from_rest {
            Some(interval) => {
                segment.extend(interval, || are_slow(&self.feed, &self.setting));
                segment.watch_ripple(interval);
            }
            None => counted.into_iter().for_each(|interval| current.finish(interval)),
        }
        if counted.is_none() || current.kind != PhaseKind::Rest {
            segment.start_at(point);
        }
        let after_dark = match counted {
            Some(_) => None,
            None => Some((interval.map(|i| i.seconds), interval.and_then(Gap::of))),
        };
        self.pending = Some(Pending {
            segment,
            since_us: point.t_us,
            load,
            lowest_volt: point.reading.voltage_volt,
            after_dark,
            counted_ah: interval.filter(|_| after_dark.is_some()).and_then(moved_ah),
        });
    }

    /// The pending change did not last: what it carried is the current phase's.
    fn take_back(&mut self) {
        if let Some(pending) = self.pending.take()
            && let Some(current) = &mut self.current
        {
            pending.give_back(current);
        }
    }

    fn commit_if_lasting(&mut self, point: &Point) {
        let Some(pending) = &self.pending else { return };
        let rules = &self.setting.rules;
        let needed = match pending.segment.kind {
            PhaseKind::Rest => rules.rest_enter_second,
            _ => rules.rest_leave_second,
        };
        if seconds_between(pending.since_us, point.t_us) < needed {
            return;
        }
        if self.closed.len() >= PHASES {
            self.ran_out_of_phases = true;
            self.take_back();
            return;
        }
        if let Some(pending) = self.pending.take()
            && let Some(old) = self.current.take()
        {
            self.first_minute.change(&old, &pending.segment, point, &self.setting);
            let (old, new) = pending.commit(old, &self.judge());
            append(&mut self.closed, old, &self.setting);
            self.current = Some(new);
            self.history.clear();
        }
    }

    fn repeat(&mut self, point: &Point) {
        let kind = self.current.as_ref().map(|s| s.kind);
        let wanted = kind.map(|k| self.wanted(k, point));
        match (&mut self.pending, &mut self.current) {
            (Some(pending), _) if Some(pending.segment.kind) == wanted => {
                pending.segment.repeat(point);
            }
            (None, Some(current)) if kind == wanted => current.repeat(point),
            // A reading that contradicts the one at the same time decides
            // nothing; the interval after it begins with it.
            _ => {}
        }
    }

    pub(crate) fn judge(&self) -> Judge<'_> {
        let rules = &self.setting.rules;
        let rated = self.setting.rated_ah.filter(|c| *c > 0.0);
        // Without a rating the rest threshold stands for C/500.
        let unrated = || {
            self.feed.threshold.ampere() * rules.rest_divisor_hour / rules.dark_load_divisor_hour
        };
        Judge {
            setting: &self.setting,
            interval_second: self.feed.cadence.median_second(),
            least_load_ampere: rated.map_or_else(unrated, |c| c / rules.dark_load_divisor_hour),
        }
    }
}

fn are_slow(feed: &Feed, setting: &Setting) -> bool {
    let slow = setting.rules.cutoff_slow_row_second * JITTER;
    feed.cadence.median_second().is_some_and(|m| m > slow)
}
