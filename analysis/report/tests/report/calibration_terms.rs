//! What calibrations and temperatures near the meter leave in the budget, and
//! when an offset was taken too far from the run's temperature.

use ampledger_types::calibration::{Calibrated, Calibration, Change, Line, Point, Zero};
use ampledger_types::figure::{Figure, Term};
use ampledger_types::result::SessionReport;
use ampledger_types::{Instrument, Quantity};

use super::bench::*;

/// The air near the meter, now.
fn air(bench: &mut Bench, celsius: f64) {
    bench.says("bench-shunt", group(&[Quantity::AmbientTemperature]), vec![celsius]);
}

/// A discharge in air of so many °C.
fn run(bench: &mut Bench, celsius: f64) -> SessionReport {
    let session = bench.start();
    bench.for_seconds(60, |_| (26.8, 0.0));
    air(bench, celsius);
    bench.for_seconds(9_000, |s| (26.4 - 2e-4 * s, -LOAD_AMPERE));
    air(bench, celsius);
    bench.for_seconds(9_000, |s| (24.6 - 6e-4 * s, -LOAD_AMPERE));
    bench.for_seconds(60, |_| (23.0, 0.0));
    bench.stop(session);
    bench.report(session)
}

fn record(bench: &mut Bench, channel: Calibrated, change: Change) {
    let (source, taken) = ("bench-shunt".to_owned(), bench.now());
    let new = Calibration { id: 0, source, channel, taken, from: taken, identity: None, change };
    bench.store.insert_calibration(&new).unwrap();
}

fn zero_at(celsius: Option<f64>) -> Change {
    Change::Zero(Zero {
        mean_ampere: 0.0,
        standard_ampere: 0.0002,
        deviation_ampere: 0.002,
        count: 100,
        second: 200.0,
        drift_ampere: 0.0,
        celsius,
    })
}

fn term<'a>(figure: &'a Figure, name: &str) -> &'a Term {
    let terms = &figure.budget.as_ref().unwrap().terms;
    terms.iter().find(|term| term.name == name).unwrap_or_else(|| panic!("no {name}: {terms:?}"))
}

#[test]
fn an_offset_taken_more_than_ten_kelvin_from_the_run_is_doubted() {
    let reasons = |zero, run_celsius| {
        let mut bench = Bench::new();
        bench.describe("bench-shunt", described_shunt());
        record(&mut bench, Calibrated::Current, zero_at(zero));
        bench.t_us += 60 * SECOND;
        run(&mut bench, run_celsius).results.main_discharge_ah.reasons
    };
    let apart = |reasons: &[String]| reasons.iter().any(|r| r.contains("the offset was taken at"));
    assert!(!apart(&reasons(Some(12.0), 22.0)), "10 K apart");
    let why = reasons(Some(11.0), 22.0);
    assert!(why.iter().any(|r| r == "the offset was taken at 11 °C, the run was at 22 °C"));
    assert!(!apart(&reasons(None, 22.0)), "not known");
}

#[test]
fn the_shunts_heat_is_a_term_by_its_coefficient_and_the_airs_distance() {
    let heated = |calibrated_celsius| {
        let mut shunt = described_shunt();
        let current = shunt.accuracy.get_mut("current_ampere").unwrap();
        current.temperature_ppm_per_kelvin = Some(50.0);
        current.calibrated_celsius = calibrated_celsius;
        let mut bench = Bench::new();
        bench.describe("bench-shunt", shunt);
        let figure = run(&mut bench, 35.0).results.main_discharge_ah;
        let (ah, term) = (figure.value.unwrap(), term(&figure, "temperature of the shunt"));
        (term.half_width / ah, term.says.clone())
    };
    // 50 ppm/K over 35 − 23 K; and 20 K where nobody says at what it was calibrated.
    let (share, says) = heated(Some(23.0));
    assert!((share - 600e-6).abs() < 1e-9, "{share}: {says}");
    let (share, says) = heated(None);
    assert!((share - 1000e-6).abs() < 1e-9 && says.contains("taken as"), "{share}: {says}");
}

#[test]
fn a_calibration_of_the_voltage_takes_the_place_of_its_stated_gain() {
    let mut shunt: Instrument = described_shunt();
    shunt.accuracy.remove("voltage_volt");
    let mut bench = Bench::new();
    bench.describe("bench-shunt", shunt);
    let before = run(&mut bench, 22.0).results.main_discharge_wh;
    assert_eq!(before.expanded_uncertainty, None, "nobody says how good its voltage is");
    let point = |raw: f64, truth| Point { raw, truth, standard: 0.005 };
    record(
        &mut bench,
        Calibrated::Voltage,
        Change::Line(Line {
            gain: 1.001,
            offset: 0.0,
            points: [point(15.0, 15.015), point(30.0, 30.03)],
            scatter: 0.0,
            against: "two points".to_owned(),
        }),
    );
    bench.t_us += 60 * SECOND;
    let after = run(&mut bench, 22.0).results.main_discharge_wh;
    assert!((after.value.unwrap() / before.value.unwrap() - 1.001).abs() < 1e-6);
    let gain = term(&after, "gain of the voltage");
    // The points weigh by how near they are; at the end (19.2 V) that is worst:
    // √(0.72² + 0.28²) × 5 mV, as a half-width of a share of the voltage.
    let share: f64 = (19.2 - 15.0) / 15.0;
    let standard = 0.005 * ((1.0 - share).powi(2) + share.powi(2)).sqrt();
    let percent = gain.half_width / after.value.unwrap() * 100.0;
    let expected = 100.0 * 3.0_f64.sqrt() * standard / (19.2 * 1.001);
    assert!((percent / expected - 1.0).abs() < 0.01, "{percent} %, expected {expected} %");
    assert!(after.expanded_uncertainty.is_some(), "{:?}", after.reasons);
}
