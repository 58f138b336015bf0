//! Was the pack full at the start? Each bench rule with a case that meets it
//! and one that just fails, on GAL-07 (lithium iron phosphate) and TUG-3
//! (12 V AGM lead-acid, 80 Ah). The naive reader sees a charge and a rest in
//! all of them.

mod bench;
mod cases;
mod charge;

use ampledger_methods::evidence::{FullEvidence, Proof, Standing};
use ampledger_methods::{Row, SessionAnalysis, Setting};
use ampledger_types::Chemistry;
use bench::{gal_07, near};
use cases::case;
use charge::{Rows, Script, of_last_discharge};

fn gal() -> Setting {
    Setting {
        charge_voltage_volt: Some(29.2),
        current_offset: Some(0.02),
        current_resolution: Some(0.01),
        ..gal_07()
    }
}

fn tug() -> Setting {
    Setting {
        rated_ah: Some(80.0),
        cutoff_voltage_volt: Some(10.5),
        chemistry: Some(Chemistry::LeadAcid),
        cells_in_series: Some(6),
        charge_voltage_volt: Some(14.4),
        ..Setting::default()
    }
}

/// Which rules are not met.
fn open(evidence: &FullEvidence) -> Vec<&'static str> {
    let open = evidence.findings.iter().filter(|f| f.standing != Standing::Met);
    open.map(|f| f.rule).collect()
}

fn gal_with(change: impl Fn(&mut Script)) -> Vec<&'static str> {
    let mut script = Script::gal_07();
    change(&mut script);
    open(&script.evidence(&gal()))
}

fn tug_with(change: impl Fn(&mut Script)) -> Vec<&'static str> {
    let mut script = Script::tug_3();
    change(&mut script);
    open(&script.evidence(&tug()))
}

const NONE: [&str; 0] = [];

#[test]
fn a_charge_with_taper_hold_and_rest_is_found_with_times_and_values() {
    let evidence = Script::gal_07().evidence(&gal());
    assert_eq!(open(&evidence), NONE);
    assert_eq!(evidence.proof, Proof::Found);
    let says: Vec<_> = evidence.findings.iter().map(|f| f.says.as_str()).collect();
    assert!(says.contains(&"charged to 29.2 V"), "{says:?}");
    assert!(says.contains(&"tapered to 1.9 A = C/32"), "{says:?}");
    assert!(says.contains(&"rested 61 min"), "{says:?}");
    let taper = evidence.finding("taper").unwrap();
    assert_eq!((taper.value, taper.limit, taper.unit), (Some(1.9), Some(3.0), "A"));
    assert!(taper.t_us.is_some());
    // Offset 20 mA and half a step over 61 min of rest.
    assert!(near(evidence.unseen_ah.unwrap(), 0.025 * 3665.0 / 3600.0, 1e-2));
}

#[test]
fn without_any_charge_in_the_record_there_is_no_proof() {
    let mut rows = Rows { rows: Vec::new(), second: 0.0, interval: 5.0 };
    rows.hold(0.0, 27.2, 3600.0);
    rows.hold(-12.0, 26.5, 120.0);
    let evidence = rows.evidence(&gal());
    assert_eq!(evidence.proof, Proof::Absent);
    assert!(evidence.doubts().next().unwrap().contains("no charge before the discharge"));
}

#[test]
fn ten_minutes_of_current_must_be_seen_or_the_charger_bypasses_the_sensor() {
    assert_eq!(gal_with(|s| s.bulk_second = 600.0), NONE);
    let quick = |s: &mut Script| {
        s.bulk_second = 20.0;
        s.tau_second = 250.0;
    };
    // 20 s, then 250 s × ln 4 above C/20.
    assert_eq!(gal_with(quick), ["charge seen"]);
    let mut bypassed = Rows { rows: Vec::new(), second: 0.0, interval: 5.0 };
    bypassed.hold(0.0, 29.2, 3600.0);
    Script::gal_07().rest_and_load(&mut bypassed);
    assert_eq!(bypassed.evidence(&gal()).proof, Proof::Absent, "volts and no amps");
}

#[test]
fn the_charge_voltage_is_reached_within_half_a_percent_or_the_uncertainty() {
    assert_eq!(gal_with(|s| s.charge_volt = 29.06), NONE);
    assert_eq!(gal_with(|s| s.charge_volt = 29.05), ["voltage reached", "taper", "held"]);
    let coarse = Setting { voltage_gain_percent: Some(1.0), voltage_offset: Some(0.0), ..gal() };
    let low = Script { charge_volt: 28.95, ..Script::gal_07() };
    assert_eq!(open(&low.evidence(&coarse)), NONE);
}

#[test]
fn the_taper_comes_down_to_a_twentieth_of_the_rating() {
    assert_eq!(gal_with(|s| s.end_ampere = 3.0), NONE);
    assert_eq!(gal_with(|s| s.end_ampere = 3.01), ["taper", "held"]);
    let at_twentieth = Script { end_ampere: 2.5, ..Script::gal_07() }.evidence(&gal());
    assert!(at_twentieth.finding("taper").unwrap().says.contains("C/30 would be better"));
}

#[test]
fn a_current_that_falls_in_one_step_is_a_protection_act_and_no_taper() {
    let stepped = |last_ampere: f64| {
        let mut rows = Rows { rows: Vec::new(), second: 0.0, interval: 5.0 };
        rows.hold(12.0, 28.2, 1800.0);
        rows.hold(12.0, 29.2, 300.0);
        rows.hold(last_ampere, 29.2, 400.0);
        Script::gal_07().rest_and_load(&mut rows);
        open(&rows.evidence(&gal()))
    };
    assert_eq!(stepped(0.0), ["taper"], "the charger's voltage stays, the current is gone");
    assert_eq!(stepped(2.9), ["taper"]);
    let smooth = |s: &mut Script| s.interval = 2.0;
    assert_eq!(gal_with(smooth), NONE);
}

#[test]
fn voltage_and_taper_are_held_for_five_minutes() {
    // With C/30 as the end, 600 s × ln(3/1.9) pass below C/20 before it.
    let held = |second: f64| {
        gal_with(|s| {
            s.end_ampere = 3.0;
            s.hold_second = second;
        })
    };
    assert_eq!(held(305.0), NONE);
    assert_eq!(held(295.0), ["held"]);
}

#[test]
fn the_rest_lasts_from_half_an_hour_to_a_day() {
    let rest = |second: f64| gal_with(|s| s.rest_second = second);
    assert_eq!(rest(1805.0), NONE);
    assert_eq!(rest(1790.0), ["rest before the load"]);
    assert_eq!(rest(86_390.0), NONE);
    assert_eq!(rest(86_410.0), ["rest before the load"]);
    let rest = |second: f64| tug_with(|s| s.rest_second = second);
    assert_eq!(rest(3605.0), NONE);
    assert_eq!(rest(3590.0), ["rest before the load"]);
}

#[test]
fn the_rested_voltage_is_that_of_a_full_pack() {
    let at = |per_cell: f64| gal_with(|s| s.rest_volt = 8.0 * per_cell);
    assert_eq!((at(3.321), at(3.599)), (vec![], vec![]));
    assert_eq!(at(3.319), ["rested voltage"]);
    assert_eq!(at(3.601), ["rested voltage"]);
    let at = |per_cell: f64| tug_with(|s| s.rest_volt = 6.0 * per_cell);
    assert_eq!((at(2.111), at(2.199)), (vec![], vec![]));
    assert_eq!((at(2.109), at(2.201)), (vec!["rested voltage"], vec!["rested voltage"]));
    let nmc = Setting { chemistry: Some(Chemistry::LithiumIon), cells_in_series: Some(7), ..gal() };
    let at = |per_cell: f64| {
        let script = Script { rest_volt: 7.0 * per_cell, ..Script::gal_07() };
        open(&script.evidence(&nmc))
    };
    assert_eq!((at(4.101), at(4.099)), (vec![], vec!["rested voltage"]));
}

#[test]
fn nothing_is_drawn_between_charge_and_load() {
    let setting = Setting { current_offset: None, ..gal() };
    let drawn = |second: f64| {
        let mut rows = Script::gal_07().rows();
        rows.hold(0.0, 27.2, 1800.0);
        rows.hold(-0.6, 27.2, second);
        rows.hold(0.0, 27.2, 1800.0);
        rows.hold(-12.0, 26.5, 120.0);
        open(&rows.evidence(&setting))
    };
    // 0.06 Ah is 0.1 % of the rating: 0.6 A for 6 min.
    assert_eq!(drawn(355.0), NONE);
    assert_eq!(drawn(370.0), ["nothing drawn since"]);
}

#[test]
fn noise_and_offset_over_a_long_rest_are_no_draw_but_a_small_load_is() {
    let rested = |current: fn(i32) -> f64| {
        let mut rows = Script::gal_07().rows();
        for n in 0..(10 * 3600 / 5) {
            rows.hold(current(n), 27.2, 5.0);
        }
        rows.hold(-12.0, 26.5, 120.0);
        open(&rows.evidence(&gal()))
    };
    assert_eq!(rested(|n| if n % 2 == 0 { 0.05 } else { -0.05 }), NONE);
    assert_eq!(rested(|_| -0.02), NONE, "the stated offset");
    assert_eq!(rested(|_| -0.1), ["nothing drawn since"], "below C/500, for ten hours");
}

#[test]
fn a_short_top_up_after_a_draw_does_not_renew_the_proof() {
    let mut rows = Script::gal_07().rows();
    rows.hold(0.0, 27.2, 1800.0);
    rows.hold(-3.0, 27.0, 600.0);
    rows.hold(3.0, 27.4, 60.0);
    rows.hold(0.0, 27.2, 1860.0);
    rows.hold(-12.0, 26.5, 120.0);
    assert_eq!(open(&rows.evidence(&gal())), ["nothing drawn since"]);
}

#[test]
fn a_dark_stretch_breaks_custody_unless_somebody_knows_the_pack() {
    let dark = |second: f64, setting: &Setting| {
        let mut rows = Script::gal_07().rows();
        rows.hold(0.0, 27.2, 1800.0);
        rows.second += second - rows.interval;
        rows.hold(0.0, 27.2, 1800.0);
        rows.hold(-12.0, 26.5, 120.0);
        rows.evidence(setting)
    };
    assert_eq!(open(&dark(25.0, &gal())), NONE, "five intervals");
    let broken = dark(26.0, &gal());
    assert_eq!(open(&broken), ["custody"]);
    assert!(broken.doubts().next().unwrap().contains("could have been swapped"));
    assert_eq!(broken.proof, Proof::Partly);
    let confirmed = Setting { is_custody_confirmed: true, ..gal() };
    assert_eq!(dark(26.0, &confirmed).proof, Proof::Found);
}

#[test]
fn a_load_that_comes_out_of_the_dark_finds_custody_broken() {
    let dark = |second: f64| {
        let mut rows = Script::gal_07().rows();
        rows.hold(0.0, 27.2, 3660.0);
        rows.second += second - rows.interval;
        rows.hold(-12.0, 26.5, 120.0);
        open(&rows.evidence(&gal()))
    };
    assert_eq!((dark(25.0), dark(26.0)), (vec![], vec!["custody"]));
}

#[test]
fn a_session_that_begins_with_the_load_after_a_dark_stretch_finds_custody_broken() {
    let dark = |second: f64| {
        let mut rows = Script::gal_07().rows();
        rows.hold(0.0, 27.2, 3660.0);
        let before = rows.analyse(&gal()).full_watch();
        rows.second += second - rows.interval;
        let mut load = Rows { rows: Vec::new(), ..rows };
        load.hold(-12.0, 26.5, 120.0);
        let mut analysis = SessionAnalysis::after(gal(), before);
        load.rows.iter().for_each(|row| analysis.push(row));
        open(&of_last_discharge(&analysis))
    };
    assert_eq!((dark(25.0), dark(26.0)), (vec![], vec!["custody"]));
}

#[test]
fn a_pack_taken_off_or_another_instrument_breaks_custody() {
    let off = |volt: f64| {
        let mut rows = Script::gal_07().rows();
        rows.hold(0.0, 27.2, 1800.0);
        rows.hold(0.0, volt, 10.0);
        rows.hold(0.0, 27.2, 1800.0);
        rows.hold(-12.0, 26.5, 120.0);
        open(&rows.evidence(&gal()))
    };
    // Lithium: 2 V a cell.
    assert_eq!((off(16.1), off(15.9)), (vec![], vec!["custody"]));

    let mut script = Script::gal_07();
    script.rest_second = 1800.0;
    let charge = script.rows();
    let mut analysis = charge.analyse(&gal());
    analysis.other_instrument((charge.second * 1e6) as i64);
    let mut rest = Rows { rows: Vec::new(), ..charge };
    script.rest_and_load(&mut rest);
    rest.rows.iter().for_each(|row| analysis.push(row));
    let found = of_last_discharge(&analysis);
    assert!(open(&found).contains(&"custody"), "{found:?}");
}

#[test]
fn a_break_of_unknown_length_breaks_custody() {
    let charge = Script::gal_07().rows();
    let mut analysis = charge.analyse(&gal());
    analysis.break_of_unknown_length();
    let mut rest = Rows { rows: Vec::new(), ..charge };
    Script::gal_07().rest_and_load(&mut rest);
    rest.rows.iter().for_each(|row| analysis.push(row));
    assert!(open(&of_last_discharge(&analysis)).contains(&"custody"));
}

#[test]
fn lead_acid_is_full_at_a_small_current_or_a_steady_one() {
    assert_eq!(tug_with(|_| {}), NONE);
    assert_eq!(tug_with(|s| s.end_ampere = 1.6), NONE, "2 % of C20");
    // Above that it must change by less than 10 % in 2 h, and then hold.
    let steady = |second: f64| {
        tug_with(|s| {
            s.end_ampere = 1.7;
            s.hold_second = second;
        })
    };
    assert_eq!(steady(3600.0), ["taper", "held"]);
    assert_eq!(steady(3.0 * 3600.0 + 200.0), NONE);
    assert_eq!(tug_with(|s| s.hold_second = 3400.0), ["held"]);
    assert_eq!(tug_with(|s| s.charge_volt = 14.26), NONE);
    assert!(tug_with(|s| s.charge_volt = 14.25).contains(&"voltage reached"));
    assert!(tug_with(|s| s.charge_volt = 14.55).contains(&"voltage reached"), "both ways");
}

#[test]
fn what_is_not_known_of_the_pack_is_no_proof_and_is_named() {
    let without = |setting: Setting| Script::gal_07().evidence(&setting);
    let evidence = without(Setting { charge_voltage_volt: None, ..gal() });
    assert_eq!(evidence.proof, Proof::Partly);
    assert!(evidence.doubts().any(|d| d.contains("charge voltage is not known")));
    let evidence = without(Setting { rated_ah: None, ..gal() });
    assert!(evidence.doubts().any(|d| d.contains("rated capacity is not known")));
    let evidence = without(Setting { cells_in_series: None, ..gal() });
    assert_eq!(open(&evidence), ["rested voltage"]);
}

#[test]
fn what_the_taper_leaves_is_estimated_from_its_time_constant() {
    let case = case("proof of full charge", "CV taper");
    let [start, tau, end] = ["I0_A", "tau_s", "end_current_A"].map(|name| case.number(name));
    let script = Script {
        interval: 1.0,
        bulk_ampere: start,
        tau_second: tau,
        end_ampere: end,
        hold_second: 1.0,
        ..Script::gal_07()
    };
    let setting = Setting { rated_ah: Some(100.0), ..gal() };
    let evidence = script.evidence(&setting);
    let left = evidence.uncharged_ah.unwrap();
    assert!(near(left, case.says("charge_still_missing_Ah"), 2e-3), "{left}");
    let charge = start * tau / 3600.0 * (1.0 - end / start);
    case.check("charge_in_taper_Ah", charge, 1e-9);
    case.check("time_to_taper_s", tau * (start / end).ln(), 1e-9);
}

#[test]
fn a_discharge_uses_the_proof_up_and_a_new_charge_makes_another() {
    let script = Script::gal_07();
    let mut rows = script.rows();
    rows.hold(0.0, 27.2, 3600.0);
    rows.hold(-12.0, 26.5, 1800.0);
    rows.hold(0.0, 26.6, 1800.0);
    rows.hold(-12.0, 26.0, 120.0);
    let second = rows.evidence(&gal());
    assert!(open(&second).contains(&"nothing drawn since"), "{:?}", open(&second));
    let later = script.rows();
    let offset = rows.second;
    let moved = |r: &Row| Row { t_us: r.t_us + (offset * 1e6) as i64, ..*r };
    rows.rows.extend(later.rows.iter().map(moved));
    rows.second += later.second;
    script.rest_and_load(&mut rows);
    assert_eq!(rows.evidence(&gal()).proof, Proof::Found);
}

#[test]
fn a_proof_is_carried_over_to_the_next_session_of_the_pack() {
    let script = Script::gal_07();
    let mut charge = script.rows();
    charge.hold(0.0, script.rest_volt, 1800.0);
    let begins_us = (charge.second * 1e6) as i64;
    let before = charge.analyse(&gal()).full_watch();
    let mut analysis = SessionAnalysis::after(gal(), before.later(begins_us));
    let mut next = Rows { rows: Vec::new(), second: 0.0, interval: 5.0 };
    next.hold(0.0, 27.2, 900.0);
    next.hold(-12.0, 26.5, 120.0);
    next.rows.iter().for_each(|row| analysis.push(row));
    let evidence = of_last_discharge(&analysis);
    assert_eq!(open(&evidence), NONE);
    assert!(evidence.charge_end_us.unwrap() < 0, "before this session began");

    // The stretch between the two sessions counts as well.
    let late = before.later(begins_us + 60_000_000);
    let mut analysis = SessionAnalysis::after(gal(), late);
    next.rows.iter().for_each(|row| analysis.push(row));
    assert_eq!(open(&of_last_discharge(&analysis)), ["custody"]);
}
