//! What stands beside a session's capacity: an inverter's losses, incremental
//! capacity, and what it shows with the pack's sessions before it.

use ampledger_types::source::{Accuracy, Measures};
use ampledger_types::{Instrument, Quantity};

use super::bench::*;

/// A meter on the far side of an inverter.
fn inverter_output(accuracy: Option<Accuracy>) -> Instrument {
    let measures = Some(Measures::InverterOutput);
    let accuracy = accuracy.map(|stated| ("power_watt".to_owned(), stated));
    Instrument { measures, accuracy: accuracy.into_iter().collect(), ..Instrument::default() }
}

/// Ten minutes of an inverter that takes 8.6 W and 1.071 W for each watt that it
/// gives (330 W for 300 W and 1080 W for 1000 W, docs/methods.md).
fn on_an_inverter(bench: &mut Bench, meter: Instrument) -> i64 {
    bench.describe("bench-shunt", described_shunt());
    bench.describe("load", meter);
    let session = bench.start_on(&["bench-shunt", "load"]);
    let far = group(&[Quantity::Voltage, Quantity::Current, Quantity::Power]);
    // The far side is heard first: it is none the less not the pack's current.
    bench.says("load", far.clone(), vec![230.0, 0.0, 0.0]);
    bench.for_seconds(60, |_| (26.6, 0.0));
    for n in 0..600_i64 {
        let given = [300.0, 1000.0][(n / 60 % 2) as usize];
        let taken = 1.071_428_6 * given + 8.571_43;
        let volt = 26.0 - 1e-4 * n as f64;
        bench.reads(volt, -taken / volt);
        bench.t_us += SECOND / 3;
        bench.says("load", far.clone(), vec![230.0, given / 230.0, given]);
        bench.t_us += 2 * SECOND / 3;
    }
    bench.for_seconds(60, |_| (26.5, 0.0));
    bench.stop(session);
    session
}

#[test]
fn a_second_meter_on_the_far_side_of_an_inverter_gives_its_idle_power_and_slope() {
    let mut bench = Bench::new();
    let stated = Accuracy { gain_percent: Some(0.5), offset: Some(0.5), ..Accuracy::default() };
    let session = on_an_inverter(&mut bench, inverter_output(Some(stated)));
    let report = bench.report(session);
    let found = report.further.inverter.unwrap();
    let (idle, slope) = (found.idle_expanded_watt.unwrap(), found.slope_expanded.unwrap());
    assert!((found.idle_watt - 8.571_43).abs() < idle && idle < 1.5, "{found:?}");
    assert!((found.slope - 1.071_428_6).abs() < slope && slope < 0.02, "{found:?}");
    assert_eq!((found.given_watt[0], found.given_watt[2]), (300.0, 1000.0));
    assert!(found.doubts.is_empty() && found.pairs > 500, "{found:?}");
    // 330 W and 1080 W at 26 V for five minutes each.
    let given = report.results.main_discharge_wh.value.unwrap();
    assert!((given - 705.0 / 6.0).abs() < 0.5, "the far side is not added: {given} Wh");
    assert!(report.anomalies.is_empty(), "{:?}", report.anomalies);
}

#[test]
fn an_inverter_whose_meter_is_not_described_has_no_uncertainty_and_says_why() {
    let mut bench = Bench::new();
    let session = on_an_inverter(&mut bench, inverter_output(None));
    let found = bench.report(session).further.inverter.unwrap();
    assert_eq!((found.idle_expanded_watt, found.slope_expanded), (None, None));
    assert!(found.doubts[0].contains("is not stated"), "{found:?}");
}

#[test]
fn the_peaks_of_incremental_capacity_are_listed_with_the_voltages_uncertainty() {
    let mut bench = Bench::new();
    bench.describe("bench-shunt", described_shunt());
    let session = bench.start();
    bench.for_seconds(60, |_| (26.8, 0.0));
    // Slow about 26 V: one peak, where the slope is least.
    let volt = |s: f64| {
        let x = s / 9000.0 - 1.0;
        26.0 - 0.5 * x - 2.0 * x.powi(3)
    };
    bench.for_seconds(18_000, |s| (volt(s), -3.0));
    bench.for_seconds(60, |_| (25.0, 0.0));
    bench.stop(session);
    let found = bench.report(session).further.incremental.unwrap();
    assert_eq!(found.peaks.len(), 1, "{:?}", found.peaks);
    let peak = found.peaks[0];
    let wide = peak.expanded_volt.unwrap();
    assert!((peak.volt - 26.0).abs() < wide && wide < 0.05, "{peak:?}");
    // 3 A for 9000 s over half a volt: 15 Ah/V at the very top, of which smoothing
    // over five steps of 40 mV takes a little.
    assert!(peak.ah_per_volt > 13.0 && peak.ah_per_volt < 15.0, "{peak:?}");
    let area: f64 = found.curve.iter().map(|[_, ah]| ah * found.step_volt).sum();
    assert!((area - 15.0).abs() < 0.05, "the area is the charge: {area} Ah");
    assert!(found.doubts.is_empty(), "3 A is C/20: {:?}", found.doubts);
}

/// The session's report as issued at its end.
fn issued(bench: &mut Bench, session: i64) -> ampledger_types::result::SessionReport {
    let report = bench.report(session);
    bench.store.save_report(session, 1, &report, &[]).unwrap();
    report
}

#[test]
fn a_session_is_shown_beside_the_packs_sessions_before_it() {
    // t = Cp / I^k with k = 1.1: the law itself, W. Peukert 1897 (from memory).
    let mut bench = Bench::new();
    bench.describe("bench-shunt", described_shunt());
    let mut reports = Vec::new();
    for ampere in [6.0_f64, 12.0, 24.0] {
        let session = bench.start();
        bench.for_seconds(60, |_| (26.8, 0.0));
        let lasts = 60.0 / ampere.powf(1.1) * 3600.0;
        bench.for_seconds(lasts as i64 + 20, |s| (26.4 - 6.4 * s / lasts, -ampere));
        bench.for_seconds(60, |_| (23.0, 0.0));
        bench.stop(session);
        reports.push(issued(&mut bench, session));
    }
    assert!(reports[1].further.peukert.is_none(), "two rates are no law");
    let peukert = reports[2].further.peukert.clone().unwrap();
    assert!((peukert.exponent - 1.1).abs() < 0.01, "{peukert:?}");
    assert!(peukert.exponent_standard.is_some(), "{peukert:?}");
    // An issued result does not change when another session follows.
    let first = reports[0].session.session.id;
    assert!(bench.report(first).further.peukert.is_none());
}
