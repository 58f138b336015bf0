//! What a session showed, as a claim with its standing.

use ampledger_types::Unit;
use ampledger_types::result::{EndReason, Figure, Phase, PhaseKind, SessionReport};

use super::{discharge_ended, standing, subject, warmth};
use crate::numbers;

/// What a session showed: `Delivered 57.4 Ah to 20.0 V (95.7 % of 60 Ah),
/// 1457 Wh, at −12.1 A mean (0.20 C). Provisional: …` with all reasons.
///
/// Everything but `report.claim` must be filled in.
pub fn claim(report: &SessionReport) -> String {
    format!("{} {}", came_out(report), standing(claimed(report)))
}

/// The same without how well it is known.
pub fn came_out(report: &SessionReport) -> String {
    let main = report.main_discharge.and_then(|i| report.phases.get(i));
    let mut said = Vec::new();
    match main {
        Some(main) => {
            said.push(delivered(report, main));
            said.extend(how_it_ended(report, main));
            said.extend(charged(report, Side::Before));
            said.extend(charged(report, Side::After));
        }
        None => said.push(without_discharge(report)),
    }
    said.join(" ")
}

/// The figure that a claim is about.
pub fn claimed(report: &SessionReport) -> &Figure {
    let results = &report.results;
    if report.main_discharge.is_none() {
        let charged = report.phases.iter().any(|p| p.kind == PhaseKind::Charge);
        return match charged {
            true => &results.charging_capacity_ah,
            false => &results.discharging_capacity_ah,
        };
    }
    match results.capacity_to_cutoff_ah.value {
        Some(_) => &results.capacity_to_cutoff_ah,
        None => &results.main_discharge_ah,
    }
}

/// The energy beside it.
pub fn claimed_energy(report: &SessionReport) -> &Figure {
    let results = &report.results;
    if report.main_discharge.is_none() {
        let charged = report.phases.iter().any(|p| p.kind == PhaseKind::Charge);
        return match charged {
            true => &results.charging_energy_wh,
            false => &results.discharging_energy_wh,
        };
    }
    match results.capacity_to_cutoff_ah.value {
        Some(_) => &results.energy_to_cutoff_wh,
        None => &results.main_discharge_wh,
    }
}

/// The end voltage that held for a session, V.
pub(super) fn cutoff_volt(report: &SessionReport) -> Option<f64> {
    crate::cutoff_volt(&report.session.session, report.pack.as_ref())
}

/// The rated capacity, Ah.
pub(super) fn rated_ah(report: &SessionReport) -> Option<f64> {
    crate::setting::rated_ah(report.pack.as_ref())
}

fn delivered(report: &SessionReport, main: &Phase) -> String {
    let results = &report.results;
    let figure = claimed(report);
    let reached = results.capacity_to_cutoff_ah.value.is_some();
    let mut words = format!("Delivered {}", numbers::figure(figure, Unit::AmpereHour));
    if let (true, Some(volt)) = (reached, cutoff_volt(report)) {
        words += &format!(" to {}", numbers::given(volt, Unit::Volt));
    }
    if main.end_reason == Some(EndReason::Running) && !reached {
        words += " so far";
    }
    if let (Some(ah), Some(rated)) = (figure.value, rated_ah(report)) {
        let rating = numbers::given(rated, Unit::AmpereHour);
        let uncertainty = figure.expanded_uncertainty.map(|u| u / rated);
        let share = numbers::percent_worth(ah / rated, uncertainty);
        words += &format!(" ({} of {rating})", share);
    }
    let energy = if reached { &results.energy_to_cutoff_wh } else { &results.main_discharge_wh };
    if energy.value.is_some() {
        words += &format!(", {}", numbers::figure(energy, Unit::WattHour));
    }
    if let Some(mean) = main.mean_current_ampere {
        words += &format!(", at {} mean", numbers::value(mean, Unit::Ampere));
        if let Some(rated) = rated_ah(report) {
            words += &format!(" ({})", numbers::c_rate(mean, rated));
        }
    }
    if let Some(warmth) = warmth(&report.temperatures) {
        words += &format!(", {warmth}");
    }
    words + "."
}

fn how_it_ended(report: &SessionReport, main: &Phase) -> Option<String> {
    let figure = &report.results.capacity_to_cutoff_ah;
    match (main.end_reason?, figure.value) {
        (EndReason::Running, None) | (EndReason::CutoffVoltage, Some(_)) => None,
        (EndReason::CutoffVoltage, None) => {
            let why = figure.reasons.join("; ");
            Some(format!("The capacity to its cut-off is not known: {why}."))
        }
        _ => {
            let ended = discharge_ended(main, cutoff_volt(report))?;
            Some(format!("{} {ended}.", subject(report)))
        }
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Side {
    Before,
    After,
}

/// `Charged back 58.0 Ah, 1532 Wh.`
fn charged(report: &SessionReport, side: Side) -> Option<String> {
    let main = report.main_discharge?;
    let charges: Vec<&Phase> = match side {
        Side::Before => report.phases.iter().take(main).collect(),
        Side::After => report.phases.iter().skip(main).collect(),
    };
    let amounts = charge_amounts(report, &charges)?;
    Some(match side {
        Side::Before => format!("Charged {amounts} beforehand."),
        Side::After => format!("Charged back {amounts}."),
    })
}

/// With the digits that the uncertainty of all charges leaves it, share for
/// share.
fn charge_amounts(report: &SessionReport, phases: &[&Phase]) -> Option<String> {
    let charges = || phases.iter().filter(|p| p.kind == PhaseKind::Charge);
    charges().next()?;
    let results = &report.results;
    let amount = |of: fn(&Phase) -> Option<f64>, all: &Figure, unit: Unit| {
        let value = charges().map(|p| of(p)).sum::<Option<f64>>()?.abs();
        let share = all.expanded_uncertainty.zip(all.value).map(|(u, all)| u / all.abs());
        let worth = numbers::worth(value, share.map(|share| value * share), unit);
        Some(format!("{worth} {}", unit.symbol()))
    };
    let ah = amount(|p| p.charge_ah, &results.charging_capacity_ah, Unit::AmpereHour);
    let Some(ah) = ah else { return Some("an unknown charge".to_owned()) };
    let wh = amount(|p| p.energy_wh, &results.charging_energy_wh, Unit::WattHour);
    Some(wh.map_or(ah.clone(), |wh| format!("{ah}, {wh}")))
}

/// All charges of a session, each figure with its uncertainty.
fn charged_in_all(report: &SessionReport) -> Option<String> {
    report.phases.iter().find(|p| p.kind == PhaseKind::Charge)?;
    let (ah, wh) = (&report.results.charging_capacity_ah, &report.results.charging_energy_wh);
    if ah.value.is_none() {
        return Some("an unknown charge".to_owned());
    }
    let energy =
        wh.value.map_or(String::new(), |_| format!(", {}", numbers::figure(wh, Unit::WattHour)));
    Some(format!("{}{energy}", numbers::figure(ah, Unit::AmpereHour)))
}

fn without_discharge(report: &SessionReport) -> String {
    if report.phases.is_empty() {
        return "No phase has been found in what was recorded.".to_owned();
    }
    match charged_in_all(report) {
        Some(amounts) => format!("Charged {amounts}. No discharge."),
        None => format!("{} rested; no charge and no discharge.", subject(report)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sentences::samples;

    #[test]
    fn a_discharge_to_its_cutoff() {
        assert_eq!(
            claim(&samples::report()),
            "Delivered 57.4 Ah to 20.0 V (95.7 % of 60 Ah), 1457 Wh, at −12.1 A mean (0.20 C). \
             Charged back 58.0 Ah, 1532 Wh. \
             Provisional: no proof that the pack was full; the accuracy is not stated."
        );
    }

    #[test]
    fn a_proven_claim_says_what_proves_it() {
        assert_eq!(
            claim(&samples::proven()),
            "Delivered 57.4 ± 0.4 Ah to 20.0 V (95.7 % of 60 Ah), 1457 ± 12 Wh, at −12.1 A mean \
             (0.20 C), 22 to 26 °C. Charged back 58.0 Ah, 1532 Wh. \
             Proven: full at start (charged to 29.2 V, tapered to 1.9 A = C/32, rested 61 min, \
             nothing drawn since); offset zeroed (+0.013 A); no gap longer than 2 s; \
             ended at cut-off voltage."
        );
    }

    #[test]
    fn an_uncertainty_is_shown_where_it_is_stated() {
        let mut report = samples::report();
        report.results.capacity_to_cutoff_ah.expanded_uncertainty = Some(0.4);
        report.results.energy_to_cutoff_wh.expanded_uncertainty = Some(12.0);
        let said = claim(&report);
        assert!(
            said.starts_with(
                "Delivered 57.4 ± 0.4 Ah to 20.0 V (95.7 % of 60 Ah), 1457 ± 12 Wh, at"
            )
        );
        report.results.capacity_to_cutoff_ah.expanded_uncertainty = Some(8.9);
        report.results.energy_to_cutoff_wh.expanded_uncertainty = Some(227.0);
        let said = claim(&report);
        let words = "Delivered 57 ± 9 Ah to 20.0 V (96 % of 60 Ah), 1460 ± 230 Wh, at";
        assert!(said.starts_with(words), "{said}");
    }

    #[test]
    fn a_charge_beside_the_discharge_shows_no_more_digits_than_it_is_worth() {
        let mut report = samples::report();
        report.results.charging_capacity_ah.expanded_uncertainty = Some(8.7);
        report.results.charging_energy_wh.expanded_uncertainty = Some(230.0);
        let said = claim(&report);
        assert!(said.contains("Charged back 58 Ah, 1530 Wh."), "{said}");
    }

    #[test]
    fn a_discharge_that_went_dark() {
        let report = samples::dark();
        assert_eq!(
            claim(&report),
            "Delivered 57.4 Ah (95.7 % of 60 Ah), 1457 Wh, at −12.1 A mean (0.20 C). \
             GAL-07 went dark under load at 20.3 V: probable protection trip. \
             Provisional: no proof that the pack was full; the accuracy is not stated."
        );
    }

    #[test]
    fn a_crossing_that_is_not_known_is_said() {
        let mut report = samples::report();
        report.phases.truncate(2);
        report.results.capacity_to_cutoff_ah.value = None;
        report.results.capacity_to_cutoff_ah.reasons = vec!["it lies inside a gap".to_owned()];
        assert!(
            claim(&report)
                .contains("The capacity to its cut-off is not known: it lies inside a gap.")
        );
    }

    #[test]
    fn a_discharge_that_still_runs() {
        let mut report = samples::running();
        report.pack = None;
        assert_eq!(
            claim(&report),
            "Delivered 31.2 Ah so far, 800 Wh, at −12.1 A mean. \
             Provisional: no proof that the pack was full; the accuracy is not stated."
        );
    }

    #[test]
    fn a_charge_alone_and_a_rest_alone() {
        let mut report = samples::report();
        report.main_discharge = None;
        report.phases = vec![samples::charge()];
        assert!(claim(&report).starts_with("Charged 58.0 Ah, 1532 Wh. No discharge. Prov"));
        report.results.charging_capacity_ah.expanded_uncertainty = Some(0.4);
        report.results.charging_energy_wh.expanded_uncertainty = Some(12.0);
        let words = "Charged 58.0 ± 0.4 Ah, 1532 ± 12 Wh. No discharge. Prov";
        assert!(claim(&report).starts_with(words));
        report.phases = vec![samples::rest()];
        assert!(claim(&report).starts_with("GAL-07 rested; no charge and no discharge. Prov"));
        report.phases.clear();
        assert!(claim(&report).starts_with("No phase has been found in what was recorded. "));
    }
}
