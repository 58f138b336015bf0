//! Cases that are whole runs: integrals, closed forms of a discharge, draws that
//! go unseen, the clock.

use ampledger_methods::budget::{self, Exposure};
use ampledger_methods::integrate::{Flows, Reading};
use ampledger_methods::inverter::standby;
use ampledger_methods::{Rules, SessionAnalysis, Setting};

use crate::bench::{main_discharge, row};
use crate::cases::Case;

/// Every reading at the same place of the ripple: the trapezoid is right about
/// the readings and wrong about the load, and nothing in them shows it.
pub fn aliased(case: &Case) {
    let omega = 2.0 * std::f64::consts::PI * case.number("frequency_Hz");
    let mut analysis = SessionAnalysis::new(Setting::default());
    for n in 0..=case.number("end_s") as i32 {
        let second = f64::from(n) * case.number("interval_s");
        let swing = case.number("amplitude_A") * (omega * second + case.number("phase_rad")).sin();
        analysis.push(&row(second, -(case.number("mean_A") + swing), 26.0));
    }
    let found = analysis.snapshot(None, true);
    let seen = found.totals.discharged_ah * 3600.0;
    case.check("charge_seen_C", seen, 1e-9);
    case.check("relative_error", seen / case.says("charge_true_C") - 1.0, 1e-8);
    assert!(main_discharge(&found).ripple.unwrap() < 1e-9, "it does not show");
}

pub fn trapezoid(case: &Case) {
    let (n, mut flows) = (case.number("n") as i32, Flows::default());
    let step = (case.number("b") - case.number("a")) / f64::from(n);
    let at = |k: i32| {
        let x = f64::from(k) * step;
        Reading { current_ampere: (-x * x).exp(), voltage_volt: None }
    };
    (0..n).for_each(|k| flows.add(step, &at(k), &at(k + 1)));
    let sum = flows.charged.charge_ah() * 3600.0;
    assert!((sum - case.says("trapezoid")).abs() < 1e-9);
    assert!((sum - case.says("exact")).abs() <= case.says("error_bound"));
}

pub fn lead(case: &Case) {
    let low = case.number("lead_ohm") * case.number("current_A");
    case.check("voltage_low_by_V", low, 1e-9);
    let by_load = |volt: f64| {
        let mut analysis = SessionAnalysis::new(Setting::default());
        let second = case.number("charge_Ah") / case.number("current_A") * 3600.0;
        for t in [0.0, second / 2.0, second] {
            analysis.push(&row(t, -case.number("current_A"), volt));
        }
        analysis.snapshot(None, true).totals.discharged_wh.unwrap()
    };
    case.check("energy_low_by_Wh", by_load(12.8) - by_load(12.8 - low), 1e-9);
}

pub fn bypass(case: &Case) {
    let names = match case.method.starts_with("loads") {
        true => ("power_W", "missed_Ah", "missed_Wh"),
        false => ("idle_W", "charge_Ah", "energy_Wh"),
    };
    let draw = standby(case.number(names.0), case.number("hours"), case.number("voltage_V"));
    case.check(names.1, draw.ah, 1e-9);
    case.check(names.2, draw.wh.unwrap(), 1e-9);
}

/// Rows of a pack with a line for its open-circuit voltage, emptied by a load
/// that draws `current(volt)`; small steps of charge. Ah, Wh and seconds.
fn emptied(case: &Case, current: impl Fn(f64) -> f64) -> (f64, f64, f64) {
    let slope = case.number("OCV_slope_V_per_100Ah") / 100.0;
    let cutoff = case.number("cut_off_V");
    let setting =
        Setting { rated_ah: Some(100.0), cutoff_voltage_volt: Some(cutoff), ..Setting::default() };
    let mut analysis = SessionAnalysis::new(setting);
    let step_ah = 0.005;
    let (mut second, mut before) = (0.0, None);
    for n in 0..40_000 {
        let open = case.number("OCV_full_V") - slope * step_ah * f64::from(n);
        let volt = current(open);
        let ampere = (open - volt) / case.number("R_ohm");
        if let Some(before) = before.replace(ampere) {
            // Charge is the trapezoid of the current by construction.
            second += step_ah * 3600.0 / ((ampere + before) / 2.0);
        }
        analysis.push(&row(second, -ampere, volt));
        if volt < cutoff - 0.02 {
            break;
        }
    }
    let found = analysis.snapshot(None, true);
    let cutoff = main_discharge(&found).end.clone().unwrap().cutoff.unwrap();
    (cutoff.discharged_ah, cutoff.discharged_wh.unwrap(), cutoff.t_us as f64 / 1e6)
}

pub fn constant_power(case: &Case) {
    let (power, ohm) = (case.number("power_W"), case.number("R_ohm"));
    let volt = |open: f64| (open + (open * open - 4.0 * power * ohm).sqrt()) / 2.0;
    let (ah, wh, second) = emptied(case, volt);
    case.check("first_terminal_voltage_V", volt(case.number("OCV_full_V")), 1e-8);
    case.check("charge_Ah", ah, 1e-6);
    case.check("energy_Wh", wh, 1e-6);
    case.check("duration_s", second, 1e-6);
    case.check("mean_voltage_V", wh / ah, 1e-6);
    case.check("last_current_A", power / case.number("cut_off_V"), 1e-8);
    case.check("first_current_A", power / volt(case.number("OCV_full_V")), 1e-8);
}

pub fn constant_current(case: &Case) {
    let fell = case.number("R_ohm") * case.number("current_A");
    let (ah, wh, second) = emptied(case, |open| open - fell);
    case.check("charge_Ah", ah, 1e-9);
    case.check("energy_Wh", wh, 1e-9);
    case.check("duration_s", second, 1e-9);
    case.check("mean_voltage_V", wh / ah, 1e-9);
}

pub fn constant_resistance(case: &Case) {
    let (load, ohm) = (case.number("load_ohm"), case.number("R_ohm"));
    let (ah, wh, second) = emptied(case, |open| open * load / (load + ohm));
    case.check("charge_Ah", ah, 1e-6);
    case.check("energy_in_load_Wh", wh, 1e-6);
    case.check("duration_s", second, 1e-6);
}

pub fn clock(case: &Case) {
    let clock_ppm = case.number("clock_error_ppm");
    let rules = Rules { clock_ppm, ..Rules::default() };
    let exposure = Exposure { charge_ah: case.number("charge_Ah"), ..Exposure::default() };
    let budget = budget::charge(&exposure, &Setting { rules, ..Setting::default() });
    case.check("error_Ah", budget.term("clock").unwrap().half_width, 1e-9);
}
