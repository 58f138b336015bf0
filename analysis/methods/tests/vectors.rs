//! The worked cases of `data/method-vectors.json` about integration, gaps,
//! splitting, cut-off and ends. Each case names its own source. Current is
//! positive on discharge there and is turned round here.

#![expect(clippy::unwrap_used, reason = "a case that cannot be read fails the test")]

mod bench;
mod cases;

use ampledger_methods::integrate::{Flows, Reading, energy_watt_second};
use ampledger_methods::{CutoffRule, Row, SessionAnalysis, Setting};
use ampledger_types::Chemistry;
use ampledger_types::result::{EndReason, PhaseKind};
use bench::{main_discharge, near, row};
use cases::{case, cases};

fn reading(current: f64, voltage: f64) -> Reading {
    Reading { current_ampere: -current, voltage_volt: Some(voltage) }
}

fn integrate(rows: &[(f64, f64, f64)]) -> Flows {
    let mut flows = Flows::default();
    for pair in rows.windows(2) {
        let ((t1, i1, u1), (t2, i2, u2)) = (pair[0], pair[1]);
        flows.add(t2 - t1, &reading(i1, u1), &reading(i2, u2));
    }
    flows
}

fn rows(time: &[f64], current: &[f64]) -> Vec<(f64, f64, f64)> {
    time.iter().zip(current).map(|(t, i)| (*t, *i, 1.0)).collect()
}

#[test]
fn charge_over_irregular_times() {
    for beginning in ["constant current", "linear ramp", "two rows with the same time"] {
        let case = case("charge integration", beginning);
        let flows = integrate(&rows(&case.numbers("time_s"), &case.numbers("current_A")));
        // The printed figures have ten digits.
        assert!(near(flows.discharged.charge_ah(), case.says("charge_Ah"), 2e-10), "{beginning}");
    }
}

#[test]
fn charge_of_an_exponential_decay_is_within_the_textbook_bound() {
    for case in cases("charge integration", "exponential decay") {
        let (i0, tau) = (case.number("I0_A"), case.number("tau_s"));
        let step = case.number("interval_s");
        let count = (case.number("end_s") / step) as i64;
        let at = |n: i64| n as f64 * step;
        let rows: Vec<_> = (0..=count).map(|n| (at(n), i0 * (-at(n) / tau).exp(), 1.0)).collect();
        let charge = integrate(&rows).discharged.charge_ah();
        assert!(near(charge, case.says("trapezoid_Ah"), 1e-9));
        assert!((charge - case.says("exact_Ah")).abs() <= case.says("textbook_error_bound_Ah"));
    }
}

#[test]
fn charge_of_a_ripple_read_at_jittered_times() {
    let case = case("charge integration", "sine ripple");
    let (mean, amplitude) = (case.number("mean_A"), case.number("amplitude_A"));
    let omega = 2.0 * std::f64::consts::PI * case.number("frequency_Hz");
    let times = case.numbers("time_s");
    let rows: Vec<_> =
        times.iter().map(|t| (*t, mean + amplitude * (omega * t).sin(), 1.0)).collect();
    let charge = integrate(&rows).discharged.charge_ah() * 3600.0;
    assert!(near(charge, case.says("trapezoid_C"), 1e-9));
}

#[test]
fn energy_is_the_product_of_two_lines() {
    let case = case("energy integration", "one interval");
    let (time, u) = (case.numbers("time_s"), case.numbers("voltage_V"));
    let i = case.numbers("current_A");
    let energy = energy_watt_second(time[1] - time[0], &reading(i[0], u[0]), &reading(i[1], u[1]));
    assert!(near(energy.unwrap() / -3600.0, case.says("exact_for_two_lines_Wh"), 1e-9));
}

#[test]
fn energy_of_an_exponential_current_is_that_of_the_closed_form() {
    let case = case("energy integration", "exponential current");
    let (i0, tau) = (case.number("I0_A"), case.number("tau_s"));
    let volt = |i: f64| case.number("V0_V") - case.number("R_ohm") * i;
    let rows: Vec<_> = (0..=7200)
        .map(|n| (f64::from(n), i0 * (-f64::from(n) / tau).exp()))
        .map(|(t, i)| (t, i, volt(i)))
        .collect();
    let energy = integrate(&rows).discharged.energy_wh().unwrap();
    assert!(near(energy, case.says("energy_exact_Wh"), 1e-7));
}

#[test]
fn each_direction_has_its_own_total() {
    let case = case("splitting charge and discharge", "current goes from");
    let flows = integrate(&rows(&case.numbers("time_s"), &case.numbers("current_A")));
    assert!((flows.net_ah() - case.says("net_Ah")).abs() < 1e-12);
    assert!((flows.discharged.charge_ah() - case.says("discharged_Ah")).abs() < 1e-12);
    assert!((flows.charged.charge_ah() - case.says("charged_Ah")).abs() < 1e-12);
}

#[test]
fn a_gap_is_joined_by_a_line_listed_and_bounded() {
    let case = case("charge integration across a gap", "10 A rows");
    let mut analysis = SessionAnalysis::new(Setting { rated_ah: Some(60.0), ..Setting::default() });
    for (t, i) in case.numbers("time_s").iter().zip(case.numbers("current_A")) {
        analysis.push(&row(*t, -i, 26.0 - t * 1e-5));
    }
    let found = analysis.snapshot(None, true);
    assert!(near(found.totals.discharged_ah, case.says("joined_by_a_line_Ah"), 1e-12));
    let gaps = &main_discharge(&found).gaps;
    assert_eq!(gaps.len(), 1);
    let seconds = (gaps[0].end_us - gaps[0].start_us) as f64 / 1e6;
    assert_eq!(seconds, case.says("gap_s"));
    let without = found.totals.discharged_ah - gaps[0].estimated_ah.unwrap();
    assert!(near(without, case.says("gap_left_out_Ah"), 1e-12));
    // Bounded by the phase's highest current, not by its neighbours.
    assert!(near(gaps[0].highest_ah, 10.0 * 600.0 / 3600.0, 1e-12));
}

#[test]
fn a_gap_at_constant_power_is_nearly_the_line() {
    let case = case("charge integration across a gap", "constant power");
    let (power, gap) = (case.number("power_W"), case.number("gap_s"));
    let (u1, u2) = (case.number("V_before_V"), case.number("V_after_V"));
    let flows = integrate(&[(0.0, power / u1, u1), (gap, power / u2, u2)]);
    assert!(near(flows.discharged.charge_ah(), case.says("line_between_currents_Ah"), 1e-9));
}

#[test]
fn a_load_switched_on_unseen_is_half_the_step_at_most() {
    let case = case("charge integration", "load switched on unseen");
    let step = case.number("I_after_A");
    let flows = integrate(&[(0.0, 0.0, 1.0), (case.number("interval_s"), step, 1.0)]);
    assert!(near(flows.discharged.charge_ah(), case.says("half_width_of_error_Ah"), 1e-9));
}

#[test]
fn a_linear_crossing_is_interpolated() {
    let case = case("end of discharge", "linear crossing");
    let (time, u) = (case.numbers("time_s"), case.numbers("voltage_V"));
    let current = case.numbers("current_A");
    let cutoff_voltage_volt = Some(case.number("cut_off_V"));
    let setting = Setting { rated_ah: Some(100.0), cutoff_voltage_volt, ..Setting::default() };
    let mut analysis = SessionAnalysis::new(setting);
    (0..2).for_each(|n| analysis.push(&row(time[n], -current[n], u[n])));
    let found = analysis.snapshot(None, true);
    let cutoff = main_discharge(&found).end.clone().unwrap().cutoff.unwrap();
    assert!(near(cutoff.t_us as f64 / 1e6, case.says("crossing_s"), 1e-10));
    assert!(near(cutoff.discharged_ah, case.says("charge_from_first_row_Ah"), 1e-9));
}

#[test]
fn a_source_dark_with_its_pack_hides_at_most_one_interval() {
    let case = case("end of discharge", "logger goes dark");
    let current = case.number("last_current_A");
    let step = case.number("interval_s");
    let setting = Setting { rated_ah: Some(100.0), powered_by_pack: true, ..Setting::default() };
    let mut analysis = SessionAnalysis::new(setting);
    (0..100).for_each(|n| analysis.push(&row(f64::from(n) * step, -current, 12.0)));
    let found = analysis.snapshot(Some(1_000_000_000_000), false);
    let end = main_discharge(&found).end.clone().unwrap();
    assert_eq!(end.reason, EndReason::DarkUnderLoad);
    let between = case.says("upper_Ah") - case.says("lower_Ah");
    assert!(near(end.hidden_ah.unwrap(), between, 1e-6));
}

/// Rows of a file with `time_s,current_A,voltage_V`, positive on discharge.
fn read_rows(text: &str) -> Vec<Row> {
    text.lines()
        .skip(1)
        .map(|line| {
            let mut fields = line.split(',').map(|f| f.trim().parse::<f64>().unwrap());
            let mut next = || fields.next().unwrap();
            let (second, current, voltage) = (next(), next(), next());
            row(second, -current, voltage)
        })
        .collect()
}

fn analyse(rows: &[Row], setting: Setting) -> ampledger_methods::Analysis {
    let mut analysis = SessionAnalysis::new(setting);
    rows.iter().for_each(|row| analysis.push(row));
    analysis.snapshot(None, true)
}

/// The totals were integrated by the simulator's own solver.
fn simulated(beginning: &str, text: &str, chemistry: Chemistry, cells: u32) {
    let case = case("capacity and energy of a discharge", beginning);
    let setting = Setting {
        rated_ah: Some(case.number("rated_Ah")),
        cutoff_voltage_volt: Some(case.number("cut_off_V")),
        chemistry: Some(chemistry),
        cells_in_series: Some(cells),
        ..Setting::default()
    };
    let found = analyse(&read_rows(text), setting);
    let kinds: Vec<_> = found.phases.iter().map(|p| p.kind).collect();
    assert_eq!(kinds, [PhaseKind::Rest, PhaseKind::Discharge, PhaseKind::Rest]);
    let discharge = main_discharge(&found);
    assert!(near(discharge.discharged_ah, case.says("discharged_Ah"), 1e-5));
    assert!(near(discharge.discharged_wh.unwrap(), case.says("discharged_Wh"), 1e-5));
    assert_eq!(found.totals.discharged_ah, discharge.discharged_ah);
    let seconds = (discharge.end_us - discharge.start_us) as f64 / 1e6;
    assert!(near(seconds, case.says("discharge_s"), 1e-5));
    let end = discharge.end.clone().unwrap();
    assert_eq!(end.reason, EndReason::CutoffVoltage);
    let cutoff = end.cutoff.unwrap();
    assert!(near(cutoff.discharged_ah, case.says("discharged_Ah"), 1e-5));
    assert!(near(cutoff.discharged_wh.unwrap(), case.says("discharged_Wh"), 1e-5));
}

#[test]
fn a_simulated_pack_at_constant_current_gives_the_solvers_totals() {
    let text = include_str!("data/lfp-4s-cc-1s.csv");
    simulated("simulated pack LFP", text, Chemistry::LithiumIronPhosphate, 4);
}

#[test]
fn a_simulated_pack_with_irregular_rows_and_gaps_gives_the_solvers_totals() {
    let text = include_str!("data/nmc-14s-cp-irregular.csv");
    simulated("simulated pack NMC", text, Chemistry::LithiumIon, 14);
}

#[test]
fn measured_discharges_give_their_publishers_figures() {
    // Saha and Goebel 2007, Battery Data Set, NASA Prognostics Data
    // Repository: others' data, read where they lie, never kept here.
    let Some(folder) = folder_of_measured_runs() else { return };
    for case in cases("capacity to a cut-off voltage", "measured discharge") {
        let name = case.inputs["csv"].as_str().unwrap().rsplit('/').next().unwrap();
        let path = std::path::Path::new(&folder).join(name);
        let text = read_measured(&path);
        let to_cutoff = |cutoff_rule: CutoffRule| {
            let setting = Setting {
                rated_ah: Some(2.0),
                cutoff_voltage_volt: Some(case.number("cut_off_V")),
                cutoff_rule,
                ..Setting::default()
            };
            let found = analyse(&read_rows(&text), setting);
            // The publisher counts from the file's first row, so with what
            // little the rest before the load carried.
            let rest = found.phases.first().filter(|p| p.kind == PhaseKind::Rest);
            let cutoff = main_discharge(&found).end.clone().unwrap().cutoff.unwrap();
            cutoff.discharged_ah - rest.map_or(0.0, |p| p.net_ah())
        };
        for (rule, name, tolerance) in [
            (CutoffRule::FirstBelow, "capacity_Ah", 5e-6),
            (CutoffRule::Interpolated, "to_the_interpolated_crossing_Ah", 1e-6),
            (CutoffRule::LastAbove, "to_the_last_row_above_Ah", 1e-6),
        ] {
            let (ours, theirs) = (to_cutoff(rule), case.says(name));
            assert!(near(ours, theirs, tolerance), "{path:?} {rule:?}: {ours} for {theirs}");
        }
    }
}

#[expect(clippy::disallowed_methods, clippy::disallowed_macros, reason = "a test may skip, aloud")]
fn folder_of_measured_runs() -> Option<std::ffi::OsString> {
    let folder = std::env::var_os("AMPLEDGER_REFERENCE_RUNS");
    if folder.is_none() {
        println!("skipped: AMPLEDGER_REFERENCE_RUNS does not name a folder with the runs");
    }
    folder
}

#[expect(clippy::disallowed_methods, reason = "the measured runs are not kept in this tree")]
fn read_measured(path: &std::path::Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|e| panic!("cannot read {path:?}: {e}"))
}
