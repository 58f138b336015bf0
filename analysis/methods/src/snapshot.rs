//! From the state of an analysis to its findings at a moment. Looks, computes,
//! changes nothing: the stream goes on as if nobody had asked.

use ampledger_types::result::{AnomalyKind, PhaseKind};

use crate::budget;
use crate::discharge::Ending;
use crate::feed::seconds_between;
use crate::findings::{Analysis, Now, Totals};
use crate::incremental::Curve;
use crate::integrate::Flows;
use crate::pending::{Pending, close};
use crate::phases::{LISTED, Segment, append};
use crate::session::SessionAnalysis;
use crate::tally::Tally;

impl SessionAnalysis {
    /// What is known at `now_us` (test time; the last row's time if `None`).
    /// `ended`: the session is stopped at now. Changes nothing.
    pub fn snapshot(&self, now_us: Option<i64>, ended: bool) -> Analysis {
        let now = self.now(now_us);
        let phases = self.phases(&now, ended);
        let second_runs = second_runs(&phases, self);
        let mut tally = self.feed.tally.clone();
        tally.absorb(&self.tally);
        tally.absorb(&self.first_minute.tally);
        tally.absorb(&second_runs.tally);
        tally.absorb(&counters(&phases, self));
        tally.absorb(&silence_now(&now));
        let has_voltage = self.feed.voltage.is_some();
        let is_running = now.kind == Some(PhaseKind::Discharge) && !ended;
        let last_us = now.last_row_us.unwrap_or(0);
        let main_discharge = main_discharge(&phases, &second_runs.places, self);
        let steps = main_discharge.and_then(|main| phases.get(main)?.steps.as_deref());
        Analysis {
            curve: steps.and_then(|steps| Curve::of(steps, &self.setting)),
            inverter: self.inverter.model(&self.setting.rules),
            steps: self.steps.found(),
            load: self.history.load().filter(|_| is_running),
            full_now: self.full.evidence(last_us, &self.setting),
            main_discharge,
            totals: totals(&phases, has_voltage),
            anomalies: tally.found(),
            now,
            has_current: self.current.is_some(),
            has_voltage,
            rest_threshold_ampere: self.feed.threshold.ampere(),
            rows: self.rows,
            notes: self.notes(&phases),
            phases: phases.iter().map(|s| s.found(&self.setting)).collect(),
        }
    }

    fn now(&self, now_us: Option<i64>) -> Now {
        let last_row_us = self.feed.last_row_us();
        let now_us = now_us.or(self.feed.latest_row_us());
        let silent_us = now_us.zip(last_row_us).map_or(0, |(n, l)| n.saturating_sub(l).max(0));
        let silent_second = seconds_between(0, silent_us);
        Now {
            kind: self.current.as_ref().map(|s| s.kind),
            since_us: self.current.as_ref().map(|s| s.start_us),
            silent_us,
            dark: silent_second > self.feed.dark_second(),
            quiet: silent_second > self.feed.quiet_second(),
            last_voltage_volt: self.feed.voltage.map(|(_, v)| v),
            last_current_ampere: self.feed.last.map(|p| p.reading.current_ampere),
            last_row_us,
        }
    }

    /// All phases, the one that is going on closed as of now.
    fn phases(&self, now: &Now, ended: bool) -> Vec<Segment> {
        let mut phases = self.closed.clone();
        let Some(mut current) = self.current.clone() else { return phases };
        let judge = self.judge();
        if let Some(pending) = self.pending.clone() {
            if self.is_over(&pending, now, ended) {
                let (old, new) = pending.commit(current, &judge);
                append(&mut phases, old, &self.setting);
                current = new;
            } else {
                pending.give_back(&mut current);
            }
        }
        let load = self.window.load();
        let seconds = seconds_between(0, now.silent_us);
        let ending = match () {
            () if self.went_dark(now) => Ending::Dark { load, seconds: Some(seconds) },
            () if ended => Ending::Stopped,
            () => Ending::Running,
        };
        close(&mut current, &ending, &judge);
        append(&mut phases, current, &self.setting);
        phases
    }

    /// A rest that has not lasted long enough counts if nothing more will come
    /// to confirm it: the session is stopped, or a trip took the source along.
    fn is_over(&self, pending: &Pending, now: &Now, ended: bool) -> bool {
        let judge = self.judge();
        let collapsed = pending.load.is_some_and(|l| judge.collapsed(&l, pending.lowest_volt));
        let tells = if collapsed { ended || now.dark } else { ended && !self.went_dark(now) };
        pending.segment.kind == PhaseKind::Rest && tells
    }

    fn went_dark(&self, now: &Now) -> bool {
        now.dark && self.judge().was_loaded(self.window.load())
    }

    fn notes(&self, phases: &[Segment]) -> Vec<String> {
        let mut notes = Vec::new();
        let rest = self.feed.threshold.ampere();
        if self.feed.threshold.is_unrated() {
            notes.push(format!(
                "no rated capacity is known: rest is taken as up to {rest:.3} A, from the currents seen"
            ));
        }
        if self.feed.borrowed_voltages > 0 {
            let hold = self.setting.rules.voltage_hold_second;
            notes.push(format!(
                "voltage and current do not arrive together: the last voltage, at most {hold:.0} s \
                 old, is taken with each current"
            ));
        }
        let lacks = |s: &Segment| s.flows.net_wh().is_none() || s.inner_rest.net_wh().is_none();
        if self.feed.voltage.is_some() && phases.iter().any(lacks) {
            notes.push("some current has no voltage to it: its energy is not known".to_owned());
        }
        let standby = phases.iter().filter(|s| s.is_standby(&self.setting));
        let standby_ah: f64 = standby.map(|s| s.flows.discharged.charge_ah()).sum();
        if standby_ah > 0.0 {
            notes.push(format!("{standby_ah:.3} Ah were drawn at standby level, below C/100"));
        }
        if phases.iter().any(|s| s.gaps.len() >= LISTED) {
            notes.push(format!("more than {LISTED} silences in one phase: the first are listed"));
        }
        if self.ran_out_of_phases {
            notes.push(
                "too many changes of phase: the last phase holds all that followed".to_owned(),
            );
        }
        notes
    }
}

#[derive(Default)]
struct SecondRuns {
    places: Vec<usize>,
    tally: Tally,
}

/// Discharges after an end for good, with no charge in between.
fn second_runs(phases: &[Segment], analysis: &SessionAnalysis) -> SecondRuns {
    let mut found = SecondRuns::default();
    let mut is_empty = false;
    for (place, phase) in phases.iter().enumerate() {
        match phase.kind {
            PhaseKind::Rest => {}
            PhaseKind::Charge => is_empty = false,
            PhaseKind::Discharge if phase.is_standby(&analysis.setting) => {}
            PhaseKind::Discharge => {
                if is_empty {
                    found.places.push(place);
                    found.tally.count(AnomalyKind::SecondRun, phase.start_us);
                }
                is_empty |= phase.is_emptied;
            }
        }
    }
    found
}

/// The discharge that delivered most. Standby draws count only where there is
/// nothing else, second runs never.
fn main_discharge(
    phases: &[Segment],
    second_runs: &[usize],
    analysis: &SessionAnalysis,
) -> Option<usize> {
    let delivered = |s: &Segment| s.flows.discharged.charge_ah();
    let mut best: Option<(usize, bool, f64)> = None;
    for (place, phase) in phases.iter().enumerate() {
        if phase.kind != PhaseKind::Discharge || second_runs.contains(&place) {
            continue;
        }
        let candidate = (place, !phase.is_standby(&analysis.setting), delivered(phase));
        if best.is_none_or(|b| (candidate.1, candidate.2) > (b.1, b.2)) {
            best = Some(candidate);
        }
    }
    best.map(|b| b.0)
}

fn totals(phases: &[Segment], has_voltage: bool) -> Totals {
    let (mut active, mut rests) = (Flows::default(), Flows::default());
    for phase in phases {
        match phase.kind {
            PhaseKind::Rest => rests.absorb(&phase.flows),
            _ => active.absorb(&phase.flows),
        }
        rests.absorb(&phase.inner_rest);
    }
    let known = |wh: Option<f64>| wh.filter(|_| has_voltage);
    Totals {
        discharged_ah: active.discharged.charge_ah(),
        charged_ah: active.charged.charge_ah(),
        discharged_wh: known(active.discharged.energy_wh()),
        charged_wh: known(active.charged.energy_wh()),
        rest_net_ah: rests.net_ah(),
        rest_net_wh: known(rests.net_wh()),
    }
}

/// A silence that no row has ended yet.
fn silence_now(now: &Now) -> Tally {
    let mut tally = Tally::default();
    if let Some(since_us) = now.last_row_us.filter(|_| now.dark) {
        tally.count_lasting(AnomalyKind::Gap, since_us, seconds_between(0, now.silent_us));
    }
    tally
}

/// Where the instrument's own counters say something else than its readings.
fn counters(phases: &[Segment], analysis: &SessionAnalysis) -> Tally {
    let rules = &analysis.setting.rules;
    let mut tally = Tally::default();
    for phase in phases.iter().filter(|p| p.kind != PhaseKind::Rest) {
        let exposure = phase.exposure(phase.highest_ampere);
        let of_charge = budget::charge(&exposure, &analysis.setting).expanded;
        let of_energy = budget::energy(&exposure, &analysis.setting).and_then(|b| b.expanded);
        let ours = [
            ("Ah", Some(phase.flows.net_ah().abs()), phase.counted.ah, of_charge),
            ("Wh", phase.flows.net_wh().map(f64::abs), phase.counted.wh, of_energy),
        ];
        for (unit, ours, counted, expanded) in ours {
            let Some(ours) = ours else { continue };
            // Both counted with one gain, so a large uncertainty excuses nothing.
            let allowed = expanded.unwrap_or(f64::INFINITY).min(rules.counter_share * ours);
            let said = counted.disagrees(ours, allowed, rules.counter_steps);
            if let Some(theirs) = said {
                let text = format!(
                    "the instrument's own counter moved by {theirs:.3} {unit} where its readings \
                     give {ours:.3} {unit}"
                );
                tally.tell(AnomalyKind::CounterDisagrees, phase.start_us, text);
            }
        }
    }
    tally
}
