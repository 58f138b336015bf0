//! Every one of the 91 worked cases has its check: those of integration, ends
//! and uncertainty in their own files, all others here, found by their method.
//! A case whose method nobody checks fails.

#![expect(clippy::unwrap_used, reason = "a case that gives nothing fails the test")]

mod bench;
mod cases;
#[path = "all_vectors/curves.rs"]
mod curves;
#[path = "all_vectors/runs.rs"]
mod runs;

use ampledger_methods::calibration::{Correction, Point};
use ampledger_methods::efficiency::{self, Half};
use ampledger_methods::inverter::{InverterFit, weighted_efficiency};
use ampledger_methods::peukert::{self, Run};
use ampledger_methods::self_discharge::{self, Capacity};
use ampledger_methods::uncertainty::of_step;
use ampledger_methods::verdict::{self, Conditions, Decision, Limit};
use ampledger_methods::{Rules, Setting, offset, rating, ripple, shunt, temperature};
use cases::{Case, all};

/// Methods whose cases other files check by name, with how many there are.
const ELSEWHERE: [(&str, usize); 13] = [
    ("charge integration", 9),
    ("energy integration", 2),
    ("charge integration across a gap", 2),
    ("splitting charge and discharge", 1),
    ("end of discharge", 2),
    ("capacity to a cut-off voltage", 5),
    ("capacity and energy of a discharge", 2),
    ("GUM worked example H.1", 1),
    ("GUM worked example H.2 (correlated inputs)", 1),
    ("GUM worked example H.3 (calibration line)", 1),
    ("uncertainty of Ah", 1),
    ("uncertainty of Wh", 1),
    ("proof of full charge", 1),
];

/// Cases of those methods that are checked here.
const HERE: [&str; 2] = ["ripple at a whole number of cycles", "clock runs 50 ppm"];

#[test]
fn every_case_is_checked() {
    let all = all();
    assert_eq!(all.len(), 91);
    let is_here = |c: &&Case| HERE.iter().any(|name| c.name.starts_with(name));
    for (method, count) in ELSEWHERE {
        let others = all.iter().filter(|c| c.method == method && !is_here(c));
        assert_eq!(others.count(), count, "{method}");
    }
    let is_elsewhere = |c: &&Case| ELSEWHERE.iter().any(|(m, _)| *m == c.method);
    all.iter().filter(|c| is_here(c) || !is_elsewhere(c)).for_each(check);
}

fn check(case: &Case) {
    match case.method.as_str() {
        "charge integration" if case.name.starts_with("clock") => runs::clock(case),
        "charge integration" => runs::aliased(case),
        "trapezoid rule" => runs::trapezoid(case),
        "where the voltage is read" => runs::lead(case),
        "loads that bypass the shunt" | "energy left unseen by AC metering" => runs::bypass(case),
        "capacity of a constant-power discharge" => runs::constant_power(case),
        "capacity of a constant-current discharge" => runs::constant_current(case),
        "capacity of a constant-resistance discharge" => runs::constant_resistance(case),
        "two-point current calibration" | "two-point calibration with uncertainty" => {
            two_point(case)
        }
        "offset zeroing" => zeroing(case),
        "shunt" => of_shunt(case),
        "quantisation" => quantisation(case),
        "percent of rated and C-rate" => beside_rating(case),
        "time-adjusted percent capacity" => time_adjusted(case),
        "temperature correction of lead-acid capacity" => lead_acid(case),
        "temperature correction of lead-acid run time" => run_time(case),
        "rate-adjusted lead-acid test current" => rate_adjusted(case),
        "lead-acid temperature factor, cross-check" => factor(case),
        "energy efficiency of a cycle with only a resistance" => only_resistance(case),
        method if method.contains("resistance") => curves::of_resistance(case),
        method if method.starts_with("Peukert") => of_peukert(case),
        "energy efficiency" | "coulombic efficiency" => of_efficiency(case),
        "incremental capacity" | "incremental capacity, area check" => curves::incremental(case),
        "pass or fail with uncertainty" => pass_or_fail(case),
        "self-discharge" => of_self_discharge(case),
        "inverter efficiency" => weighted(case),
        "inverter idle power and slope" => idle(case),
        "energy with ripple current" => rippling(case),
        method => panic!("nobody checks '{method}'"),
    }
}

fn two_point(case: &Case) {
    let (raw, truth) = (case.numbers("raw_A"), case.numbers("true_A"));
    let standard = match case.inputs.get("u_true_A") {
        Some(_) => case.numbers("u_true_A"),
        None => vec![0.0, 0.0],
    };
    let point = |n: usize| Point { raw: raw[n], truth: truth[n], standard: standard[n] };
    let correction = Correction::two_point(point(0), point(1)).unwrap();
    let at = case.number("raw_to_correct_A");
    case.check("corrected_A", correction.apply(at), 1e-10);
    if case.expected.get("gain").is_some() {
        case.check("gain", correction.gain, 1e-9);
        case.check("offset_A", correction.offset, 1e-9);
    } else {
        case.check("u_corrected_A", correction.standard(at), 1e-9);
    }
}

fn zeroing(case: &Case) {
    let left = offset::ZeroLeft {
        offset_ampere: 0.0,
        standard_ampere: case.number("offset_A"),
        half_difference_ampere: None,
    };
    let terms = left.terms(case.number("duration_s") / 3600.0);
    case.check("error_Ah", terms[0].half_width, 1e-12);
}

fn of_shunt(case: &Case) {
    if case.inputs.get("reading_mV").is_none() {
        let change = shunt::relative_change(case.number("tcr_ppm_per_K"), case.number("rise_K"));
        case.check("relative_change_of_resistance", change, 1e-9);
        let (emf, kelvin) = (case.number("emf_uV_per_K") * 1e-6, case.number("difference_K"));
        let ampere = shunt::thermal_ampere(emf, kelvin, case.number("R20_mohm") * 1e-3);
        case.check("emf_as_current_A", ampere, 1e-9);
        return;
    }
    let (ampere, millivolt) = (case.numbers("rated_A"), case.numbers("rated_mV"));
    for n in 0..2 {
        let ohm = shunt::ohm(ampere[n], millivolt[n] * 1e-3);
        assert!((ohm * 1e3 - case.says_all("resistance_mohm")[n]).abs() < 1e-12);
        let current = case.number("reading_mV") * 1e-3 / ohm;
        assert!((current - case.says_all("current_A")[n]).abs() < 1e-10);
        let power = ampere[n] * ampere[n] * ohm;
        assert!((power - case.says_all("power_at_rated_W")[n]).abs() < 1e-10);
    }
}

fn quantisation(case: &Case) {
    let step = case.number("step_uV") * 1e-6 / (case.number("R_mohm") * 1e-3);
    case.check("step_A", step, 1e-12);
    case.check("standard_uncertainty_A", of_step(step), 1e-9);
}

fn beside_rating(case: &Case) {
    let charge = case.number("charge_Ah");
    let beside = rating::beside(charge, case.number("duration_h"), case.number("rated_Ah"));
    let beside = beside.unwrap();
    case.check("percent_of_rated", beside.percent, 1e-10);
    case.check("mean_current_A", beside.mean_ampere, 1e-10);
    case.check("c_rate_of_rated", beside.c_rate, 1e-10);
    case.check("hours_rate", beside.hour_rate, 1e-10);
}

fn time_adjusted(case: &Case) {
    let (test, rated) = (case.number("test_h"), case.number("rated_h"));
    let percent = temperature::time_adjusted_percent(test, rated, case.number("K_T"));
    case.check("percent", percent, 1e-12);
}

fn lead_acid(case: &Case) {
    let [capacity, celsius, reference, lambda] =
        ["C_Ah", "theta_C", "theta_ref_C", "lambda_per_K"].map(|name| case.number(name));
    let ours = temperature::corrected(capacity, celsius, lambda, reference);
    case.check("C_at_reference_Ah", ours, 1e-9);
}

fn run_time(case: &Case) {
    let minutes = case.number("minutes");
    let ours = match case.inputs.get("T_C") {
        Some(_) => temperature::deep_cycle_minutes(minutes, case.number("T_C")),
        None => temperature::deep_cycle_minutes_fahrenheit(minutes, case.number("T_F")),
    };
    case.check("corrected_minutes", ours.unwrap(), 1e-12);
}

fn rate_adjusted(case: &Case) {
    let ours = temperature::rate_adjusted_ampere(case.number("published_A"), case.number("factor"));
    case.check("test_current_A", ours, 1e-9);
}

fn factor(case: &Case) {
    let fit = temperature::published_fit_factor(case.number("T_C"));
    // The case prints its temperature to two places.
    case.check("factor_from_the_published_fit", fit, 1e-4);
    assert!((fit / case.number("recalled_factor") - 1.0).abs() < 0.01);
}

fn of_peukert(case: &Case) {
    if case.inputs.get("Cp").is_some() {
        let [constant, k, ampere] = ["Cp", "k", "I_A"].map(|name| case.number(name));
        let hours = peukert::hours(constant, k, ampere);
        case.check("hours", hours, 1e-9);
        if case.expected.get("charge_Ah").is_some() {
            case.check("charge_Ah", hours * ampere, 1e-9);
        }
    } else if case.inputs.get("H_h").is_some() {
        let [c, h, k, ampere] = ["C_Ah", "H_h", "k", "I_A"].map(|name| case.number(name));
        let hours = peukert::hours_of_rating(c, h, k, ampere);
        case.check("hours", hours, 1e-9);
        case.check("charge_Ah", hours * ampere, 1e-9);
    } else {
        let runs = case.numbers("I_A").into_iter().zip(case.numbers("t_h"));
        let runs: Vec<_> = runs.map(|(ampere, hour)| Run { ampere, hour }).collect();
        let fit = peukert::fit(&runs, &Rules::default()).unwrap();
        case.check("k", fit.exponent, 1e-7);
        case.check("Cp", fit.constant, 1e-7);
        if case.expected.get("r_squared").is_some() {
            case.check("r_squared", fit.r_squared, 1e-7);
        }
        assert_eq!(fit.doubts.is_empty(), runs.len() > 2, "{:?}", fit.doubts);
    }
}

fn of_efficiency(case: &Case) {
    let setting = Setting::default();
    let half = |ah: f64, wh: f64| Half { ah, wh: Some(wh), hour: 5.0 };
    if case.method == "energy efficiency" {
        let (out, inn) = (case.number("discharge_Wh"), case.number("charge_Wh"));
        let cycle = efficiency::cycle(&half(1.0, out), &half(1.0, inn), None, &setting).unwrap();
        case.check("percent", cycle.energy.unwrap() * 100.0, 1e-8);
    } else {
        let (out, inn) = (case.number("discharge_Ah"), case.number("charge_Ah"));
        let cycle = efficiency::cycle(&half(out, 1.0), &half(inn, 1.0), None, &setting).unwrap();
        case.check("coulombic_efficiency", cycle.coulombic, 1e-9);
    }
}

fn only_resistance(case: &Case) {
    let [open, ohm, ampere] = ["OCV_mean_V", "R_ohm", "current_A"].map(|name| case.number(name));
    let ours = efficiency::with_only_a_resistance(open, ohm, ampere);
    case.check("energy_efficiency", ours, 1e-9);
}

fn pass_or_fail(case: &Case) {
    let proven = Conditions {
        is_proven: true,
        on_rating_basis: Some(true),
        pack_celsius: Some(24.0),
        moved_kelvin: Some(0.5),
        calibration_age_day: Some(100.0),
    };
    let [measured, expanded, limit] =
        ["measured_percent", "U_k2_percent", "limit_percent"].map(|name| case.number(name));
    let judge = |measured: f64| {
        let rules = Rules::default();
        verdict::judge(measured, Some(expanded), Limit::Own(limit), &proven, &rules)
    };
    let verdict = judge(measured);
    case.check("probability_of_conforming", verdict.probability.unwrap(), 1e-6);
    assert_eq!((verdict.decision, verdict.unguarded), (Decision::NotDecided, Decision::Pass));
    let guarded = case.says("guard_banded_limit_percent");
    assert_eq!(judge(guarded - 1e-6).decision, Decision::NotDecided);
    assert_eq!(judge(guarded + 1e-6).decision, Decision::Pass);
    assert_eq!(judge(limit - expanded - 1e-6).decision, Decision::Fail);
}

fn of_self_discharge(case: &Case) {
    let capacity = |name: &str| Capacity { ah: case.number(name), standard_ah: Some(0.05) };
    let (before, after) = (capacity("before_Ah"), capacity("after_Ah"));
    let ours = self_discharge::between(before, after, case.number("days"), &Rules::default());
    let ours = ours.unwrap();
    case.check("percent_in_period", ours.percent, 1e-9);
    case.check("percent_per_30d_linear", ours.percent_a_month, 1e-9);
    case.check("percent_per_30d_compound", ours.percent_a_month_compound, 1e-9);
    case.check("equivalent_current_mA", ours.ampere * 1e3, 1e-9);
    assert_eq!(ours.doubts, Vec::<String>::new());
}

fn weighted(case: &Case) {
    let points: Vec<_> =
        case.numbers("weight").into_iter().zip(case.numbers("efficiency")).collect();
    case.check("weighted", weighted_efficiency(&points).unwrap(), 1e-10);
    assert_eq!(weighted_efficiency(&points[1..]), None);
}

fn idle(case: &Case) {
    let mut fit = InverterFit::default();
    let pairs = case.numbers("P_dc_W").into_iter().zip(case.numbers("P_ac_W"));
    pairs.for_each(|(dc, ac)| fit.push(dc, ac));
    let model = fit.model().unwrap();
    case.check("slope", model.slope, 1e-9);
    case.check("idle_W", model.idle_watt, 1e-9);
    case.check("efficiency_at_300", model.efficiency(300.0), 1e-9);
    case.check("efficiency_at_1000", model.efficiency(1000.0), 1e-9);
}

fn rippling(case: &Case) {
    let [mean, ratio, ohm] = ["I_mean_A", "ripple_ratio", "R_ohm"].map(|name| case.number(name));
    let over = ripple::overstated_watt(mean, ratio, ohm);
    case.check("overstated_W", over, 1e-9);
    let product = (case.number("OCV_V") - ohm * mean) * mean;
    case.check("true_mean_power_W", product - over, 1e-9);
    case.check("relative", over / (product - over), 1e-9);
}
