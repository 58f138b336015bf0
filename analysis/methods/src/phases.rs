//! A phase while it grows: what flowed, its voltages, its silences; and how
//! two discharges parted by a short rest become one. Decides no boundaries.

use ampledger_types::result::{EndReason, PhaseKind};

use crate::budget::Exposure;
use crate::counters::Counted;
use crate::discharge::DischargeWatch;
use crate::feed::{Interval, Point, Silence, seconds_between};
use crate::findings::{FoundEnd, FoundPhase};
use crate::full::FullWatch;
use crate::gap::Gap;
use crate::integrate::Flows;
use crate::ripple::RippleWatch;
use crate::rules::Setting;
use crate::stuck::Stuck;
use crate::voltage_steps::VoltageSteps;

/// Gaps listed for one phase; figures hold all of them.
pub(crate) const LISTED: usize = 1000;
/// Interruptions of one discharge; beyond, the next stretch is another one.
const INTERRUPTIONS: usize = 10_000;
/// Discharges that keep their charge by voltage: the largest ones.
const WITH_STEPS: usize = 8;

/// A phase that grows or has grown.
#[derive(Clone, Debug)]
pub(crate) struct Segment {
    pub(crate) kind: PhaseKind,
    pub(crate) start_us: i64,
    pub(crate) end_us: i64,
    pub(crate) flows: Flows,
    /// By how much the instrument's own counters moved.
    pub(crate) counted: Counted,
    pub(crate) highest_ampere: f64,
    pub(crate) last_voltage: Option<f64>,
    first_voltage: Option<f64>,
    pub(crate) gaps: Vec<Gap>,
    /// Of further gaps together: how long, s, and what was counted, Ah.
    unlisted: (f64, f64),
    interruptions: Vec<(i64, i64)>,
    /// What flowed in the rests between merged discharges.
    pub(crate) inner_rest: Flows,
    /// While a discharge grows.
    pub(crate) watch: Option<DischargeWatch>,
    /// Once a discharge has ended.
    pub(crate) end: Option<FoundEnd>,
    /// It ended for good: at its cut-off, by a trip, or probably by one.
    pub(crate) is_emptied: bool,
    /// What was seen of a charge when it began; discharges only.
    pub(crate) full: Option<Box<FullWatch>>,
    ripple: RippleWatch,
    /// The charge by voltage; discharges only, and of many the largest.
    pub(crate) steps: Option<Box<VoltageSteps>>,
    longest_interval_second: f64,
}

impl Segment {
    pub(crate) fn begin(kind: PhaseKind, start_us: i64, setting: &Setting) -> Self {
        Segment {
            kind,
            start_us,
            end_us: start_us,
            flows: Flows::default(),
            counted: Counted::default(),
            highest_ampere: 0.0,
            last_voltage: None,
            first_voltage: None,
            gaps: Vec::new(),
            unlisted: (0.0, 0.0),
            interruptions: Vec::new(),
            inner_rest: Flows::default(),
            watch: (kind == PhaseKind::Discharge).then(|| DischargeWatch::new(setting)),
            end: None,
            is_emptied: false,
            full: None,
            ripple: RippleWatch::default(),
            steps: (kind == PhaseKind::Discharge).then(|| Box::new(VoltageSteps::new(setting))),
            longest_interval_second: 0.0,
        }
    }

    /// A first reading with no interval before it.
    pub(crate) fn start_at(&mut self, point: &Point) {
        self.note_reading(point);
        if let Some(watch) = &mut self.watch {
            watch.point(point, &self.flows);
        }
    }

    /// An interval whose later reading belongs to the phase as well.
    pub(crate) fn extend(&mut self, interval: &Interval, rows_are_slow: impl FnOnce() -> bool) {
        if let Some(watch) = &mut self.watch {
            watch.interval(interval, &self.flows, rows_are_slow);
        }
        self.book(interval);
        self.note_reading(&interval.to);
    }

    /// Looks for scatter and lone readings: also in what may turn out to be
    /// another phase, because a reading with a false sign looks like one.
    pub(crate) fn watch_ripple(&mut self, interval: &Interval) {
        match interval.silence {
            Silence::None if self.kind != PhaseKind::Rest => self.ripple.push(interval),
            _ => self.ripple.break_off(),
        }
    }

    /// The interval in which the load went: it is this phase's, the reading
    /// after it no longer.
    pub(crate) fn finish(&mut self, interval: &Interval) {
        self.book(interval);
    }

    /// Another reading at the time of the last one.
    pub(crate) fn repeat(&mut self, point: &Point) {
        self.note_reading(point);
        if let Some(watch) = &mut self.watch {
            watch.point(point, &self.flows);
        }
    }

    fn book(&mut self, interval: &Interval) {
        interval.book(&mut self.flows);
        if let Some(steps) = &mut self.steps {
            steps.book(interval);
        }
        self.counted.add(&interval.from.counters, &interval.to.counters);
        self.end_us = interval.to.t_us;
        self.longest_interval_second = self.longest_interval_second.max(interval.seconds);
        if let Some(gap) = Gap::of(interval) {
            self.list_gap(gap);
        }
    }

    fn note_reading(&mut self, point: &Point) {
        self.end_us = point.t_us;
        self.highest_ampere = self.highest_ampere.max(point.reading.current_ampere.abs());
        self.first_voltage = self.first_voltage.or(point.reading.voltage_volt);
        self.last_voltage = point.reading.voltage_volt.or(self.last_voltage);
    }

    pub(crate) fn list_gap(&mut self, gap: Gap) {
        if self.gaps.len() < LISTED {
            self.gaps.push(gap);
        } else {
            self.unlisted.0 += seconds_between(gap.start_us, gap.end_us);
            self.unlisted.1 += gap.estimated_ah.unwrap_or(0.0);
        }
    }

    /// A stuck stretch is listed as a gap that grows. What its readings say is
    /// counted all the same: they are there, only not to be trusted.
    pub(crate) fn list_stuck(&mut self, stuck: &Stuck, point: &Point) {
        let gap = Gap::stuck(stuck, point);
        match self.gaps.iter_mut().rev().find(|g| g.start_us == stuck.since_us) {
            Some(known) => *known = gap,
            None => self.list_gap(gap),
        }
    }

    /// Takes back a stretch that turned out to be no phase of its own.
    pub(crate) fn absorb(&mut self, stretch: Segment) {
        self.flows.absorb(&stretch.flows);
        self.counted.absorb(&stretch.counted);
        self.absorb_steps(&stretch);
        self.end_us = stretch.end_us;
        self.note_longest(&stretch);
        self.unlisted.0 += stretch.unlisted.0;
        self.unlisted.1 += stretch.unlisted.1;
        stretch.gaps.into_iter().for_each(|gap| self.list_gap(gap));
        if self.kind == PhaseKind::Rest {
            self.highest_ampere = self.highest_ampere.max(stretch.highest_ampere);
            self.last_voltage = stretch.last_voltage.or(self.last_voltage);
        }
    }

    /// A discharge at standby level: above rest, below C/100.
    pub(crate) fn is_standby(&self, setting: &Setting) -> bool {
        let rated = setting.rated_ah.filter(|c| *c > 0.0);
        let limit = rated.map(|c| c / setting.rules.standby_divisor_hour);
        self.kind == PhaseKind::Discharge && limit.is_some_and(|a| self.highest_ampere < a)
    }

    fn absorb_steps(&mut self, other: &Segment) {
        if let (Some(steps), Some(theirs)) = (&mut self.steps, &other.steps) {
            steps.absorb(theirs);
        }
    }

    fn note_longest(&mut self, other: &Segment) {
        self.longest_interval_second =
            self.longest_interval_second.max(other.longest_interval_second);
    }

    /// Goes on with a second stretch of the same discharge after a rest.
    fn go_on(&mut self, rest: Segment, next: Segment) {
        let before = self.flows;
        self.absorb_steps(&next);
        self.note_longest(&rest);
        self.note_longest(&next);
        self.interruptions.push((self.end_us, next.start_us));
        self.interruptions.extend(next.interruptions);
        self.flows.absorb(&next.flows);
        self.ripple.absorb(&next.ripple);
        self.counted.absorb(&next.counted);
        self.inner_rest.absorb(&rest.flows);
        self.inner_rest.absorb(&next.inner_rest);
        self.unlisted.0 += rest.unlisted.0 + next.unlisted.0;
        self.unlisted.1 += rest.unlisted.1 + next.unlisted.1;
        rest.gaps.into_iter().chain(next.gaps).for_each(|gap| self.list_gap(gap));
        self.end_us = next.end_us;
        self.highest_ampere = self.highest_ampere.max(next.highest_ampere);
        self.last_voltage = next.last_voltage.or(self.last_voltage);
        self.is_emptied = next.is_emptied;
        self.end = next.end.map(|end| later_end(end, &before));
    }

    /// The phase as it is handed out.
    pub(crate) fn found(&self, setting: &Setting) -> FoundPhase {
        let highest = match self.kind {
            PhaseKind::Rest => setting.maximum_current_ampere.unwrap_or(self.highest_ampere),
            _ => self.highest_ampere,
        };
        let (discharged_ah, charged_ah) = self.shown(Some(self.flows.net_ah()), |f| {
            (Some(f.discharged.charge_ah()), Some(f.charged.charge_ah()))
        });
        let (discharged_wh, charged_wh) = match self.first_voltage {
            Some(_) => self
                .shown(self.flows.net_wh(), |f| (f.discharged.energy_wh(), f.charged.energy_wh())),
            None => (None, None),
        };
        let full = self.full.as_ref().map(|full| full.evidence(self.start_us, setting));
        let unseen_ah = full.as_ref().and_then(|full| full.unseen_ah).unwrap_or(0.0);
        FoundPhase {
            kind: self.kind,
            start_us: self.start_us,
            end_us: self.end_us,
            discharged_ah: discharged_ah.unwrap_or(0.0),
            charged_ah: charged_ah.unwrap_or(0.0),
            discharged_wh,
            charged_wh,
            mean_current_ampere: self.flows.mean_current_ampere(),
            highest_current_ampere: self.highest_ampere,
            first_voltage_volt: self.first_voltage,
            last_voltage_volt: self.last_voltage,
            end: self.found_end(highest, unseen_ah),
            interruptions: self.interruptions.clone(),
            gaps: self.gaps.iter().map(|gap| gap.found(highest)).collect(),
            ripple: self.ripple.share(),
            lone_readings: self.ripple.alone,
            longest_interval_second: self.longest_interval_second,
            exposure: Exposure { unseen_ah, ..self.exposure(highest) },
            full,
        }
    }

    /// What the phase's charge and energy were exposed to: of a rest its net.
    pub(crate) fn exposure(&self, highest_ampere: f64) -> Exposure {
        let exposure = match self.kind {
            PhaseKind::Rest => Exposure {
                charge_ah: self.flows.net_ah().abs(),
                energy_wh: self.flows.net_wh().map(f64::abs),
                ..self.flows.exposure(&self.flows.discharged)
            },
            PhaseKind::Discharge => self.flows.exposure(&self.flows.discharged),
            PhaseKind::Charge => self.flows.exposure(&self.flows.charged),
        };
        Exposure {
            alone_ah: self.ripple.alone_ah(),
            gaps_ah: self.gaps_ah(highest_ampere, i64::MAX),
            hidden_ah: self.end.as_ref().and_then(|end| end.hidden_ah).unwrap_or(0.0),
            ..exposure
        }
    }

    /// The most that the gaps before a moment can have been other than was
    /// counted, Ah. Those not listed count as if all lay before it.
    fn gaps_ah(&self, highest_ampere: f64, before_us: i64) -> f64 {
        let step = self.counted.ah.step().unwrap_or(0.0);
        let listed = self.gaps.iter().filter(|g| g.start_us < before_us);
        let (second, counted) = self.unlisted;
        let others = counted.max(highest_ampere * second / 3600.0 - counted);
        listed.map(|g| g.off_ah(highest_ampere, step)).sum::<f64>() + others
    }

    /// The end, with what its capacity to the cut-off was exposed to.
    fn found_end(&self, highest_ampere: f64, unseen_ah: f64) -> Option<FoundEnd> {
        let mut end = self.end.clone()?;
        if let Some(cutoff) = &mut end.cutoff {
            cutoff.exposure.gaps_ah = self.gaps_ah(highest_ampere, cutoff.t_us);
            cutoff.exposure.unseen_ah = unseen_ah;
            cutoff.exposure.alone_ah = self.ripple.alone_ah();
        }
        Some(end)
    }

    /// Out and in; of a rest only the net, so that noise is never rectified.
    fn shown(
        &self,
        net: Option<f64>,
        both: impl Fn(&Flows) -> (Option<f64>, Option<f64>),
    ) -> (Option<f64>, Option<f64>) {
        match self.kind {
            PhaseKind::Rest => (net.map(|n| (-n).max(0.0)), net.map(|n| n.max(0.0))),
            _ => both(&self.flows),
        }
    }
}

/// The end of a later stretch as seen from the discharge's first start.
fn later_end(mut end: FoundEnd, before: &Flows) -> FoundEnd {
    if let Some(cutoff) = &mut end.cutoff {
        cutoff.discharged_ah += before.discharged.charge_ah();
        let energy = before.discharged.energy_wh();
        cutoff.discharged_wh = cutoff.discharged_wh.zip(energy).map(|(a, b)| a + b);
        cutoff.exposure = cutoff.exposure.after(&before.exposure(&before.discharged));
    }
    end
}

/// Adds a phase to those before it. A discharge goes on with the one before a
/// short rest, unless that one ended for good or in the dark.
pub(crate) fn append(phases: &mut Vec<Segment>, next: Segment, setting: &Setting) {
    if !goes_on(phases, &next, setting) {
        phases.push(next);
        forget_steps(phases);
        return;
    }
    if let Some(rest) = phases.pop()
        && let Some(first) = phases.last_mut()
    {
        first.go_on(rest, next);
    }
}

/// Memory is bounded however many discharges there are.
fn forget_steps(phases: &mut [Segment]) {
    let with = |phase: &&mut Segment| phase.steps.is_some();
    if phases.iter().filter(|phase| phase.steps.is_some()).count() > WITH_STEPS {
        // The last two may still grow together.
        let before = phases.len().saturating_sub(2);
        let charge = |phase: &Segment| phase.flows.discharged.charge_ah();
        let least = phases[..before].iter_mut().filter(with);
        let least = least.min_by(|a, b| charge(a).total_cmp(&charge(b)));
        least.into_iter().for_each(|phase| phase.steps = None);
    }
}

fn goes_on(phases: &[Segment], next: &Segment, setting: &Setting) -> bool {
    let [.., first, rest] = phases else { return false };
    let went_dark = first.end.as_ref().is_some_and(|e| e.reason == EndReason::DarkUnderLoad);
    first.kind == PhaseKind::Discharge
        && rest.kind == PhaseKind::Rest
        && next.kind == PhaseKind::Discharge
        && !first.is_emptied
        && !went_dark
        && first.interruptions.len() < INTERRUPTIONS
        && !first.is_standby(setting)
        && !next.is_standby(setting)
        && seconds_between(first.end_us, next.start_us) <= setting.rules.merge_rest_second
}
