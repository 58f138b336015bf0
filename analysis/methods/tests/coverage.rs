//! Does the stated uncertainty hold? Meters are drawn at random within their
//! stated accuracy and read the same discharge (in the manner of JCGM 101);
//! the interval must hold the truth in at least 95 of 100.

mod bench;

use ampledger_methods::standing::{Judged, Of, judge};
use ampledger_methods::{Row, SessionAnalysis, Setting};
use bench::proven::{LOAD, Noise, stated};
use bench::row;

/// Meters drawn.
const DRAWS: u64 = 500;
/// How long the discharge lasts, s; rows come every 10 s.
const SECOND: f64 = 7200.0;

/// The pack's true voltage.
fn voltage(second: f64) -> f64 {
    let late = (second / SECOND - 0.9).max(0.0) / 0.1;
    26.2 - 1e-4 * second - 6.7 * late * late
}

/// When the true voltage is at 20 V: `6.7·x² = 6.2 − 1e-4·t`, solved by halving.
fn true_end() -> f64 {
    let (mut low, mut high) = (0.9 * SECOND, SECOND);
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if voltage(middle) > 20.0 { low = middle } else { high = middle }
    }
    low
}

/// A meter with errors of its own, within what `stated` allows.
fn rows(noise: &mut Noise, setting: &Setting, deviation_ampere: f64) -> Vec<Row> {
    let mut within = |limit: Option<f64>| 2.0 * noise.even() * limit.unwrap_or(0.0);
    let (gain, offset) = (within(setting.current_gain_percent), within(setting.current_offset));
    let (gain_v, offset_v) = (within(setting.voltage_gain_percent), within(setting.voltage_offset));
    let clock = 1.0 + within(Some(setting.rules.clock_ppm)) * 1e-6;
    let step = setting.current_resolution.unwrap_or(1e-9);
    let mut all = Vec::new();
    for n in 0..=(SECOND / 10.0) as usize + 8 {
        let second = 10.0 * n as f64;
        let is_on = (60.0..SECOND + 60.0).contains(&second);
        let truth = if is_on { LOAD } else { 0.0 };
        let read = truth * (1.0 + gain / 100.0) + offset + deviation_ampere * noise.bell();
        let volt = voltage((second - 60.0).max(0.0)) * (1.0 + gain_v / 100.0) + offset_v;
        all.push(row(second * clock, (read / step).round() * step, volt));
    }
    all
}

fn judged(rows: &[Row], of: Of, setting: &Setting) -> Judged {
    let mut analysis = SessionAnalysis::new(setting.clone());
    rows.iter().for_each(|row| analysis.push(row));
    judge(&analysis.snapshot(None, true), of, setting)
}

/// How many intervals hold the truth, and the deviation of the values over the
/// mean standard uncertainty.
fn coverage(of: Of, truth: f64, setting: &Setting) -> (f64, f64) {
    let mut noise = Noise(20_251_125);
    let (mut held, mut squares, mut standards) = (0.0, 0.0, 0.0);
    for _ in 0..DRAWS {
        let budget = judged(&rows(&mut noise, setting, 0.02), of, setting).budget;
        let budget = budget.unwrap_or_else(|| panic!("no budget"));
        let expanded = budget.expanded.unwrap_or_else(|| panic!("{:?}", budget.lacking));
        let off = budget.value - truth;
        held += f64::from(off.abs() <= expanded);
        squares += off * off;
        standards += budget.standard;
    }
    let n = DRAWS as f64;
    (held / n, (squares / n).sqrt() / (standards / n))
}

#[test]
fn the_interval_of_a_charge_holds_the_truth_in_95_of_100_meters() {
    let truth = -LOAD * SECOND / 3600.0;
    let (held, ratio) = coverage(Of::Charge, truth, &stated());
    assert!(held >= 0.95, "{held}");
    assert!((0.8..=1.05).contains(&ratio), "neither too small nor idle: {ratio}");
}

#[test]
fn the_interval_of_a_charge_to_the_cutoff_holds_the_truth_as_well() {
    let truth = -LOAD * true_end() / 3600.0;
    // A poor voltmeter, whose error at the knee counts.
    let setting = Setting { voltage_gain_percent: Some(0.5), ..stated() };
    let (held, ratio) = coverage(Of::ChargeToCutoff, truth, &setting);
    assert!(held >= 0.95, "{held}");
    assert!((0.5..=1.05).contains(&ratio), "{ratio}");
}

#[test]
fn the_interval_of_an_energy_holds_the_truth_as_well() {
    let steps = 720_000;
    let width = SECOND / f64::from(steps);
    let power = |n: i32| -LOAD * voltage((f64::from(n) + 0.5) * width);
    let truth = (0..steps).map(power).sum::<f64>() * width / 3600.0;
    let (held, ratio) = coverage(Of::Energy, truth, &stated());
    assert!(held >= 0.95, "{held}");
    assert!((0.7..=1.05).contains(&ratio), "{ratio}");
}
