//! How an open session stands, in a sentence or two.

use ampledger_methods::Rules;
use ampledger_methods::session::Now;
use ampledger_types::Unit;
use ampledger_types::api::Progress;
use ampledger_types::result::{EndReason, Phase, PhaseKind, SessionReport};

use super::claim::{claimed, cutoff_volt, rated_ah};
use super::{discharge_ended, standing_in_short, subject};
use crate::{dates, numbers};

/// How an open session stands: `GAL-07 is discharging: 31.2 of 60 Ah so far,
/// about 2 h 22 min (± 1 h 10 min) to 20.0 V. Provisional: …`
///
/// The time to go is that to the cut-off, or to the rated capacity where none is
/// set, and says which; none is given without a rating, or beyond it.
pub fn state(report: &SessionReport, now: &Now, progress: &Progress) -> String {
    let name = subject(report);
    let Some(last_row_us) = now.last_row_us else {
        return format!("{name}: nothing has been recorded yet.");
    };
    let mut said = vec![match now.kind {
        _ if now.dark => dark(&name, report, now),
        Some(PhaseKind::Discharge) => discharging(&name, report, progress),
        Some(PhaseKind::Charge) => charging(&name, report, now),
        Some(PhaseKind::Rest) => resting(&name, report, last_row_us, now),
        None => format!("{name}: recording has begun{}.", voltage(" at", now)),
    }];
    if now.quiet && !now.dark {
        said.push(format!("No reading for {}.", dates::duration(now.silent_us as f64 / 1e6)));
    }
    if report.phases.iter().any(|p| p.kind != PhaseKind::Rest) {
        said.push(standing_in_short(claimed(report)));
    }
    said.join(" ")
}

fn discharging(name: &str, report: &SessionReport, progress: &Progress) -> String {
    let discharge = last_of(report, PhaseKind::Discharge);
    let amount = given(report, discharge);
    match cutoff_volt(report).filter(|_| passed_cutoff(report)) {
        Some(volt) => {
            let volt = numbers::given(volt, Unit::Volt);
            format!("{name} passed its cut-off of {volt} and is still under load: {amount}.")
        }
        None => {
            let to_go = match cutoff_volt(report) {
                Some(volt) => time_to_cutoff(volt, progress),
                None => discharge.and_then(|p| time_to_rating(report, p)),
            };
            format!("{name} is discharging: {amount} so far{}.", to_go.unwrap_or_default())
        }
    }
}

/// Whether the discharge under way is the main one and went past its cut-off.
fn passed_cutoff(report: &SessionReport) -> bool {
    let is_main = report.main_discharge.is_some_and(|main| main + 1 == report.phases.len());
    is_main && report.results.capacity_to_cutoff_ah.value.is_some()
}

/// `, about 2 h 22 min (± 1 h 10 min) to 20.0 V`
fn time_to_cutoff(volt: f64, progress: &Progress) -> Option<String> {
    let second = progress.to_cutoff_second.value.filter(|s| *s < 1_000.0 * 3_600.0)?;
    let length = dates::duration(second);
    let give_or_take = progress
        .to_cutoff_second
        .expanded_uncertainty
        .map_or(String::new(), |s| format!(" (± {})", dates::duration(s)));
    Some(format!(", about {length}{give_or_take} to {}", numbers::given(volt, Unit::Volt)))
}

/// `, about 2 h 22 min to 60 Ah at this mean current`
fn time_to_rating(report: &SessionReport, phase: &Phase) -> Option<String> {
    let rated = rated_ah(report)?;
    let given = -phase.charge_ah?;
    let mean = -phase.mean_current_ampere?;
    let hours = (rated - given) / mean;
    let sensible = mean > 0.0 && hours > 0.0 && hours < 1_000.0;
    sensible.then(|| {
        let rating = numbers::given(rated, Unit::AmpereHour);
        let length = dates::duration(hours * 3_600.0);
        format!(", about {length} to {rating} at this mean current")
    })
}

fn charging(name: &str, report: &SessionReport, now: &Now) -> String {
    let charge = report.phases.last().filter(|p| p.kind == PhaseKind::Charge);
    let amount = charge.and_then(|p| p.charge_ah).map_or("an unknown charge".to_owned(), |ah| {
        let uncertainty = report.results.charging_capacity_ah.expanded_uncertainty;
        let ah = numbers::worth(ah.abs(), uncertainty, Unit::AmpereHour);
        format!("{ah} {}", Unit::AmpereHour.symbol())
    });
    let current = now
        .last_current_ampere
        .map_or(String::new(), |a| format!(", at {}", numbers::value(a, Unit::Ampere)));
    format!("{name} is charging: {amount} so far{current}{}.", voltage(",", now))
}

fn resting(name: &str, report: &SessionReport, last_row_us: i64, now: &Now) -> String {
    let lasted = now.since_us.map_or(String::new(), |since| {
        format!(" for {}", dates::duration((last_row_us - since) as f64 / 1e6))
    });
    let gave = last_of(report, PhaseKind::Discharge)
        .map_or(String::new(), |discharge| format!(" It gave {}.", in_all(report, discharge)));
    if let Some(ended) = tripped(report, now) {
        let still = voltage("", now);
        return format!("{name} {ended}. It has been at{still}{lasted}.{gave}");
    }
    if now.last_voltage_volt.is_some_and(|v| v < Rules::default().connect_none_volt) {
        let only = voltage(" and shows only", now);
        return format!("{name} has carried no current{lasted}{only}.{gave}");
    }
    format!("{name} has rested{lasted}{}.{gave}", voltage(" at", now))
}

/// How the last discharge ended, if its protection tripped and the voltage is
/// still gone: such a pack does not rest.
fn tripped(report: &SessionReport, now: &Now) -> Option<String> {
    let last = report.phases.iter().rev().find(|p| p.kind != PhaseKind::Rest)?;
    let share = Rules::default().trip_collapse_percent / 100.0;
    let (volt, before) = now.last_voltage_volt.zip(last.last_voltage_volt)?;
    let is_down = last.end_reason == Some(EndReason::ProtectionTrip) && volt < before * share;
    discharge_ended(last, cutoff_volt(report)).filter(|_| is_down)
}

fn dark(name: &str, report: &SessionReport, now: &Now) -> String {
    let last = report.phases.last();
    let tripped = last.filter(|p| {
        let reason = p.end_reason;
        matches!(reason, Some(EndReason::DarkUnderLoad | EndReason::ProtectionTrip))
    });
    match tripped {
        Some(phase) => {
            let ended = discharge_ended(phase, cutoff_volt(report)).unwrap_or_default();
            format!("{name} {ended}. It gave {}.", in_all(report, phase))
        }
        None => {
            let length = dates::duration(now.silent_us as f64 / 1e6);
            let is_charge = last.is_some_and(|p| p.kind == PhaseKind::Charge);
            let when = if is_charge { " while charging" } else { "" };
            format!("{name} has been dark for {length}{when}{}.", voltage(": last", now))
        }
    }
}

fn last_of(report: &SessionReport, kind: PhaseKind) -> Option<&Phase> {
    report.phases.iter().rev().find(|p| p.kind == kind)
}

/// `31.2 of 60 Ah`
fn given(report: &SessionReport, phase: Option<&Phase>) -> String {
    let Some(ah) = phase.and_then(|p| p.charge_ah) else {
        return "an unknown charge".to_owned();
    };
    let is_main = phase.is_some_and(|phase| is_main(report, phase));
    let uncertainty = report.results.main_discharge_ah.expanded_uncertainty;
    let ah = numbers::worth(ah.abs(), uncertainty.filter(|_| is_main), Unit::AmpereHour);
    of_rating(report, &ah)
}

fn of_rating(report: &SessionReport, ah: &str) -> String {
    match rated_ah(report) {
        Some(rated) => format!("{ah} of {}", numbers::given(rated, Unit::AmpereHour)),
        None => format!("{ah} {}", Unit::AmpereHour.symbol()),
    }
}

/// What a discharge gave that is over: `55.1 of 60 Ah to 24.0 V, 57.9 Ah in
/// all`; the second only where it went on below its cut-off.
fn in_all(report: &SessionReport, phase: &Phase) -> String {
    let whole = given(report, Some(phase));
    let figure = &report.results.capacity_to_cutoff_ah;
    let to_cutoff = figure.value.filter(|_| is_main(report, phase)).zip(cutoff_volt(report));
    let Some((ah, volt)) = to_cutoff else { return whole };
    let ah = numbers::worth(ah, figure.expanded_uncertainty, Unit::AmpereHour);
    let to_cutoff = of_rating(report, &ah);
    let volt = numbers::given(volt, Unit::Volt);
    let main = &report.results.main_discharge_ah;
    let all =
        main.value.map(|all| numbers::worth(all, main.expanded_uncertainty, Unit::AmpereHour));
    match all.filter(|all| *all != ah) {
        Some(all) => format!("{to_cutoff} to {volt}, {all} {} in all", Unit::AmpereHour.symbol()),
        None => format!("{to_cutoff} to {volt}"),
    }
}

fn is_main(report: &SessionReport, phase: &Phase) -> bool {
    let main = report.main_discharge.and_then(|main| report.phases.get(main));
    main.is_some_and(|main| std::ptr::eq(main, phase))
}

fn voltage(before: &str, now: &Now) -> String {
    now.last_voltage_volt
        .map_or(String::new(), |v| format!("{before} {}", numbers::value(v, Unit::Volt)))
}

#[cfg(test)]
mod tests {
    use ampledger_types::result::Figure;

    use super::*;
    use crate::sentences::samples;

    fn now(kind: PhaseKind) -> Now {
        Now {
            kind: Some(kind),
            since_us: Some(0),
            silent_us: 400_000,
            dark: false,
            quiet: false,
            last_voltage_volt: Some(24.31),
            last_current_ampere: Some(12.02),
            last_row_us: Some(720_000_000),
        }
    }

    /// With so much time to the cut-off.
    fn progress(second: Option<f64>) -> Progress {
        let figure = |value: Option<f64>, unit| match value {
            Some(value) => Figure {
                expanded_uncertainty: Some(value * 0.493),
                ..Figure::provisional(value, unit, "", Vec::new())
            },
            None => Figure::undetermined(unit, "", Vec::new()),
        };
        Progress {
            delivered_ah: figure(None, Unit::AmpereHour),
            delivered_wh: figure(None, Unit::WattHour),
            share_of_rating: None,
            current_ampere: None,
            power_watt: None,
            c_rate: None,
            to_cutoff_second: figure(second, Unit::Second),
            to_cutoff_ah: figure(None, Unit::AmpereHour),
            to_cutoff_wh: figure(None, Unit::WattHour),
        }
    }

    const STANDING: &str = " Provisional: no proof that the pack was full, and 1 more reason.";

    #[test]
    fn a_discharge_is_set_against_the_rating() {
        assert_eq!(
            state(&samples::running(), &now(PhaseKind::Discharge), &progress(Some(8_520.0))),
            "GAL-07 is discharging: 31.2 of 60 Ah so far, \
             about 2 h 22 min (± 1 h 10 min) to 20.0 V."
                .to_owned()
                + STANDING
        );
    }

    #[test]
    fn without_a_cutoff_the_time_is_that_to_the_rating() {
        let mut report = samples::running();
        report.session.session.cutoff_voltage_volt = None;
        report.pack.as_mut().unwrap().cutoff_voltage_volt = None;
        let said = state(&report, &now(PhaseKind::Discharge), &progress(None));
        let words = "GAL-07 is discharging: 31.2 of 60 Ah so far, \
                     about 2 h 22 min to 60 Ah at this mean current.";
        assert_eq!(said, words.to_owned() + STANDING);
    }

    #[test]
    fn no_time_to_go_is_made_up_without_a_rating_or_beyond_it() {
        let mut report = samples::running();
        report.phases[1].charge_ah = Some(-61.0);
        let said = state(&report, &now(PhaseKind::Discharge), &progress(None));
        assert!(said.starts_with("GAL-07 is discharging: 61.0 of 60 Ah so far. Prov"), "{said}");
        report.pack = None;
        let said = state(&report, &now(PhaseKind::Discharge), &progress(None));
        assert!(said.starts_with("GAL-07 is discharging: 61.0 Ah so far. Prov"), "{said}");
    }

    #[test]
    fn a_load_that_stays_on_below_the_cutoff_is_said() {
        let mut report = samples::running();
        report.results.capacity_to_cutoff_ah = report.results.main_discharge_ah.clone();
        let said = state(&report, &now(PhaseKind::Discharge), &progress(None));
        let words = "GAL-07 passed its cut-off of 20.0 V and is still under load: 31.2 of 60 Ah.";
        assert_eq!(said, words.to_owned() + STANDING);
    }

    #[test]
    fn a_charge_and_a_rest_have_their_sentences() {
        let mut report = samples::running();
        let said = state(&report, &now(PhaseKind::Rest), &progress(None));
        let words = "GAL-07 has rested for 12 min at 24.3 V. It gave 31.2 of 60 Ah.";
        assert_eq!(said, words.to_owned() + STANDING);
        report.phases.push(samples::charge());
        let said = state(&report, &now(PhaseKind::Charge), &progress(None));
        let words = "GAL-07 is charging: 58.0 Ah so far, at 12.0 A, 24.3 V.";
        assert_eq!(said, words.to_owned() + STANDING);
    }

    #[test]
    fn the_dark_is_a_trip_only_under_load() {
        let mut dark = now(PhaseKind::Discharge);
        dark.dark = true;
        dark.silent_us = 720_000_000;
        let words = "GAL-07 went dark under load at 20.3 V: probable protection trip. \
                     It gave 57.4 of 60 Ah.";
        assert_eq!(state(&samples::dark(), &dark, &progress(None)), words.to_owned() + STANDING);
        let mut report = samples::running();
        report.phases = vec![samples::rest()];
        report.main_discharge = None;
        assert_eq!(
            state(&report, &dark, &progress(None)),
            "GAL-07 has been dark for 12 min: last 24.3 V."
        );
        report.phases.push(samples::charge());
        let said = state(&report, &dark, &progress(None));
        assert!(said.starts_with("GAL-07 has been dark for 12 min while charging: last 24.3 V. "));
    }

    #[test]
    fn a_pack_whose_protection_tripped_does_not_rest_while_its_voltage_is_gone() {
        let mut report = samples::report();
        report.phases.truncate(2);
        report.phases[1].end_reason = Some(EndReason::ProtectionTrip);
        report.phases[1].last_voltage_volt = Some(19.4);
        report.phases.push(samples::rest());
        report.results.main_discharge_ah.value = Some(58.9);
        let mut rest = now(PhaseKind::Rest);
        rest.last_voltage_volt = Some(0.02);
        let said = |rest: &Now| state(&report, rest, &progress(None));
        let words = "GAL-07 lost current and voltage at 19.4 V: probable protection trip. It has \
                     been at 0.020 V for 12 min. It gave 57.4 of 60 Ah to 20.0 V, 58.9 Ah in all.";
        assert_eq!(said(&rest), words.to_owned() + STANDING);
        rest.last_voltage_volt = Some(22.1);
        let words = "GAL-07 has rested for 12 min at 22.1 V. It gave 57.4 of 60 Ah to 20.0 V, \
                     58.9 Ah in all.";
        assert_eq!(said(&rest), words.to_owned() + STANDING);
    }

    #[test]
    fn a_rest_without_a_voltage_is_called_none() {
        let mut report = samples::running();
        report.phases = vec![samples::rest()];
        report.main_discharge = None;
        let mut rest = now(PhaseKind::Rest);
        rest.last_voltage_volt = Some(0.02);
        assert_eq!(
            state(&report, &rest, &progress(None)),
            "GAL-07 has carried no current for 12 min and shows only 0.020 V."
        );
    }

    #[test]
    fn a_figure_has_the_digits_that_its_uncertainty_leaves_it() {
        let mut report = samples::running();
        report.results.main_discharge_ah.expanded_uncertainty = Some(4.9);
        let said = state(&report, &now(PhaseKind::Discharge), &progress(None));
        assert!(said.starts_with("GAL-07 is discharging: 31 of 60 Ah so far. Prov"), "{said}");
    }

    #[test]
    fn before_anything_is_known_nothing_is_claimed() {
        let mut report = samples::running();
        report.phases.clear();
        report.main_discharge = None;
        let mut early = now(PhaseKind::Rest);
        early.kind = None;
        assert_eq!(
            state(&report, &early, &progress(None)),
            "GAL-07: recording has begun at 24.3 V."
        );
        early.quiet = true;
        early.silent_us = 6_000_000;
        assert_eq!(
            state(&report, &early, &progress(None)),
            "GAL-07: recording has begun at 24.3 V. No reading for 6 s."
        );
        early.last_row_us = None;
        assert_eq!(
            state(&report, &early, &progress(None)),
            "GAL-07: nothing has been recorded yet."
        );
    }
}
