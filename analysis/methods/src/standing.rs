//! How a capacity stands: its budget, and everything in the record that keeps
//! it from being proven. Judges what was found; finds nothing itself.

use ampledger_types::result::{AnomalyKind, EndReason, PhaseKind, Status};
use serde::Serialize;

use crate::budget::{self, Budget, Exposure};
use crate::feed::seconds_between;
use crate::findings::{Analysis, FoundEnd, FoundPhase};
use crate::rules::Setting;

/// Which figure is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Of {
    /// Charge of the main discharge, however it ended.
    Charge,
    /// Energy of the main discharge, however it ended.
    Energy,
    /// Charge up to the cut-off voltage.
    ChargeToCutoff,
    /// Energy up to the cut-off voltage.
    EnergyToCutoff,
}

/// What a doubt is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DoubtKind {
    /// The pack is not proven to have been full.
    Full,
    /// Something is not stated about the meter.
    Accuracy,
    /// The offset that is taken off is old, from elsewhere, or not checked.
    Offset,
    /// The discharge has not come to an end that gives a capacity.
    End,
    /// Silences.
    Gaps,
    /// The boot clock broke off, and nobody knows for how long.
    Break,
    /// Readings that cannot be right, or are not to be trusted.
    Readings,
    /// The wiring, or which pack or instrument it is.
    Wiring,
    /// A current that swings, and a meter of which nobody says that it averages.
    Averaging,
}

/// One thing that keeps a figure from being proven.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Doubt {
    /// What it is about.
    pub kind: DoubtKind,
    /// In plain words.
    pub text: String,
}

/// A figure with its standing.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Judged {
    /// The figure; `None` where it is undetermined.
    pub value: Option<f64>,
    /// Proven, provisional or undetermined.
    pub status: Status,
    /// Its budget, where there is a figure.
    pub budget: Option<Budget>,
    /// Why it is not proven, in the order that matters to a reader.
    pub doubts: Vec<Doubt>,
}

/// How one figure of the main discharge stands.
pub fn judge(analysis: &Analysis, of: Of, setting: &Setting) -> Judged {
    let main = analysis.main_discharge.and_then(|main| analysis.phases.get(main));
    let Some(main) = main else {
        return undetermined("there is no discharge");
    };
    let exposure = match of {
        Of::Charge | Of::Energy => main.exposure,
        Of::ChargeToCutoff | Of::EnergyToCutoff => match cutoff(main) {
            Ok(exposure) => exposure,
            Err(why) => return undetermined(&why),
        },
    };
    let budget = match of {
        Of::Charge | Of::ChargeToCutoff => Some(budget::charge(&exposure, setting)),
        Of::Energy | Of::EnergyToCutoff => budget::energy(&exposure, setting),
    };
    let Some(budget) = budget else {
        return undetermined("some current has no voltage to it");
    };
    let mut doubts = full(main);
    if matches!(of, Of::Charge | Of::Energy) {
        doubts.extend(main.end.as_ref().and_then(end));
    }
    doubts.extend(lacking(&budget));
    doubts.extend(gaps(&[main], &exposure, setting));
    doubts.extend(odd(analysis));
    doubts.extend(averaging(main, setting));
    Judged::of(budget, doubts)
}

/// How a sum over all phases of a kind stands. It says nothing of a capacity,
/// so neither start nor end matter.
pub fn judge_sum(
    analysis: &Analysis,
    kind: PhaseKind,
    is_energy: bool,
    setting: &Setting,
) -> Judged {
    let of_kind = || analysis.phases.iter().filter(|p| p.kind == kind);
    let phases: Vec<&FoundPhase> = of_kind().collect();
    let summed = Exposure::together(of_kind().map(|p| &p.exposure));
    let totals = &analysis.totals;
    let (charge_ah, energy_wh) = match kind {
        PhaseKind::Discharge => (totals.discharged_ah, totals.discharged_wh),
        PhaseKind::Charge => (totals.charged_ah, totals.charged_wh),
        PhaseKind::Rest => (totals.rest_net_ah.abs(), totals.rest_net_wh.map(f64::abs)),
    };
    let silent = Silent::of(analysis, kind);
    let hidden_ah = summed.hidden_ah + silent.and_then(|silent| silent.hidden_ah).unwrap_or(0.0);
    let exposure = Exposure { charge_ah, energy_wh, hidden_ah, ..summed };
    let budget = match is_energy {
        true => budget::energy(&exposure, setting),
        false => Some(budget::charge(&exposure, setting)),
    };
    let Some(budget) = budget else {
        return undetermined("some current has no voltage to it");
    };
    let mut doubts = dark_ends(&phases);
    doubts.extend(silent.map(|silent| doubt(DoubtKind::End, silent.text())));
    doubts.extend(lacking(&budget));
    doubts.extend(gaps(&phases, &exposure, setting));
    doubts.extend(none_seen(analysis, &phases, setting));
    doubts.extend(odd(analysis));
    doubts.extend(phases.iter().find_map(|phase| averaging(phase, setting)));
    Judged::of(budget, doubts)
}

impl Judged {
    /// Readings that contradict each other go before all else: whoever sees one
    /// reason only must see that one.
    fn of(budget: Budget, mut doubts: Vec<Doubt>) -> Judged {
        let contradicts = |d: &Doubt| matches!(d.kind, DoubtKind::Readings | DoubtKind::Wiring);
        doubts.sort_by_key(|doubt| !contradicts(doubt));
        let status = if doubts.is_empty() { Status::Proven } else { Status::Provisional };
        Judged { value: Some(budget.value), status, budget: Some(budget), doubts }
    }

    /// Whether nothing of this kind is doubted.
    pub fn is_sure_of(&self, kind: DoubtKind) -> bool {
        self.doubts.iter().all(|doubt| doubt.kind != kind)
    }

    /// Something else that keeps it from being proven.
    pub fn doubt(&mut self, kind: DoubtKind, text: impl Into<String>) {
        self.doubts.push(doubt(kind, text));
        if self.status == Status::Proven {
            self.status = Status::Provisional;
        }
    }
}

fn undetermined(why: &str) -> Judged {
    let doubts = vec![doubt(DoubtKind::End, why)];
    Judged { value: None, status: Status::Undetermined, budget: None, doubts }
}

fn doubt(kind: DoubtKind, text: impl Into<String>) -> Doubt {
    Doubt { kind, text: text.into() }
}

fn cutoff(main: &FoundPhase) -> Result<Exposure, String> {
    let end = main.end.as_ref().ok_or("it has not ended")?;
    let why = || end.cutoff_unknown_because.clone();
    let cutoff = end.cutoff.ok_or_else(|| why().unwrap_or_else(|| "not reached".to_owned()))?;
    Ok(cutoff.exposure)
}

fn full(main: &FoundPhase) -> Vec<Doubt> {
    match &main.full {
        Some(full) => full.doubts().map(|text| doubt(DoubtKind::Full, text)).collect(),
        None => vec![doubt(DoubtKind::Full, "the start was not looked at")],
    }
}

fn end(end: &FoundEnd) -> Option<Doubt> {
    let text = match end.reason {
        EndReason::CutoffVoltage => return None,
        EndReason::ProtectionTrip if end.trip_means_empty == Some(true) => return None,
        EndReason::ProtectionTrip => {
            "the protection tripped, and nothing says that the pack was empty".to_owned()
        }
        EndReason::DarkUnderLoad => dark(end),
        EndReason::LoadRemoved => "the load was taken off: what was left is not known".to_owned(),
        EndReason::ChargeBegan => "a charge began: what was left is not known".to_owned(),
        EndReason::SessionEnded => "the session was stopped under load".to_owned(),
        EndReason::Running => "it is still running".to_owned(),
    };
    Some(doubt(DoubtKind::End, text))
}

fn dark(end: &FoundEnd) -> String {
    let counted = end.counted_in_dark_ah.map(|ah| format!("; its own counter moved by {ah:.3} Ah"));
    let (hidden, counted) = (at_most(end.hidden_ah), counted.unwrap_or_default());
    format!("the source went dark under load: {hidden}{counted}")
}

fn at_most(hidden_ah: Option<f64>) -> String {
    match hidden_ah {
        Some(ah) => format!("at most {ah:.3} Ah are hidden"),
        None => "how much is hidden is not known".to_owned(),
    }
}

/// The discharges of a sum that ended in the dark: what they hide is missing in
/// the sum as it is in each of them.
fn dark_ends(phases: &[&FoundPhase]) -> Vec<Doubt> {
    let ends = phases.iter().filter_map(|phase| phase.end.as_ref());
    let ends: Vec<&FoundEnd> = ends.filter(|e| e.reason == EndReason::DarkUnderLoad).collect();
    let text = match ends.as_slice() {
        [] => return Vec::new(),
        [end] => dark(end),
        several => {
            let hidden: Option<f64> = several.iter().map(|end| end.hidden_ah).sum();
            format!("the source went dark under load {} times: {}", several.len(), at_most(hidden))
        }
    };
    vec![doubt(DoubtKind::End, text)]
}

/// A silence that lasts to the end and began in a phase of the sum's own kind.
#[derive(Clone, Copy)]
struct Silent {
    kind: PhaseKind,
    seconds: f64,
    /// The most that it hides, Ah; of a rest nobody knows.
    hidden_ah: Option<f64>,
}

impl Silent {
    /// `None` while readings come, and where the end of the last discharge
    /// tells of it already. Whatever powers the meter, a charger may go on.
    fn of(analysis: &Analysis, kind: PhaseKind) -> Option<Silent> {
        let last = analysis.phases.last().filter(|last| analysis.now.dark && last.kind == kind)?;
        if last.end.as_ref().is_some_and(|end| end.reason == EndReason::DarkUnderLoad) {
            return None;
        }
        let seconds = seconds_between(0, analysis.now.silent_us);
        let ampere = analysis.now.last_current_ampere.filter(|_| kind != PhaseKind::Rest);
        let hidden_ah = ampere.map(|ampere| ampere.abs() * seconds / 3600.0);
        Some(Silent { kind, seconds, hidden_ah })
    }

    fn text(&self) -> String {
        let hidden = at_most(self.hidden_ah);
        match self.kind {
            PhaseKind::Charge => format!("the source went dark while charging: {hidden}"),
            PhaseKind::Discharge => format!("the source went dark under a small load: {hidden}"),
            PhaseKind::Rest => format!("nothing was read for the last {:.0} s", self.seconds),
        }
    }
}

/// That there was none of a kind is known only where nothing was unseen.
fn none_seen(analysis: &Analysis, of_kind: &[&FoundPhase], setting: &Setting) -> Option<Doubt> {
    let gaps = analysis.phases.iter().flat_map(|phase| &phase.gaps);
    let gaps = gaps.map(|gap| seconds_between(gap.start_us, gap.end_us));
    let silent = Some(seconds_between(0, analysis.now.silent_us)).filter(|_| analysis.now.dark);
    let longest = gaps.chain(silent).fold(0.0, f64::max);
    let is_open = of_kind.is_empty() && longest > setting.rules.proven_gap_second;
    is_open.then(|| {
        let text = format!("nothing was read for {longest:.0} s: what flowed then is not known");
        doubt(DoubtKind::Gaps, text)
    })
}

fn lacking(budget: &Budget) -> Vec<Doubt> {
    budget.lacking.iter().map(|text| doubt(DoubtKind::Accuracy, text.as_str())).collect()
}

/// No gap longer than 10 s, and all together within 0.2 % of the result.
fn gaps(phases: &[&FoundPhase], exposure: &Exposure, setting: &Setting) -> Vec<Doubt> {
    let rules = &setting.rules;
    let gaps = phases.iter().flat_map(|phase| &phase.gaps);
    let longest = gaps.map(|g| seconds_between(g.start_us, g.end_us)).fold(0.0, f64::max);
    let mut doubts = Vec::new();
    if longest > rules.proven_gap_second {
        doubts.push(doubt(DoubtKind::Gaps, format!("a gap of {longest:.0} s")));
    }
    let share = |ah: f64| ah / exposure.charge_ah * 100.0;
    if share(exposure.gaps_ah) > rules.proven_gap_percent {
        let text = format!("gaps could make {:.2} % of it", share(exposure.gaps_ah));
        doubts.push(doubt(DoubtKind::Gaps, text));
    }
    if share(exposure.alone_ah) > rules.proven_gap_percent {
        let what = match phases.iter().map(|phase| phase.lone_readings).sum::<u64>() {
            0 => "peaks of single readings, more to one side than to the other".to_owned(),
            n => format!("{n} readings stand alone, far from those around them"),
        };
        let text = format!("{what}: {:.2} % of it", share(exposure.alone_ah));
        doubts.push(doubt(DoubtKind::Readings, text));
    }
    doubts
}

/// Anomalies that no figure survives unharmed.
fn odd(analysis: &Analysis) -> Vec<Doubt> {
    let kind = |of: AnomalyKind| match of {
        AnomalyKind::TimeBackwards
        | AnomalyKind::ChannelStuck
        | AnomalyKind::CurrentImplausible
        | AnomalyKind::CurrentClipped
        | AnomalyKind::CounterDisagrees => Some(DoubtKind::Readings),
        AnomalyKind::GapLengthUnknown => Some(DoubtKind::Break),
        AnomalyKind::VoltageDoesNotFitPack
        | AnomalyKind::CurrentSignReversed
        | AnomalyKind::PowerDisagrees
        | AnomalyKind::AmmetersDisagree => Some(DoubtKind::Wiring),
        // Shown, and covered by the budget or by other doubts.
        AnomalyKind::TimeRepeated
        | AnomalyKind::ValueMissing
        | AnomalyKind::Gap
        | AnomalyKind::Unreadable
        | AnomalyKind::SecondRun
        | AnomalyKind::ClockNotSet => None,
    };
    let told = analysis.anomalies.iter().filter_map(|a| Some((kind(a.kind)?, a)));
    told.map(|(kind, anomaly)| doubt(kind, anomaly.text.as_str())).collect()
}

fn averaging(main: &FoundPhase, setting: &Setting) -> Option<Doubt> {
    let percent = main.ripple? * 100.0;
    let is_stated = setting.reading_is_average == Some(true);
    (percent > setting.rules.proven_ripple_percent && !is_stated).then(|| {
        let what = match setting.reading_is_average {
            None => "nobody says that its readings are averages",
            _ => "its readings are point samples",
        };
        let text =
            format!("the current swings by {percent:.0} % from reading to reading, and {what}");
        doubt(DoubtKind::Averaging, text)
    })
}
