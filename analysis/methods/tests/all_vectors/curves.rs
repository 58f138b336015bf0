//! Cases of resistance and of incremental capacity, most of them found by us in
//! rows made from the closed form or simulated.

use ampledger_methods::distributions::normal_probability;
use ampledger_methods::incremental::Incremental;
use ampledger_methods::resistance::{self, LoadPoint};
use ampledger_methods::{Row, Rules, SessionAnalysis, Setting};

use crate::bench::{gal_07, main_discharge, row};
use crate::cases::Case;

/// A discharge at constant current whose charge out is `given(volt)`, in rows
/// of even voltage steps; then judged.
fn falling(volts: (f64, f64), given: impl Fn(f64) -> f64) -> Incremental {
    let (rows, ampere) = (20_000, 10.0);
    let volt = |n: i32| volts.0 + (volts.1 - volts.0) * f64::from(n) / f64::from(rows);
    let rows: Vec<_> = (0..=rows)
        .map(|n| (given(volt(n)) - given(volts.0)) * 3600.0 / ampere)
        .enumerate()
        .map(|(n, second)| row(second, -ampere, volt(n as i32)))
        .collect();
    judged(&rows, Setting { rated_ah: Some(100.0), ..Setting::default() })
}

fn judged(rows: &[Row], setting: Setting) -> Incremental {
    let mut analysis = SessionAnalysis::new(setting.clone());
    rows.iter().for_each(|row| analysis.push(row));
    let found = analysis.snapshot(None, true);
    let mut incremental = Incremental::new(main_discharge(&found), &setting);
    rows.iter().for_each(|row| incremental.push(row));
    incremental
}

pub fn incremental(case: &Case) {
    if case.inputs.get("csv").is_some() {
        let text = include_str!("../data/lfp-4s-cc-1s.csv");
        let rows: Vec<_> = text.lines().skip(1).map(csv_row).collect();
        let setting = Setting { cells_in_series: Some(4), ..gal_07() };
        let ours = judged(&rows, Setting { cutoff_voltage_volt: None, ..setting });
        let (high, low) = (case.number("from_V"), case.number("to_V"));
        // The case's own remark: about 1 % for any smoothed curve.
        case.check("charge_Ah", ours.charge_between_ah(low, high), 2e-3);
        case.check("mean_dQdV_Ah_per_V", ours.charge_between_ah(low, high) / (high - low), 2e-3);
    } else if case.inputs.get("sigma_V").is_some() {
        let [area, centre, sigma] = ["area_Ah", "centre_V", "sigma_V"].map(|n| case.number(n));
        let ours =
            falling((3.35, 3.15), |v| area * (1.0 - normal_probability((v - centre) / sigma)));
        case.check("charge_between_Ah", ours.charge_between_ah(3.23, 3.27), 1e-5);
        let peak = ours.curve().peaks[0];
        assert!((peak.volt - centre).abs() <= 0.0026, "{}", peak.volt);
        assert!((peak.ah_per_volt / case.says("peak_Ah_per_V") - 1.0).abs() < 0.1);
    } else if case.inputs.get("a_V").is_some() {
        let [whole, mid, a] = ["Q_Ah", "V_mid_V", "a_V"].map(|name| case.number(name));
        let ours = falling((3.45, 3.15), |v| whole / (1.0 + ((v - mid) / a).exp()));
        case.check("area_between_3p25_and_3p35_Ah", ours.charge_between_ah(3.25, 3.35), 1e-5);
        let curve = ours.curve();
        let raw = curve.raw.iter().map(|p| p.ah_per_volt).fold(0.0, f64::max);
        case.check("peak_Ah_per_V", raw, 1e-2);
        assert!((curve.peaks[0].volt - case.says("peak_V")).abs() <= 0.0026);
        let half: Vec<_> = curve.raw.iter().filter(|p| p.ah_per_volt >= raw / 2.0).collect();
        let width = half[half.len() - 1].volt - half[0].volt;
        assert!((width - case.says("half_height_width_V")).abs() <= 0.01, "{width}");
    } else {
        let slope = case.number("OCV_slope_V_per_100Ah") / 100.0;
        let ours = falling((13.6, 12.0), |v| (13.6 - v) / slope);
        let curve = ours.curve();
        let inner = &curve.raw[1..curve.raw.len() - 1];
        for place in inner {
            case.check("dQdV_Ah_per_V", place.ah_per_volt, 1e-5);
        }
        assert!(inner.len() > 300, "{}", inner.len());
    }
}

fn csv_row(line: &str) -> Row {
    let mut fields = line.split(',').map(|f| f.trim().parse::<f64>().unwrap());
    let (second, current) = (fields.next().unwrap(), fields.next().unwrap());
    row(second, -current, fields.next().unwrap())
}

/// The step of the closed form, played in rows at 10 Hz and found by us.
fn stepped(case: &Case) {
    let ohm = |second: f64| {
        case.number("R0_ohm")
            + case.number("R1_ohm") * (1.0 - (-second / case.number("tau_s")).exp())
    };
    let setting = Setting { rated_ah: Some(100.0), ..Setting::default() };
    let mut analysis = SessionAnalysis::new(setting);
    for n in 0..=400 {
        let second = f64::from(n) / 10.0 - 5.0;
        let ampere = if second > 0.0 { case.number("step_A") } else { 0.0 };
        let fell = if second > 0.0 { ampere * ohm(second) } else { 0.0 };
        analysis.push(&row(second + 5.0, -ampere, 13.3 - fell));
    }
    let found = analysis.snapshot(None, true);
    let read = *found.steps[0].at(case.number("delay_s")).unwrap();
    case.check("apparent_R_ohm", read.ohm, 1e-9);
    case.check("drop_V", read.ohm * (found.steps[0].from_ampere - read.ampere), 1e-9);
}

/// The step in the simulated run, found by us in its rows. The delay of a
/// millisecond is our shortest one set to that.
fn simulated_step(case: &Case) {
    let delay = case.number("delay_s");
    let is_first = delay < 0.1;
    let mut rules = Rules { step_interval_share: 1.0, ..Rules::default() };
    if is_first {
        rules.step_short_second = delay;
    }
    let setting = Setting { rated_ah: Some(101.2), rules, ..Setting::default() };
    let mut analysis = SessionAnalysis::new(setting);
    for line in include_str!("../data/lfp-4s-cc-1s.csv").lines().skip(1).take(120) {
        let mut fields = line.split(',').map(|f| f.trim().parse::<f64>().unwrap());
        let (second, current) = (fields.next().unwrap(), fields.next().unwrap());
        analysis.push(&row(second, -current, fields.next().unwrap()));
    }
    let found = analysis.snapshot(None, true);
    let step = &found.steps[0];
    assert_eq!(step.t_us as f64 / 1e6, case.number("step_at_s"));
    let read = step.at(delay).unwrap();
    case.check("U_before_V", step.from_volt, 1e-6);
    case.check("U_after_V", read.volt, 1e-6);
    case.check("R_mohm", read.ohm * 1e3, 1e-4);
}

pub fn of_resistance(case: &Case) {
    let load = |i: &str, u: &str| LoadPoint { ampere: case.number(i), volt: case.number(u) };
    if case.inputs.get("U2_V").is_some() {
        let r = resistance::two_loads(load("I1_A", "U1_V"), load("I2_A", "U2_V"), None).unwrap();
        case.check("R_ohm", r.ohm, 1e-9);
        if case.expected.get("short_circuit_A").is_some() {
            case.check("extrapolated_open_V", r.open_volt, 1e-9);
            case.check("short_circuit_A", r.short_circuit(None).unwrap().at_least_ampere, 1e-9);
        }
    } else if case.inputs.get("E_V").is_some() {
        let open = LoadPoint { ampere: 0.0, volt: case.number("E_V") };
        let r = resistance::two_loads(open, load("I_A", "V_V"), None).unwrap();
        case.check("R_ohm", r.ohm, 1e-9);
        case.check("short_circuit_A", r.short_circuit(None).unwrap().at_least_ampere, 1e-9);
    } else if case.inputs.get("tau_s").is_some() {
        stepped(case);
    } else if case.inputs.get("csv").is_some() {
        simulated_step(case);
    } else {
        let points = case.numbers("I_A").into_iter().zip(case.numbers("U_V"));
        let points: Vec<_> = points.map(|(ampere, volt)| LoadPoint { ampere, volt }).collect();
        let (r, _) = resistance::line(&points).unwrap();
        case.check("R_ohm", r.ohm, 1e-8);
        case.check("open_V", r.open_volt, 1e-8);
        case.check("u_R_ohm", r.standard_ohm.unwrap(), 1e-8);
    }
}
