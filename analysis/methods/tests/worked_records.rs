//! The worked examples of docs/methods.md about what a record shows (a full start,
//! the first minute, a knee, a curve) and about terms of the budget, recomputed;
//! the page must say what comes out.

mod bench;
mod page;

use ampledger_methods::{Row, Setting, budget};
use ampledger_types::result::EndReason;
use bench::proven::{analyse, rows, stated};
use bench::{Bench, gal_07, main_discharge, row};
use page::says;

#[test]
fn full_at_the_start() {
    let found = analyse(&rows(), &stated());
    let full = main_discharge(&found).full.clone().unwrap();
    let texts: Vec<&str> = full.findings.iter().map(|finding| finding.says.as_str()).collect();
    says(&format!("{}.", texts.join("; ")));
}

#[test]
fn first_minute() {
    let checked = |cells| {
        let setting = Setting { cells_in_series: Some(cells), ..gal_07() };
        let checks = Bench::full().read(0.0, 27.2).analyse(setting).first_minute_checks();
        checks.into_iter().find(|check| check.name == "voltage").unwrap().text
    };
    let wrong = checked(6);
    says(&format!("{}; as 6 cells it would be: {wrong}.", checked(8)));
}

#[test]
fn knee() {
    // A slope of 0.2 mV/s, and in the last 60 s before the trip of 20 mV/s.
    let mut bench = Bench::full();
    bench.read(0.0, 27.0);
    let fall = |s: f64| 26.0 - 2e-4 * s - 0.02 * (s - 3540.0).max(0.0);
    (0..=3600).for_each(|s| {
        bench.read(-12.0, fall(f64::from(s)));
    });
    (0..20).for_each(|_| {
        bench.read(0.0, 0.4);
    });
    let found = bench.stopped(gal_07());
    let end = main_discharge(&found).end.clone().unwrap();
    assert_eq!(end.reason, EndReason::ProtectionTrip);
    assert_eq!(end.trip_means_empty, Some(true));
    let last = end.last_loaded_voltage_volt.unwrap();
    let (middle, end) = ((fall(900.0) - fall(2700.0)) / 1800.0, (fall(3540.0) - last) / 60.0);
    says(&format!(
        "{:.1} mV/s in mid-run and {:.1} mV/s in the last 60 s, {:.0} times as fast: a trip at \
         {last:.2} V, {:.2} V a cell, was an empty pack.",
        middle * 1e3,
        end * 1e3,
        end / middle,
        last / 8.0
    ));
}

#[test]
fn sampling_and_lone_readings() {
    let of = |spoil: &dyn Fn(usize, &mut Row)| {
        let mut rows: Vec<Row> = (0..400).map(|n| row(10.0 * n as f64, -12.0, 26.0)).collect();
        rows.iter_mut().enumerate().for_each(|(n, row)| spoil(n, row));
        let found = analyse(&rows, &stated());
        budget::charge(&main_discharge(&found).exposure, &stated())
    };
    let step = of(&|n, row| {
        if n >= 200 {
            row.current_ampere = Some(-20.0);
        }
    });
    let lone = of(&|n, row| {
        if n == 200 {
            row.current_ampere = Some(-20.0);
        }
    });
    says(&format!(
        "Rows each 10 s, and a step from −12 A to −20 A between two of them: {:.4} Ah. One \
         reading of −20 A among those of −12 A: {:.4} Ah.",
        step.term("sampling").unwrap().standard,
        lone.term("lone readings").unwrap().standard,
    ));
}

#[test]
fn heat_of_a_shunt() {
    let setting =
        Setting { shunt_ppm_per_kelvin: Some(50.0), shunt_rise_kelvin: Some(12.0), ..stated() };
    let exposure = budget::Exposure { charge_ah: 57.4, ..budget::Exposure::default() };
    let heat = budget::charge(&exposure, &setting);
    says(&format!(
        "A shunt of 50 ppm/K, calibrated at 23 °C and used at 35 °C, over 57.4 Ah: {:.4} Ah.",
        heat.term("temperature of the shunt").unwrap().standard
    ));
}

#[test]
fn incremental_capacity() {
    // Two straight lines: 26.4 V to 26.0 V, then to 24.0 V.
    let volt = |s: f64| if s < 4800.0 { 26.4 - s / 12_000.0 } else { 26.0 - (s - 4800.0) / 1200.0 };
    let all: Vec<Row> = (0..7200).map(|s| row(f64::from(s), -3.0, volt(f64::from(s)))).collect();
    let curve = analyse(&all, &gal_07()).curve.unwrap();
    let at = |volt: f64| {
        let near = |place: &&ampledger_methods::incremental::Place| {
            (place.volt - volt).abs() <= curve.step_volt / 2.0
        };
        curve.raw.iter().find(near).unwrap().ah_per_volt
    };
    says(&format!(
        "At 3 A from 26.4 V to 26.0 V in 80 min, then to 24.0 V in 40 min: {:.2} Ah/V above 26.0 V \
         and {:.2} Ah/V below, in steps of {:.0} mV.",
        at(26.22),
        at(25.02),
        curve.step_volt * 1e3
    ));
}
