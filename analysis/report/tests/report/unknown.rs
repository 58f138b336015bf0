//! What is not known is null with a reason, never 0; what is known to be 0 is.

use ampledger_report::{ReportError, compute};
use ampledger_types::Quantity;
use ampledger_types::result::{Figure, Status};

use super::bench::*;

#[track_caller]
fn unknown_because(figure: &Figure, why: &str) {
    assert_eq!((figure.value, figure.status), (None, Status::Undetermined));
    assert_eq!(figure.reasons, [why]);
}

#[test]
fn with_a_current_and_no_discharge_the_sum_is_a_known_nought() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(120, |_| (26.6, 0.0));
    bench.stop(session);
    let results = bench.report(session).results;
    assert_eq!(results.discharging_capacity_ah.value, Some(0.0));
    assert_eq!(results.charging_energy_wh.value, Some(0.0));
    unknown_because(&results.main_discharge_ah, "there was no discharge");
    unknown_because(&results.capacity_to_cutoff_ah, "there was no discharge");
}

#[test]
fn without_a_current_no_charge_is_claimed() {
    let mut bench = Bench::new();
    let session = bench.start();
    for _ in 0..60 {
        bench.says("bench-shunt", group(&[Quantity::Voltage]), vec![26.6]);
        bench.t_us += 2 * SECOND;
    }
    bench.stop(session);
    let results = bench.report(session).results;
    for figure in [
        &results.discharging_capacity_ah,
        &results.discharging_energy_wh,
        &results.charging_capacity_ah,
        &results.capacity_to_cutoff_ah,
        &results.rest_net_ah,
    ] {
        unknown_because(figure, "no current was recorded");
    }
}

#[test]
fn without_a_voltage_no_energy_is_claimed() {
    let mut bench = Bench::new();
    let session = bench.start();
    for second in 0..120 {
        let ampere = if second < 30 { 0.0 } else { -12.0 };
        bench.says("bench-shunt", group(&[Quantity::Current]), vec![ampere]);
        bench.t_us += 2 * SECOND;
    }
    bench.stop(session);
    let report = bench.report(session);
    assert!(report.results.discharging_capacity_ah.value.is_some_and(|ah| ah > 0.5));
    unknown_because(&report.results.discharging_energy_wh, "no voltage was recorded");
    unknown_because(&report.results.capacity_to_cutoff_ah, "no voltage was recorded");
    assert_eq!(report.phases.last().unwrap().energy_wh, None);
}

#[test]
fn where_nothing_was_recorded_nothing_is_claimed() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.t_us += 60 * SECOND;
    bench.stop(session);
    let report = bench.report(session);
    unknown_because(&report.results.discharging_capacity_ah, "nothing was recorded");
    unknown_because(&report.results.rest_net_ah, "nothing was recorded");
    assert!(report.phases.is_empty());
    assert_eq!(report.computed_up_to, 0);
}

#[test]
fn a_load_removed_above_the_cutoff_gives_no_capacity_to_it() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(60, |_| (26.6, 0.0));
    bench.for_seconds(600, |s| (24.1 - s / 600.0, -LOAD_AMPERE));
    bench.for_seconds(120, |_| (24.6, 0.0));
    bench.stop(session);
    let results = bench.report(session).results;
    unknown_because(
        &results.capacity_to_cutoff_ah,
        "the load was removed at 23.1 V, above the cut-off of 20.0 V",
    );
    assert!(results.main_discharge_ah.value.is_some());
}

#[test]
fn without_a_cutoff_voltage_there_is_none_to_reach() {
    let mut bench = Bench::new();
    let mut pack = gal_07();
    pack.cutoff_voltage_volt = None;
    bench.store.put_pack(&pack).unwrap();
    let session = gone_dark(&mut bench);
    let results = bench.report(session).results;
    unknown_because(&results.capacity_to_cutoff_ah, "no cut-off voltage is set");
}

#[test]
fn a_session_that_is_not_there_is_refused_with_what_to_do() {
    let mut bench = Bench::new();
    let view = bench.view();
    let error = compute(&bench.reader(), 9, &view).unwrap_err();
    assert!(matches!(error, ReportError::NoSuchSession { id: 9 }));
    assert!(error.to_string().contains("ampledger sessions"), "{error}");
}
