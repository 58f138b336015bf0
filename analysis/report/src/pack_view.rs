//! What several sessions of a pack show together, from their reports: its
//! capacities, Peukert's exponent, self-discharge over stands.

use ampledger_methods::Rules;
use ampledger_methods::peukert::{Run, fit};
use ampledger_methods::self_discharge::{Capacity, between};
use ampledger_types::pack_view::{PackSession, PackView, Peukert, Stand};
use ampledger_types::result::{Figure, SessionReport, Status};

use crate::sentences::claimed;

/// Runs at rates nearer than this to each other are of one rate.
const SAME_RATE: f64 = 0.05;

/// A pack over its sessions; reports of other packs are passed over.
pub fn pack_view(pack: &str, reports: &[SessionReport]) -> PackView {
    let is_its = |report: &&SessionReport| {
        report.session.session.pack.as_deref() == Some(pack) && report.main_discharge.is_some()
    };
    let mut its: Vec<&SessionReport> = reports.iter().filter(is_its).collect();
    its.sort_by_key(|report| (report.session.session.start, report.session.session.id));
    let rules = Rules::default();
    PackView {
        pack: pack.to_owned(),
        sessions: its.iter().filter_map(|report| in_short(report)).collect(),
        peukert: peukert(&its, &rules),
        self_discharge: stands(&its, &rules),
    }
}

/// What a session shows together with those of its pack before it: Peukert's
/// exponent, where they are of three rates or more, and what a stand since the
/// last one cost.
pub(crate) fn beside(
    report: &SessionReport,
    before: &[SessionReport],
) -> (Option<Peukert>, Option<Stand>) {
    if before.is_empty() || report.results.capacity_to_cutoff_ah.value.is_none() {
        return (None, None);
    }
    let rules = Rules::default();
    let with_main = |report: &&SessionReport| report.main_discharge.is_some();
    let mut its: Vec<&SessionReport> = before.iter().filter(with_main).collect();
    its.push(report);
    let peukert = peukert(&its, &rules).filter(|found| found.exponent_standard.is_some());
    let last_two = its.len().saturating_sub(2);
    (peukert, stands(&its[last_two..], &rules).pop())
}

fn in_short(report: &SessionReport) -> Option<PackSession> {
    let figure = claimed(report);
    let main = report.phases.get(report.main_discharge?)?;
    Some(PackSession {
        session: report.session.session.id,
        start_unix_time_second: report.session.started.unix_time_second,
        capacity_ah: figure.value?,
        is_to_cutoff: report.results.capacity_to_cutoff_ah.value.is_some(),
        expanded_ah: figure.expanded_uncertainty,
        mean_current_ampere: main.mean_current_ampere?,
        status: figure.status,
    })
}

/// Over the discharges that came to their cut-off; of one rate the mean.
fn peukert(reports: &[&SessionReport], rules: &Rules) -> Option<Peukert> {
    let mut runs: Vec<(Run, f64)> = Vec::new();
    let mut unproven = 0;
    for report in reports {
        let figure = &report.results.capacity_to_cutoff_ah;
        let Some((ah, session)) = figure.value.zip(in_short(report)) else { continue };
        unproven += u32::from(figure.status != Status::Proven);
        let ampere = session.mean_current_ampere.abs();
        let run = Run { ampere, hour: ah / ampere };
        let near = |known: &&mut (Run, f64)| (known.0.ampere / ampere - 1.0).abs() < SAME_RATE;
        match runs.iter_mut().find(near) {
            Some((known, count)) => {
                known.ampere += (run.ampere - known.ampere) / (*count + 1.0);
                known.hour += (run.hour - known.hour) / (*count + 1.0);
                *count += 1.0;
            }
            None => runs.push((run, 1.0)),
        }
    }
    let runs: Vec<Run> = runs.into_iter().map(|(run, _)| run).collect();
    let mut found = fit(&runs, rules).filter(|found| found.exponent.is_finite())?;
    if unproven > 0 {
        found.doubts.push(match unproven {
            1 => "one of the capacities is not proven".to_owned(),
            n => format!("of {n} of the capacities each is not proven"),
        });
    }
    Some(Peukert {
        exponent: found.exponent,
        exponent_standard: found.exponent_standard.filter(|u| u.is_finite()),
        constant: found.constant,
        doubts: found.doubts,
    })
}

/// Between a discharge soon after its charge and the next one after a stand.
fn stands(reports: &[&SessionReport], rules: &Rules) -> Vec<Stand> {
    let mut stands = Vec::new();
    for pair in reports.windows(2) {
        let [before, after] = pair else { continue };
        let rested = |report: &SessionReport| {
            claimed(report).finding("rest before the load").and_then(|f| f.value)
        };
        let (Some(short), Some(long)) = (rested(before), rested(after)) else { continue };
        let days = (long - short) / 86_400.0;
        if days < rules.self_discharge_least_day || !are_of_one_rate(before, after) {
            continue;
        }
        let (Some(first), Some(second)) = (capacity(before), capacity(after)) else { continue };
        stands.extend(between(first, second, days, rules).map(|found| Stand {
            before: before.session.session.id,
            after: after.session.session.id,
            days,
            percent: found.percent,
            expanded_percent: found.percent_expanded.filter(|u| u.is_finite()),
            percent_a_month: found.percent_a_month,
            ampere: found.ampere,
            doubts: found.doubts,
        }));
    }
    stands
}

/// At another rate a pack gives another charge, whatever it lost in the stand.
fn are_of_one_rate(one: &SessionReport, other: &SessionReport) -> bool {
    let ampere = |report| in_short(report).map(|session| session.mean_current_ampere);
    let both = ampere(one).zip(ampere(other));
    both.is_some_and(|(one, other)| (one / other - 1.0).abs() < SAME_RATE)
}

/// With its uncertainty less the gain, which is the same both times.
fn capacity(report: &SessionReport) -> Option<Capacity> {
    let figure = &report.results.capacity_to_cutoff_ah;
    Some(Capacity { ah: figure.value?, standard_ah: without_gain(figure) })
}

fn without_gain(figure: &Figure) -> Option<f64> {
    figure.expanded_uncertainty?;
    let terms = figure.budget.as_ref()?.terms.iter();
    let others = terms.filter(|term| term.name != "gain of the current");
    Some(others.map(|term| term.standard * term.standard).sum::<f64>().sqrt())
}
