//! Zeros and calibrations correct readings as they are read; results say which
//! they used, and nothing that is stored changes.

use ampledger_report::export::export_bdf_csv;
use ampledger_report::{SessionFeed, compute};
use ampledger_types::calibration::{Calibrated, Calibration, Change, Line, Point, Zero};
use ampledger_types::result::{SessionReport, Status};
use ampledger_types::{Bound, Instrument};

use super::bench::*;

/// What the meter reads where nothing flows, A.
const OFF: f64 = 0.013;

fn zero(mean_ampere: f64) -> Change {
    let standard_ampere = 0.0002;
    Change::Zero(Zero {
        mean_ampere,
        standard_ampere,
        deviation_ampere: 0.002,
        count: 100,
        second: 200.0,
        drift_ampere: 0.0,
        celsius: None,
    })
}

/// A record taken now that holds from a moment.
fn record(bench: &mut Bench, from: Bound, change: Change) {
    let new = Calibration {
        id: 0,
        source: "bench-shunt".to_owned(),
        channel: Calibrated::Current,
        taken: bench.now(),
        from,
        change,
        identity: None,
    };
    bench.store.insert_calibration(&new).unwrap();
}

/// The whole test on a meter that is off by so much; `between` comes before the
/// load. Gives the session's number.
fn off_test(bench: &mut Bench, shunt: Instrument, between: impl FnOnce(&mut Bench)) -> i64 {
    bench.describe("bench-shunt", shunt);
    let session = bench.start();
    bench.for_seconds(1800, |s| (26.6 + 2.6 * s / 1800.0, 20.0 + OFF));
    bench.for_seconds(1798, |s| (29.2, 20.0 + OFF - 18.1 * (s + 2.0) / 1800.0));
    bench.for_seconds(600, |s| (29.2, 1.9 + OFF - 1e-5 * s));
    bench.for_seconds(3660, |_| (26.8, OFF));
    between(bench);
    bench.for_seconds(120, |_| (26.8, OFF));
    bench.for_seconds(TO_CUTOFF_SECOND as i64 + 20, |s| (loaded_volt(s), OFF - LOAD_AMPERE));
    bench.for_seconds(120, |_| (23.0, OFF));
    session
}

fn delivered(report: &SessionReport) -> f64 {
    report.results.capacity_to_cutoff_ah.value.unwrap()
}

#[test]
fn a_zero_before_the_load_is_taken_off_named_and_dated() {
    let mut bench = Bench::new();
    let session = off_test(&mut bench, described_shunt(), |bench| {
        let now = bench.now();
        record(bench, now, zero(OFF));
    });
    bench.stop(session);
    let report = bench.report(session);
    let expected = LOAD_AMPERE * TO_CUTOFF_SECOND / 3600.0 + LOAD_AMPERE / 3600.0;
    assert!((delivered(&report) - expected).abs() < 1e-6, "{}", delivered(&report));
    // 2026-03-01 08:12 and 2 h 11 min of charge and rest.
    assert!(
        report.claim.contains("offset zeroed at 2026-03-01 10:23 UTC (+0.013 A)"),
        "{}",
        report.claim
    );
    assert_eq!(report.results.capacity_to_cutoff_ah.status, Status::Proven, "{}", report.claim);
    let used = &report.calibrations[0];
    assert_eq!((used.id, used.channel, report.calibrations.len()), (1, Calibrated::Current, 1));
    assert!(used.readings > 8_000 && used.readings < 9_000, "only from its date: {used:?}");
}

#[test]
fn a_zero_counts_before_there_is_a_discharge() {
    let mut bench = Bench::new();
    let mut shunt = described_shunt();
    let stated = shunt.accuracy.get_mut("current_ampere").unwrap();
    stated.offset = None;
    bench.describe("bench-shunt", shunt);
    let now = bench.now();
    record(&mut bench, now, zero(OFF));
    let session = bench.start();
    bench.for_seconds(120, |_| (26.2, OFF));
    bench.for_seconds(1800, |s| (26.6 + 2.6 * s / 1800.0, 20.0 + OFF));
    let claim = bench.report(session).claim;
    assert!(!claim.contains("neither stated by the meter nor measured"), "{claim}");
    assert!(claim.contains("no zero was taken after the run"), "{claim}");
}

#[test]
fn a_zero_that_holds_forward_leaves_what_was_read_before_it() {
    let mut bench = Bench::new();
    let session = off_test(&mut bench, described_shunt(), |_| {});
    bench.stop(session);
    let before = bench.report(session);
    bench.t_us += 60 * SECOND;
    let now = bench.now();
    record(&mut bench, now, zero(OFF));
    assert_eq!(bench.report(session), before);
}

#[test]
fn with_a_zero_after_the_run_applied_back_half_the_difference_is_what_is_left() {
    let mut bench = Bench::new();
    let mut shunt = described_shunt();
    shunt.accuracy.get_mut("current_ampere").unwrap().offset = None;
    let session = off_test(&mut bench, shunt, |bench| {
        let now = bench.now();
        record(bench, now, zero(OFF - 0.002));
    });
    bench.stop(session);
    let alone = bench.report(session);
    let why = "no zero was taken after the run: how far it moved is not known";
    let reasons = &alone.results.capacity_to_cutoff_ah.reasons;
    assert!(reasons.iter().any(|reason| reason == why), "{reasons:?}");
    bench.t_us += 60 * SECOND;
    let start = bench.reader().session(session).unwrap().unwrap().start;
    record(&mut bench, start, zero(OFF + 0.002));
    let report = bench.report(session);
    let expected = LOAD_AMPERE * TO_CUTOFF_SECOND / 3600.0 + LOAD_AMPERE / 3600.0;
    assert!((delivered(&report) - expected).abs() < 1e-6, "the mean of both is taken off");
    let figure = &report.results.capacity_to_cutoff_ah;
    assert_eq!(figure.status, Status::Proven, "{}", report.claim);
    let terms = &figure.budget.as_ref().unwrap().terms;
    let moved = terms.iter().find(|term| term.name == "zero moved").unwrap();
    assert!((moved.half_width - 0.002 * 17_222.0 / 3600.0).abs() < 1e-5, "{moved:?}");
}

#[test]
fn an_old_zero_is_doubted() {
    let mut bench = Bench::new();
    let now = bench.now();
    record(&mut bench, now, zero(OFF));
    bench.t_us += 25 * 3600 * SECOND;
    let session = off_test(&mut bench, described_shunt(), |_| {});
    bench.stop(session);
    let reasons = bench.report(session).results.capacity_to_cutoff_ah.reasons;
    assert!(reasons.iter().any(|r| r.contains("the offset was taken 27 h before")), "{reasons:?}");
}

#[test]
fn a_calibration_by_two_points_takes_the_place_of_the_stated_gain() {
    let mut bench = Bench::new();
    // The meter reads 0.5 % too much; the points are known to 0.02 A.
    let point = |truth: f64| Point { raw: truth * 1.005, truth, standard: 0.02 };
    let points = [point(-40.0), point(40.0)];
    let line = Line {
        gain: 1.0 / 1.005,
        offset: 0.0,
        points,
        scatter: 0.0,
        against: "two points".to_owned(),
    };
    let now = bench.now();
    record(&mut bench, now, Change::Line(line));
    bench.describe("bench-shunt", described_shunt());
    let session = bench.start();
    let read = |ampere: f64| ampere * 1.005;
    bench.for_seconds(1800, |s| (26.6 + 2.6 * s / 1800.0, read(20.0)));
    bench.for_seconds(1798, |s| (29.2, read(20.0 - 18.1 * (s + 2.0) / 1800.0)));
    bench.for_seconds(600, |s| (29.2, read(1.9 - 1e-5 * s)));
    bench.for_seconds(3660, |_| (26.8, 0.0));
    bench.for_seconds(TO_CUTOFF_SECOND as i64 + 20, |s| (loaded_volt(s), read(-LOAD_AMPERE)));
    bench.for_seconds(120, |_| (23.0, 0.0));
    bench.stop(session);
    let report = bench.report(session);
    let expected = LOAD_AMPERE * TO_CUTOFF_SECOND / 3600.0 + LOAD_AMPERE / 3600.0;
    assert!((delivered(&report) - expected).abs() < 1e-6, "{}", delivered(&report));
    let terms = report.results.capacity_to_cutoff_ah.budget.unwrap().terms;
    let gain = terms.iter().find(|term| term.name == "gain of the current").unwrap();
    // JCGM 100, 5.1.2: at −12 A between −40 and 40 A, u² = (0.65² + 0.35²) · 0.02².
    let u = (0.65_f64.powi(2) + 0.35_f64.powi(2)).sqrt() * 0.02 / 12.0 * expected;
    assert!((gain.standard - u).abs() < 1e-4, "{gain:?}, {u} expected");
}

#[test]
fn live_store_and_export_are_corrected_alike() {
    let mut bench = Bench::new();
    let now = bench.now();
    record(&mut bench, now, zero(OFF));
    let session = off_test(&mut bench, described_shunt(), |_| {});
    let (subject, view, reader) = (bench.subject(session), bench.view(), bench.reader());
    let mut live = SessionFeed::new(&subject);
    bench.samples.iter().for_each(|stored| {
        live.feed(stored);
    });
    let report = live.report(&subject, &view);
    assert_eq!(report, compute(&reader, session, &view).unwrap());
    let mut table = Vec::new();
    let exported = export_bdf_csv(&reader, session, &view, &mut table).unwrap();
    assert_eq!(exported.report, report);
    let text = String::from_utf8(table).unwrap();
    let first = text.lines().nth(1).unwrap().split(',').nth(3).unwrap();
    assert_eq!(first.parse::<f64>().unwrap(), 20.0 + OFF - OFF, "the export is corrected");
    let mut raw = None;
    let all = ampledger_store::Range::everything();
    reader
        .samples(&all, |stored| {
            raw = raw.or(Some(stored.sample.values[1]));
            std::ops::ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!(raw, Some(20.0 + OFF), "what is stored stays");
    let now = bench.now();
    record(&mut bench, now, zero(0.02));
    assert!(!live.fits(&bench.subject(session)), "another zero");
}
