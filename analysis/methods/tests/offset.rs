//! Zeroing and calibration: each bench rule with a case that meets it and one
//! that just fails.

mod bench;

use ampledger_methods::calibration::{Calibrated, Change, Correction, Corrections, Point, Record};
use ampledger_methods::offset::{Found, Lead, Taken, Zero, judge, left};
use ampledger_methods::{Row, Rules, Setting, budget};
use bench::proven::Noise;
use bench::{near, row};

fn shunt() -> Setting {
    Setting { current_range: Some(100.0), current_resolution: Some(0.001), ..Setting::default() }
}

/// Readings each second: an offset, a drift over the whole time, and noise.
fn readings(count: usize, offset: f64, drift: f64, noise: f64) -> Vec<(i64, f64)> {
    let mut random = Noise(5);
    let at = |n: usize| n as f64 / count as f64;
    (0..count)
        .map(|n| (n as i64 * 1_000_000, offset + drift * at(n) + noise * random.bell()))
        .collect()
}

fn refused(found: &Found, says: &str) {
    match found {
        Found::Refused(why) => assert!(why.contains(says), "{why}"),
        other => panic!("not refused: {other:?}"),
    }
}

fn offset(found: Found) -> Zero {
    match found {
        Found::Offset(zero) => zero,
        other => panic!("no offset: {other:?}"),
    }
}

#[test]
fn an_offset_has_its_mean_spread_count_and_duration() {
    let zero = offset(judge(&readings(200, 0.013, 0.0, 0.004), Lead::Disconnected, &shunt()));
    assert!((zero.mean_ampere - 0.013).abs() < 3.0 * zero.standard_ampere);
    assert!(near(zero.deviation_ampere, 0.004, 0.2));
    assert_eq!((zero.count, zero.second), (140, 139.0), "a minute is left to settle");
    assert!(near(zero.standard_ampere, zero.deviation_ampere / 140.0_f64.sqrt(), 1e-9));
}

#[test]
fn it_takes_a_minute_to_settle_sixty_seconds_and_sixty_readings() {
    let judge = |readings: &[(i64, f64)]| judge(readings, Lead::Disconnected, &shunt());
    offset(judge(&readings(121, 0.01, 0.0, 0.002)));
    refused(&judge(&readings(120, 0.01, 0.0, 0.002)), "it takes 60 over 60 s");
    refused(&judge(&readings(50, 0.01, 0.0, 0.002)), "left to settle");
    let mut slow = readings(200, 0.01, 0.0, 0.002);
    slow.iter_mut().for_each(|r| r.0 *= 2);
    slow.truncate(30 + 59);
    refused(&judge(&slow), "59 readings");
    refused(&judge(&[]), "no readings");
}

#[test]
fn a_current_is_no_offset() {
    let judge =
        |ampere: f64| judge(&readings(200, ampere, 0.0, 0.002), Lead::Disconnected, &shunt());
    offset(judge(0.99));
    refused(&judge(1.01), "a current flows");
    refused(&judge(-1.01), "a current flows");
}

#[test]
fn a_drift_is_no_offset() {
    let judge =
        |drift: f64| judge(&readings(200, 0.01, drift, 0.002), Lead::Disconnected, &shunt());
    offset(judge(0.0));
    refused(&judge(0.01), "drift");
    // Less than half a step of the meter is none.
    let still: Vec<_> = (0..200).map(|n| (n * 1_000_000, 0.013)).collect();
    offset(ampledger_methods::offset::judge(&still, Lead::Disconnected, &shunt()));
}

#[test]
fn exact_zeros_are_a_dead_band_and_a_resting_lead_is_a_draw() {
    let zeros = readings(200, 0.0, 0.0, 0.0);
    assert!(matches!(judge(&zeros, Lead::Disconnected, &shunt()), Found::DeadBand(_)));
    let mut one = zeros.clone();
    one[150].1 = 0.001;
    assert!(matches!(judge(&one, Lead::Disconnected, &shunt()), Found::Offset(_)));
    let resting = readings(200, -0.035, 0.0, 0.002);
    assert!(matches!(judge(&resting, Lead::Connected, &shunt()), Found::Draw(_)));
}

fn taken(mean: f64, hour: f64, celsius: Option<f64>) -> Taken {
    let us = (hour * 3.6e9) as i64;
    let zero = offset(judge(&readings(200, mean, 0.0, 0.0), Lead::Disconnected, &shunt()));
    let zero = Zero { mean_ampere: mean, to_us: us, ..zero };
    Taken { zero, celsius }
}

#[test]
fn half_the_difference_of_two_zeros_is_a_rectangular_term() {
    let (before, after) = (taken(0.010, 0.0, None), taken(0.016, 6.0, None));
    let (left, doubts) = left(&before, Some(&after), (0, None), &Rules::default());
    assert_eq!(doubts, Vec::<String>::new());
    assert!(near(left.offset_ampere, 0.013, 1e-9));
    let setting = Setting { zero_left: Some(left), current_gain_percent: Some(0.1), ..shunt() };
    let exposure = budget::Exposure { charge_ah: 60.0, hour: 5.0, ..Default::default() };
    let budget = budget::charge(&exposure, &setting);
    let moved = budget.term("zero moved").unwrap();
    assert!(near(moved.half_width, 0.003 * 5.0, 1e-9));
    assert!(near(moved.standard, 0.015 / 3.0_f64.sqrt(), 1e-9));
    assert!(budget.term("zero of the current").is_some() && budget.expanded.is_some());
}

#[test]
fn a_zero_older_than_a_day_or_ten_kelvin_apart_or_alone_is_doubted() {
    let doubts = |run_hour: f64, run_celsius: f64, is_alone: bool| {
        let (before, after) = (taken(0.01, 0.0, Some(20.0)), taken(0.01, 30.0, None));
        let run = ((run_hour * 3.6e9) as i64, Some(run_celsius));
        left(&before, Some(&after).filter(|_| !is_alone), run, &Rules::default()).1.len()
    };
    assert_eq!((doubts(23.9, 20.0, false), doubts(24.1, 20.0, false)), (0, 1));
    assert_eq!((doubts(1.0, 30.0, false), doubts(1.0, 30.1, false)), (0, 1));
    assert_eq!(doubts(1.0, 20.0, true), 1);
}

fn point(raw: f64, truth: f64) -> Point {
    Point { raw, truth, standard: 0.01 }
}

#[test]
fn a_reference_meter_gives_gain_offset_and_scatter() {
    let mut noise = Noise(11);
    let points: Vec<Point> =
        (0..50).map(f64::from).map(|x| point(x, 0.02 + 0.999 * x + 0.005 * noise.bell())).collect();
    let correction = Correction::reference(&points).unwrap();
    assert!((correction.gain - 0.999).abs() < 3e-4 && (correction.offset - 0.02).abs() < 5e-3);
    assert!(near(correction.scatter, 0.005, 0.3));
    assert!(correction.standard(25.0) >= correction.scatter);
    assert!(correction.is_beyond(50.0) && !correction.is_beyond(49.0));
    assert_eq!(Correction::two_point(point(1.0, 1.0), point(1.0, 2.0)), None);
    assert_eq!(Correction::two_point(point(0.0, 0.0), point(1.0, -1.0)), None, "a sign turned");
}

#[test]
fn calibrations_hold_from_their_date_for_their_channel_and_are_named_where_used() {
    let record = |name: &str, of, from_us: i64, gain: f64| Record {
        name: name.to_owned(),
        of,
        source: 0,
        from_us,
        change: Change::Line(
            Correction::two_point(point(0.0, 0.0), point(10.0, 10.0 * gain)).unwrap(),
        ),
    };
    let mut corrections = Corrections::new(vec![
        record("of May", Calibrated::Current, 20_000_000, 1.02),
        record("of April", Calibrated::Current, 10_000_000, 1.01),
        record("volts", Calibrated::Voltage, 90_000_000, 2.0),
    ]);
    let mut apply = |second: f64, source: usize| {
        let raw = Row { source, ..row(second, -12.0, 26.0) };
        let corrected = corrections.apply(&raw);
        assert_eq!(corrected.voltage_volt, Some(26.0), "not yet");
        corrected.current_ampere.unwrap()
    };
    assert!(near(apply(9.0, 0), -12.0, 1e-12), "before its date");
    assert!(near(apply(10.0, 0), -12.12, 1e-12));
    assert!(near(apply(20.0, 0), -12.24, 1e-12), "the later one, not both");
    assert!(near(apply(20.0, 1), -12.0, 1e-12), "another source");
    let used: Vec<_> = corrections.used().map(|(r, n)| (r.name.as_str(), n)).collect();
    assert_eq!(used, [("of April", 1), ("of May", 1)]);
}

#[test]
fn a_zero_keeps_the_gain_before_it_and_a_calibration_after_it_stands_alone() {
    let record = |from_us: i64, change| Record {
        name: from_us.to_string(),
        of: Calibrated::Current,
        source: 0,
        from_us,
        change,
    };
    let line = |gain: f64, offset: f64| {
        let low = point(0.0, offset);
        Change::Line(Correction::two_point(low, point(10.0, offset + 10.0 * gain)).unwrap())
    };
    let mut corrections = Corrections::new(vec![
        record(10, Change::Zero(0.5)),
        record(20, line(1.01, -0.1)),
        record(30, Change::Zero(0.2)),
        record(40, Change::Zero(0.3)),
        record(50, line(1.02, 0.0)),
    ]);
    let mut at = |t_us: i64| {
        corrections.apply(&Row { t_us, ..row(0.0, 10.0, 26.0) }).current_ampere.unwrap()
    };
    assert!(near(at(10), 9.5, 1e-12), "a zero alone");
    assert!(near(at(20), 10.0, 1e-12), "the calibration has its own offset");
    assert!(near(at(30), 1.01 * 9.8, 1e-12));
    assert!(near(at(40), 1.01 * 9.7, 1e-12), "the later zero, not both");
    assert!(near(at(50), 10.2, 1e-12));
}

#[test]
fn a_calibrations_uncertainty_takes_the_place_of_the_meters_accuracy() {
    let high = Point { raw: 40.1, truth: 40.0, standard: 0.02 };
    let low = Point { raw: 0.14, truth: 0.0, standard: 0.003 };
    let correction = Correction::two_point(low, high).unwrap();
    let setting = Setting {
        current_gain_percent: Some(correction.gain_percent(20.12)),
        current_offset: Some(0.0),
        ..Setting::default()
    };
    let exposure = budget::Exposure { charge_ah: 20.0, hour: 1.0, ..Default::default() };
    let budget = budget::charge(&exposure, &setting);
    let gain = budget.term("gain of the current").unwrap().standard;
    assert!(near(gain, correction.standard(20.12), 1e-9), "20 A for an hour");
}
