//! Resistance from steps of the load on GAL-07: each rule with a case that
//! meets it and one that just fails.

mod bench;

use ampledger_methods::resistance::{self, FoundStep, LoadPoint};
use ampledger_methods::{Analysis, Row, SessionAnalysis, Setting};
use bench::{gal_07, near, row};

const OHM: f64 = 0.02;

/// Currents over time in rows every `interval` seconds, 20 mΩ.
fn rows(interval: f64, levels: &[(f64, f64)]) -> Vec<Row> {
    let (mut rows, mut second): (Vec<Row>, f64) = (Vec::new(), 0.0);
    for (current, lasts) in levels {
        for _ in 0..(lasts / interval).round() as usize {
            rows.push(row(second, *current, 26.4 + OHM * current));
            second += interval;
        }
    }
    rows
}

fn analyse(rows: &[Row], setting: &Setting) -> Analysis {
    let mut analysis = SessionAnalysis::new(setting.clone());
    rows.iter().for_each(|row| analysis.push(row));
    analysis.snapshot(None, true)
}

fn steps(interval: f64, levels: &[(f64, f64)]) -> Vec<FoundStep> {
    analyse(&rows(interval, levels), &gal_07()).steps
}

fn delays(step: &FoundStep) -> Vec<f64> {
    step.read.iter().map(|r| r.delay_second).collect()
}

#[test]
fn a_step_gives_its_resistance_at_each_delay() {
    let found = steps(0.5, &[(0.0, 10.0), (-12.0, 60.0)]);
    assert_eq!(delays(&found[0]), [1.0, 10.0, 30.0]);
    for read in &found[0].read {
        assert!(near(read.ohm, OHM, 1e-9));
        assert_eq!(read.interval_second, 0.5);
    }
    assert_eq!((found[0].from_ampere, found[0].to_ampere), (0.0, -12.0));
}

#[test]
fn steps_down_and_between_loads_count_as_well() {
    let found = steps(0.5, &[(-12.0, 60.0), (-30.0, 60.0), (0.0, 60.0), (15.0, 60.0)]);
    assert_eq!(found.len(), 3);
    assert!(found.iter().all(|s| near(s.read[0].ohm, OHM, 1e-9)), "{found:?}");
}

#[test]
fn the_current_steps_by_a_tenth_of_the_rating() {
    assert_eq!(steps(0.5, &[(0.0, 10.0), (-6.0, 60.0)]).len(), 1);
    assert_eq!(steps(0.5, &[(0.0, 10.0), (-5.99, 60.0)]).len(), 0);
}

#[test]
fn rows_come_within_half_the_delay() {
    let at = |interval: f64| {
        let found = steps(interval, &[(0.0, 60.0), (-12.0, 120.0)]);
        found.first().map(delays).unwrap_or_default()
    };
    assert_eq!(at(0.5), [1.0, 10.0, 30.0]);
    assert_eq!(at(0.6), [10.0, 30.0]);
    assert_eq!(at(5.0), [10.0, 30.0]);
    assert_eq!(at(6.0), [30.0]);
    assert_eq!(at(16.0), [0.0; 0]);
}

#[test]
fn the_voltage_moves_by_twenty_of_its_steps() {
    let with = |resolution: f64| {
        let setting = Setting { voltage_resolution: Some(resolution), ..gal_07() };
        let rows = rows(0.5, &[(0.0, 10.0), (-12.0, 60.0)]);
        analyse(&rows, &setting).steps.len()
    };
    // 12 A over 20 mΩ: 0.24 V.
    assert_eq!((with(0.0119), with(0.0121)), (1, 0));
}

#[test]
fn voltage_and_current_are_of_one_moment() {
    let skewed = |second: f64| {
        let mut both = Vec::new();
        for r in rows(0.5, &[(0.0, 10.0), (-12.0, 60.0)]) {
            let t_us = r.t_us - (second * 1e6) as i64;
            both.push(Row { t_us, current_ampere: None, group: 1, ..r });
            both.push(Row { voltage_volt: None, ..r });
        }
        analyse(&both, &gal_07()).steps.len()
    };
    assert_eq!((skewed(0.05), skewed(0.06)), (1, 0));
}

#[test]
fn before_and_after_a_step_the_current_has_settled() {
    let before = |last: f64| steps(0.5, &[(0.0, 10.0), (last, 1.0), (-12.0, 60.0)]).len();
    assert_eq!((before(-1.0), before(-1.5)), (1, 0));
    let after = |then: f64| steps(0.5, &[(0.0, 10.0), (-12.0, 5.0), (then, 60.0)]);
    assert_eq!(delays(&after(-13.0)[0]), [1.0, 10.0, 30.0]);
    assert_eq!(delays(&after(-13.5)[0]), [1.0]);
    assert!(after(-13.5)[0].lacking[0].contains("changed again"));
    let two_rows = steps(0.5, &[(0.0, 10.0), (-8.0, 0.5), (-12.0, 60.0)]);
    assert!(near(two_rows[0].to_ampere, -12.0, 1e-12), "a row in the step is the step's");
    assert_eq!(two_rows[0].read[0].interval_second, 1.0);
    assert_eq!(delays(&two_rows[0]), [10.0, 30.0]);
}

#[test]
fn a_gap_breaks_a_step_off() {
    let mut rows = rows(0.5, &[(0.0, 10.0), (-12.0, 60.0)]);
    rows.drain(25..40);
    let found = analyse(&rows, &gal_07()).steps;
    assert_eq!(delays(&found[0]), [1.0]);
}

#[test]
fn its_uncertainty_comes_from_gains_and_resolutions() {
    let setting = Setting {
        current_gain_percent: Some(0.5),
        voltage_gain_percent: Some(0.1),
        current_resolution: Some(0.01),
        voltage_resolution: Some(0.001),
        ..gal_07()
    };
    let rows = rows(0.5, &[(0.0, 10.0), (-12.0, 60.0)]);
    let read = analyse(&rows, &setting).steps[0].read[0];
    // By the package `uncertainties` 3.2.3 (PyPI) from the same inputs.
    assert!(near(read.standard_ohm.unwrap_or(0.0), 6.834_010_806_525_236e-5, 1e-9));
    let unstated = Setting { voltage_gain_percent: None, ..setting };
    assert_eq!(analyse(&rows, &unstated).steps[0].read[0].standard_ohm, None);
}

#[test]
fn a_short_circuit_is_at_least_from_the_shortest_delay_and_with_its_caution() {
    let found = steps(0.5, &[(0.0, 10.0), (-12.0, 60.0)]);
    let short = found[0].short_circuit();
    let short = short.unwrap_or_else(|| panic!("none"));
    assert!(near(short.at_least_ampere, 26.4 / OHM, 1e-9));
    assert_eq!(short.delay_second, Some(1.0));
    assert!(short.caution.contains("not for choosing a fuse"));
    assert!(short.caution.contains("not for a label"));
    let low = LoadPoint { ampere: 0.0, volt: 26.4 };
    let high = LoadPoint { ampere: 12.0, volt: 26.16 };
    let sure = resistance::two_loads(low, high, Some((0.01, 0.0)));
    let sure = sure.and_then(|r| r.short_circuit(None)).unwrap_or_else(|| panic!("none"));
    assert!(sure.at_least_ampere < 26.4 / OHM, "an uncertain resistance gives less");
}

#[test]
fn a_line_through_the_loads_found_gives_the_resistance() {
    let found = steps(0.5, &[(0.0, 10.0), (-12.0, 60.0), (-24.0, 60.0), (-36.0, 60.0)]);
    let loads = resistance::loads(&found, 10.0);
    assert_eq!(loads.len(), 4);
    let (resistance, _) = resistance::line(&loads).unwrap_or_else(|| panic!("no line"));
    assert!(near(resistance.ohm, OHM, 1e-9) && near(resistance.open_volt, 26.4, 1e-9));
}

#[test]
fn steps_without_end_stay_bounded() {
    let levels: Vec<(f64, f64)> =
        (0..1000).map(|n| (if n % 2 == 0 { -12.0 } else { -24.0 }, 6.0)).collect();
    assert_eq!(steps(0.5, &levels).len(), 100);
}
