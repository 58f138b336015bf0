//! Resistance, efficiency and what several sessions of a pack show together.

use ampledger_report::pack_view::pack_view;
use ampledger_types::{Pack, Rating};

use super::bench::*;

#[test]
fn a_step_of_the_load_gives_a_resistance_with_its_delay_and_a_short_circuit_with_its_caution() {
    let mut bench = Bench::new();
    bench.describe("bench-shunt", described_shunt());
    let session = bench.start();
    bench.for_seconds(60, |_| (26.8, 0.0));
    bench.for_seconds(120, |s| (26.4 - 1e-4 * s, -LOAD_AMPERE));
    bench.for_seconds(60, |_| (26.7, 0.0));
    bench.stop(session);
    let further = bench.report(session).further;
    let step = &further.resistance_steps[0];
    let delays: Vec<f64> = step.read.iter().map(|read| read.delay_second).collect();
    // Rows each 2 s are too slow for the delay of 1 s.
    assert_eq!(delays, [10.0, 30.0]);
    // (26.8 − 26.399) V over 12 A, by definition.
    assert!((step.read[0].ohm - 0.401 / 12.0).abs() < 1e-4, "{step:?}");
    assert!(step.read[0].expanded_ohm.is_some_and(|u| u > 0.0 && u < 0.001), "{step:?}");
    let short = further.short_circuit.unwrap();
    assert!(short.at_least_ampere < 26.8 / (0.401 / 12.0), "{short:?}");
    assert!(short.caution.contains("not for choosing a fuse"));
}

#[test]
fn a_cycle_from_full_to_full_gives_its_efficiency_with_what_the_offset_leaves() {
    let mut bench = Bench::new();
    bench.describe("bench-shunt", described_shunt());
    let session = bench.start();
    proving_charge(&mut bench);
    discharge_to_cutoff(&mut bench);
    bench.for_seconds(9_000, |s| (24.0 + 5.2 * s / 9_000.0, 20.0));
    bench.for_seconds(1_798, |s| (29.2, 20.0 - 18.1 * (s + 2.0) / 1800.0));
    bench.for_seconds(600, |s| (29.2, 1.9 - 1e-5 * s));
    bench.for_seconds(600, |_| (27.0, 0.0));
    bench.stop(session);
    let report = bench.report(session);
    let efficiency = report.further.efficiency.unwrap();
    let amount = |figure: &ampledger_types::result::Figure| figure.value.unwrap();
    let out = amount(&report.results.main_discharge_ah);
    let back: f64 =
        report.phases[3..].iter().filter_map(|p| p.charge_ah).filter(|a| *a > 0.0).sum();
    assert!((efficiency.coulombic - out / back).abs() < 1e-3, "{efficiency:?}");
    assert!(efficiency.coulombic_expanded.is_some_and(|u| u > 0.0), "{efficiency:?}");
}

/// A full discharge at so many A as a session of its own.
fn run(bench: &mut Bench, ampere: f64, hours: f64) -> i64 {
    let session = bench.start();
    bench.for_seconds(60, |_| (26.8, 0.0));
    let lasts = (hours * 3600.0) as i64;
    bench.for_seconds(lasts + 20, |s| (26.4 - 6.4 * s / lasts as f64, -ampere));
    bench.for_seconds(60, |_| (23.0, 0.0));
    bench.stop(session);
    session
}

#[test]
fn several_sessions_of_a_pack_give_its_exponent_and_are_listed() {
    // t = Cp / I^k with k = 1.1: the law itself, W. Peukert 1897 (from memory).
    let mut bench = Bench::new();
    let mut reports = Vec::new();
    for ampere in [6.0_f64, 12.0, 24.0] {
        let session = run(&mut bench, ampere, 60.0 / ampere.powf(1.1));
        reports.push(bench.report(session));
    }
    let view = pack_view("GAL-07", &reports);
    assert_eq!(view.sessions.len(), 3);
    let peukert = view.peukert.unwrap();
    assert!((peukert.exponent - 1.1).abs() < 0.01, "{peukert:?}");
    assert!(peukert.doubts.iter().any(|d| d.contains("is not proven")), "{peukert:?}");
    let other = pack_view("TUG-3", &reports);
    assert!(other.sessions.is_empty() && other.peukert.is_none());
}

#[test]
fn a_stand_between_charge_and_load_gives_the_self_discharge() {
    let mut bench = Bench::new();
    let rating = Some(Rating { capacity_ah: 6.0, ..Rating::default() });
    bench.store.put_pack(&Pack { rating, ..gal_07() }).unwrap();
    let mut shunt = described_shunt();
    // An offset of 10 mA over two days could be the whole of it.
    let current = shunt.accuracy.get_mut("current_ampere").unwrap();
    (current.offset, current.resolution) = (Some(0.000_2), Some(0.000_1));
    bench.describe("bench-shunt", shunt);
    // A small pack, so that a stand of days at a slow pace fits in a test.
    let cycle = |bench: &mut Bench, stand_hours: i64, hours: f64| {
        let session = bench.start();
        bench.for_seconds(1800, |s| (26.6 + 2.6 * s / 1800.0, 3.0));
        bench.for_seconds(1198, |s| (29.2, 3.0 - 2.8 * (s + 2.0) / 1200.0));
        bench.for_seconds(600, |s| (29.2, 0.2 - 1e-6 * s));
        for _ in 0..stand_hours * 450 {
            bench.reads(26.8, 0.0);
            bench.t_us += 8 * SECOND;
        }
        let lasts = (hours * 3600.0) as i64;
        bench.for_seconds(lasts + 20, |s| (26.4 - 6.4 * s / lasts as f64, -1.2));
        bench.for_seconds(120, |_| (23.0, 0.0));
        bench.stop(session);
        session
    };
    let first = cycle(&mut bench, 1, 5.0);
    let second = cycle(&mut bench, 48, 4.8);
    let reports = [bench.report(first), bench.report(second)];
    let view = pack_view("GAL-07", &reports);
    let stand = &view.self_discharge[0];
    assert_eq!((stand.before, stand.after), (first, second));
    assert!((stand.days - 47.0 / 24.0).abs() < 0.01, "an hour of rest in both: {stand:?}");
    assert!((stand.percent - 4.0).abs() < 0.1, "{stand:?}");
    assert!(stand.expanded_percent.is_some_and(|u| u < 4.0), "the gain cancels: {stand:?}");
    // At another rate a pack gives another charge, whatever it lost in the stand.
    let mut faster = reports.clone();
    let main = faster[1].main_discharge.unwrap();
    faster[1].phases[main].mean_current_ampere = Some(-1.2 * 1.06);
    assert!(pack_view("GAL-07", &faster).self_discharge.is_empty());
}
