//! A claim is proven only where the record holds all of its evidence, and says
//! on what it rests.

use ampledger_report::SessionFeed;
use ampledger_types::result::{Probe, Standing, Status};
use ampledger_types::{Instrument, Quantity};

use super::bench::*;

/// The whole test with a meter that is described. Gives the session's number.
fn proven_test(bench: &mut Bench, shunt: Instrument) -> i64 {
    bench.describe("bench-shunt", shunt);
    let session = bench.start();
    proving_charge(bench);
    discharge_to_cutoff(bench);
    bench.stop(session);
    session
}

#[test]
fn a_test_with_all_its_evidence_is_proven_and_says_on_what_it_rests() {
    let mut bench = Bench::new();
    let session = proven_test(&mut bench, described_shunt());
    let report = bench.report(session);
    assert_eq!(
        report.claim,
        "Delivered 57.4 ± 0.3 Ah to 20.0 V (95.7 % of 60 Ah), 1332 ± 8 Wh, at −12.0 A mean \
         (0.20 C). Charged 15.8 Ah, 448 Wh beforehand. \
         Proven: full at start (charged to 29.2 V, tapered to 1.89 A = C/32, rested 61 min, \
         nothing drawn since); offset within 0.01 A as stated; no gap longer than 2 s; \
         ended at cut-off voltage."
    );
    let figure = &report.results.capacity_to_cutoff_ah;
    assert_eq!((figure.status, figure.reasons.len()), (Status::Proven, 0));
    assert!(figure.evidence.iter().all(|f| f.standing == Standing::Met), "{figure:#?}");
    assert!(figure.method_source.contains("JCGM 100"));
}

#[test]
fn the_budget_adds_up_to_the_uncertainty_that_is_stated() {
    // JCGM 100:2008, 5.1.2: independent terms add in quadrature; k = 2.
    let mut bench = Bench::new();
    let session = proven_test(&mut bench, described_shunt());
    let figure = bench.report(session).results.capacity_to_cutoff_ah;
    let budget = figure.budget.unwrap();
    let squares: f64 = budget.terms.iter().map(|t| t.standard * t.standard).sum();
    assert!((squares.sqrt() - budget.standard).abs() < 1e-12);
    let expanded = figure.expanded_uncertainty.unwrap();
    assert!((budget.coverage * budget.standard - expanded).abs() < 1e-12);
    // The gain is 0.25 % of 57.41 Ah either way, the offset 0.01 A for 4.78 h.
    let term = |name: &str| budget.terms.iter().find(|t| t.name == name).unwrap().half_width;
    assert!((term("gain of the current") - 0.0025 * 57.41).abs() < 1e-4);
    assert!((term("offset of the current") - 0.01 * 17_222.0 / 3600.0).abs() < 1e-4);
}

#[test]
fn evidence_is_dated() {
    let mut bench = Bench::new();
    let session = proven_test(&mut bench, described_shunt());
    let figure = bench.report(session).results.capacity_to_cutoff_ah;
    let reached = figure.finding("voltage reached").unwrap().moment.unwrap();
    let expected = reached.test_time_second + BEGAN_UNIX_SECOND as f64;
    assert_eq!(reached.unix_time_second, Some(expected));
    // 29.2 V less 0.5 % is 29.054 V: after 1699 s on the line to 29.2 V.
    assert_eq!(reached.test_time_second, 1700.0);
    assert!(figure.finding("end").unwrap().moment.is_some());
}

#[test]
fn what_is_not_said_of_the_meter_keeps_every_figure_from_being_proven() {
    let mut bench = Bench::new();
    let shunt = Instrument { draws_ahead_of_sensor: None, ..described_shunt() };
    let session = proven_test(&mut bench, shunt);
    let results = bench.report(session).results;
    for figure in [&results.capacity_to_cutoff_ah, &results.charging_capacity_ah] {
        assert_eq!(figure.status, Status::Provisional);
        assert_eq!(figure.reasons, ["of the meter it is not said what draws current ahead of it"]);
    }
}

#[test]
fn the_accuracy_of_another_meter_proves_nothing() {
    let mut bench = Bench::new();
    bench.describe("load", described_shunt());
    let session = bench.start_on(&["bench-shunt", "load"]);
    proving_charge(&mut bench);
    discharge_to_cutoff(&mut bench);
    bench.stop(session);
    let figure = bench.report(session).results.capacity_to_cutoff_ah;
    assert_eq!((figure.status, figure.expanded_uncertainty), (Status::Provisional, None));
}

#[test]
fn the_temperature_of_the_main_discharge_is_told_with_its_place() {
    let mut bench = Bench::new();
    let probe = group(&[Quantity::SurfaceTemperature]);
    let session = bench.start();
    for minute in 0..120 {
        bench.reads(26.0, if minute < 60 { 0.0 } else { -LOAD_AMPERE });
        let celsius = if minute < 60 { 18.0 } else { 22.0 + f64::from(minute - 60) / 15.0 };
        bench.says("bench-shunt", probe.clone(), vec![celsius]);
        bench.t_us += 5 * SECOND;
    }
    bench.stop(session);
    let report = bench.report(session);
    let warmth = report.temperatures[0];
    assert_eq!(warmth.probe, Probe::Pack);
    assert!(report.claim.contains(", 18 to 26 °C."), "{}", report.claim);
}

#[test]
fn a_proof_stands_live_as_in_the_store() {
    let mut bench = Bench::new();
    bench.describe("bench-shunt", described_shunt());
    let session = bench.start();
    proving_charge(&mut bench);
    discharge_to_cutoff(&mut bench);
    let (subject, view) = (bench.subject(session), bench.view());
    let mut live = SessionFeed::new(&subject);
    for stored in &bench.samples {
        live.feed(stored);
    }
    let report = live.report(&subject, &view);
    assert_eq!(report, bench.report(session));
    assert_eq!(report.results.capacity_to_cutoff_ah.status, Status::Proven);
}
