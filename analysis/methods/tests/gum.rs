//! The worked examples of the GUM, JCGM 100:2008 Annex H, to their printed
//! digits, and the budgets of a charge and an energy.

#![expect(clippy::unwrap_used, reason = "a case that gives nothing fails the test")]

mod cases;

use ampledger_methods::budget::{self, Exposure};
use ampledger_methods::distributions::coverage_factor;
use ampledger_methods::line_fit::LineFit;
use ampledger_methods::uncertainty::{
    Part, Shape, Spread, combined, combined_correlated, covariance, effective_degrees,
};
use ampledger_methods::{Rules, Setting};
use cases::{Case, case};

#[test]
fn h_1_the_end_gauge() {
    let h1 = case("GUM worked example H.1", "end-gauge");
    let length = h1.number("l_s_nm");
    let parts_d = h1.numbers("u_d_parts_nm");
    let degrees_d = h1.numbers("nu_d_parts");
    let d: Vec<Part> =
        parts_d.iter().zip(&degrees_d).map(|(u, nu)| Part { standard: *u, degrees: *nu }).collect();
    let u_d = combined(parts_d.iter().copied());
    // Sensitivities of H.1.3: l_s·θ to δα, l_s·α_s to δθ; those to α_s and θ
    // vanish, because δα and δθ are 0.
    let dalpha = Shape::Rectangular.standard(h1.number("dalpha_half_width"));
    let dtheta = Shape::Rectangular.standard(h1.number("dtheta_half_width"));
    let alpha = 11.5e-6;
    let theta = h1.number("theta_mean").abs();
    let parts = [
        Part { standard: h1.number("u_l_s_nm"), degrees: h1.number("nu_l_s") },
        Part { standard: u_d, degrees: effective_degrees(&d) },
        Part { standard: length * theta * dalpha, degrees: h1.number("nu_dalpha") },
        Part { standard: length * alpha * dtheta, degrees: h1.number("nu_dtheta") },
    ];
    h1.check("l_nm", length + h1.number("d_nm"), 1e-12);
    let standard = combined(parts.iter().map(|p| p.standard));
    assert_eq!(format!("{standard:.0}"), "32", "{standard}");
    h1.check("uc_nm", standard, 1e-6);
    let degrees = effective_degrees(&parts);
    h1.check("nu_eff", degrees, 1e-6);
    assert_eq!(degrees.floor(), 16.0);
    let factor = coverage_factor(0.99, degrees.floor()).unwrap();
    h1.check("k_99", factor, 1e-6);
    // H.1.6 multiplies the rounded 32 nm by 2.92.
    let u_99 = factor * standard.round();
    assert_eq!((u_99).round(), h1.says("U_99_nm_rounded_in_the_Guide"));
}

/// Mean, standard uncertainty of it, and all values.
fn repeated(values: &[f64]) -> (f64, f64) {
    let mut spread = Spread::default();
    values.iter().for_each(|x| spread.push(*x));
    (spread.mean().unwrap(), spread.of_mean().unwrap())
}

fn correlation_of(a: &[f64], b: &[f64]) -> f64 {
    let ((mean_a, _), (mean_b, _)) = (repeated(a), repeated(b));
    let product = |x: &[f64], y: &[f64], mx: f64, my: f64| -> f64 {
        x.iter().zip(y).map(|(p, q)| (p - mx) * (q - my)).sum()
    };
    product(a, b, mean_a, mean_b)
        / (product(a, a, mean_a, mean_a) * product(b, b, mean_b, mean_b)).sqrt()
}

#[test]
fn h_2_resistance_and_reactance_from_correlated_readings() {
    let h2 = case("GUM worked example H.2 (correlated inputs)", "R, X, Z");
    let volt = h2.numbers("V_V");
    let ampere: Vec<f64> = h2.numbers("I_mA").iter().map(|i| i / 1000.0).collect();
    let phase = h2.numbers("phi_rad");
    let ((v, u_v), (i, u_i), (p, u_p)) = (repeated(&volt), repeated(&ampere), repeated(&phase));
    let (vi, vp, ip) = (
        correlation_of(&volt, &ampere),
        correlation_of(&volt, &phase),
        correlation_of(&ampere, &phase),
    );
    h2.check("r_V_I", vi, 1e-6);
    h2.check("r_V_phi", vp, 1e-6);
    h2.check("r_I_phi", ip, 1e-6);
    let r = |a: usize, b: usize| [[1.0, vi, vp], [vi, 1.0, ip], [vp, ip, 1.0]][a][b];
    let (resistance, reactance, impedance) = (v / i * p.cos(), v / i * p.sin(), v / i);
    let inputs = |c: [f64; 3]| [(c[0], u_v), (c[1], u_i), (c[2], u_p)];
    let of_r = inputs([resistance / v, -resistance / i, -reactance]);
    let of_x = inputs([reactance / v, -reactance / i, resistance]);
    let of_z = inputs([impedance / v, -impedance / i, 0.0]);
    let u = |of: &[(f64, f64)]| combined_correlated(of, r);
    for (name, value, of, printed) in [
        ("R_ohm", resistance, &of_r, "127.732 ± 0.071"),
        ("X_ohm", reactance, &of_x, "219.847 ± 0.296"),
        ("Z_ohm", impedance, &of_z, "254.260 ± 0.236"),
    ] {
        h2.check(name, value, 1e-6);
        h2.check(&format!("u_{name}"), u(of), 1e-6);
        // The Guide prints 0.295 for X. The law of propagation gives 0.29558 from the
        // readings, and 0.29572 from the inputs as the Guide rounds them; 0.295 is
        // what its second way gives, below.
        assert_eq!(format!("{value:.3} ± {:.3}", u(of)), printed);
    }
    let together = |a: &[(f64, f64)], b: &[(f64, f64)]| covariance(a, b, r) / u(a) / u(b);
    for (name, ours, printed) in [
        ("r_R_X", together(&of_r, &of_x), "-0.588"),
        ("r_R_Z", together(&of_r, &of_z), "-0.485"),
        ("r_X_Z", together(&of_x, &of_z), "0.993"),
    ] {
        h2.check(name, ours, 1e-6);
        assert_eq!(format!("{ours:.3}"), printed);
    }
}

#[test]
fn h_2_set_by_set_to_the_printed_digits() {
    // H.2.4, the second way: a value from each set of readings, and the standard
    // deviation of their mean. No correlation is needed; all three as printed.
    let h2 = case("GUM worked example H.2 (correlated inputs)", "R, X, Z");
    let (volt, milli) = (h2.numbers("V_V"), h2.numbers("I_mA"));
    let phase = h2.numbers("phi_rad");
    let each = |of: fn(f64, f64) -> f64| -> Vec<f64> {
        let sets = volt.iter().zip(&milli).zip(&phase);
        sets.map(|((v, i), p)| of(v / (i / 1000.0), *p)).collect()
    };
    let printed = |of| {
        let (mean, standard) = repeated(&each(of));
        format!("{mean:.3} ± {standard:.3}")
    };
    assert_eq!(printed(|z, p| z * p.cos()), "127.732 ± 0.071");
    assert_eq!(printed(|z, p| z * p.sin()), "219.847 ± 0.295");
    assert_eq!(printed(|z, _| z), "254.260 ± 0.236");
}

#[test]
fn h_3_the_calibration_line_of_a_thermometer() {
    let h3 = case("GUM worked example H.3 (calibration line)", "thermometer");
    let points = h3.numbers("t_C").into_iter().map(|t| t - 20.0).zip(h3.numbers("b_C"));
    let line = LineFit::of(points).line().unwrap();
    h3.check("y1_C", line.intercept, 1e-6);
    h3.check("u_y1", line.intercept_standard, 1e-6);
    h3.check("y2", line.slope, 1e-6);
    h3.check("u_y2", line.slope_standard, 1e-6);
    h3.check("r", line.correlation, 1e-6);
    h3.check("b_30_C", line.at(10.0), 1e-6);
    h3.check("u_b_30_C", line.standard_at(10.0), 1e-6);
    h3.check("nu", line.degrees, 0.0);
    let printed = format!("{:.4} {:.5} {:.3}", line.intercept, line.slope, line.correlation);
    assert_eq!(printed, "-0.1712 0.00218 -0.930");
    assert_eq!(format!("{:.4} {:.4}", line.at(10.0), line.standard_at(10.0)), "-0.1494 0.0041");
}

fn discharge(case: &Case) -> (Exposure, Setting) {
    let (current, second) = (case.number("current_A"), case.number("duration_s"));
    let rows = second / case.number("interval_s");
    let noise = case.number("noise_sd_A") * case.number("interval_s") * rows.sqrt() / 3600.0;
    let exposure = Exposure {
        charge_ah: current * second / 3600.0,
        hour: second / 3600.0,
        sampling_ah: noise,
        ..Exposure::default()
    };
    let clock_ppm = case.number("clock_half_width") * 1e6;
    let setting = Setting {
        current_gain_percent: Some(case.number("gain_half_width") * 100.0),
        current_offset: Some(case.number("offset_half_width_A")),
        // A quarter percent, as 10 000 ppm/K over a quarter kelvin.
        shunt_ppm_per_kelvin: Some(case.number("shunt_half_width") * 1e6),
        shunt_rise_kelvin: Some(1.0),
        rules: Rules { clock_ppm, ..Rules::default() },
        ..Setting::default()
    };
    (exposure, setting)
}

#[test]
fn a_charge_has_its_budget() {
    let case = case("uncertainty of Ah", "20 A for 5 h");
    let (exposure, setting) = discharge(&case);
    let budget = budget::charge(&exposure, &setting);
    assert_eq!(budget.value, case.says("charge_Ah"));
    for (name, expected) in [
        ("temperature of the shunt", "u_shunt_Ah"),
        ("gain of the current", "u_converter_gain_Ah"),
        ("offset of the current", "u_residual_offset_Ah"),
        ("sampling", "u_noise_Ah"),
        ("clock", "u_time_base_Ah"),
    ] {
        case.check(expected, budget.term(name).unwrap().standard, 1e-8);
    }
    case.check("uc_Ah", budget.standard, 1e-8);
    case.check("U_k2_Ah", budget.expanded.unwrap(), 1e-8);
    case.check("U_percent", budget.relative().unwrap() * 100.0, 1e-8);
    assert_eq!((budget.coverage, budget.unit), (2.0, "Ah"));
}

#[test]
fn an_energy_adds_the_voltages_gain_in_quadrature() {
    let of_ah = case("uncertainty of Ah", "20 A for 5 h");
    let case = case("uncertainty of Wh", "the same discharge");
    let (exposure, setting) = discharge(&of_ah);
    let volt = case.number("mean_voltage_V");
    let energy_wh = Some(exposure.charge_ah * volt);
    let exposure = Exposure {
        energy_wh,
        volt_hour: exposure.hour * volt,
        sampling_wh: exposure.sampling_ah * volt,
        ..exposure
    };
    let setting = Setting {
        voltage_gain_percent: Some(case.number("voltage_gain_half_width") * 100.0),
        voltage_offset: Some(0.0),
        ..setting
    };
    let budget = budget::energy(&exposure, &setting).unwrap();
    case.check("energy_Wh", budget.value, 1e-12);
    case.check("uc_Wh", budget.standard, 1e-7);
    case.check("U_k2_Wh", budget.expanded.unwrap(), 1e-7);
    case.check("U_percent", budget.relative().unwrap() * 100.0, 1e-7);
}

#[test]
fn what_is_not_stated_leaves_no_uncertainty_and_says_why() {
    let of_ah = case("uncertainty of Ah", "20 A for 5 h");
    let (exposure, setting) = discharge(&of_ah);
    let blind = Setting { current_gain_percent: None, ..setting.clone() };
    let budget = budget::charge(&exposure, &blind);
    assert_eq!(budget.expanded, None);
    assert!(budget.lacking[0].contains("gain accuracy for the current is not stated"));
    assert!(budget.term("clock").is_some(), "what is known is listed all the same");
    let blind = Setting { current_offset: None, ..setting.clone() };
    assert_eq!(budget::charge(&exposure, &blind).expanded, None);
    let exposure = Exposure { energy_wh: Some(1280.0), ..exposure };
    assert_eq!(budget::energy(&exposure, &setting).unwrap().expanded, None, "no voltage accuracy");
    let lacking = Exposure { energy_wh: None, ..exposure };
    assert_eq!(budget::energy(&lacking, &setting), None);
}
