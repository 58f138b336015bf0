//! Zeros and calibrations are kept as they were taken, in order of the moments
//! from which they hold, and go along when a damaged store is salvaged.

use ampledger_store::{Refusal, Store, StoreError, salvage};
use ampledger_types::RunId;
use ampledger_types::calibration::{Calibrated, Calibration, Change, Line, Point, Zero};

use crate::shed;

fn zero(run: RunId, taken_us: i64, from_us: i64) -> Calibration {
    Calibration {
        id: 0,
        source: "bench-shunt".to_owned(),
        channel: Calibrated::Current,
        taken: shed::at(run, taken_us),
        from: shed::at(run, from_us),
        identity: None,
        change: Change::Zero(Zero {
            mean_ampere: 0.013,
            deviation_ampere: 0.002,
            standard_ampere: 0.000_2,
            count: 120,
            second: 119.0,
            drift_ampere: -0.000_1,
            celsius: None,
        }),
    }
}

fn line(run: RunId, t_us: i64) -> Calibration {
    let point = |raw: f64, truth: f64| Point { raw, truth, standard: 0.01 };
    Calibration {
        channel: Calibrated::Voltage,
        change: Change::Line(Line {
            gain: 0.999,
            offset: -0.002,
            points: [point(20.0, 19.98), point(30.0, 29.97)],
            scatter: 0.0,
            against: "two points".to_owned(),
        }),
        ..zero(run, t_us, t_us)
    }
}

#[test]
fn records_come_back_in_order_of_the_moments_from_which_they_hold() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let late = store.insert_calibration(&zero(run, 900, 800)).unwrap();
    let back = store.insert_calibration(&zero(run, 950, 100)).unwrap();
    let line = store.insert_calibration(&line(run, 500)).unwrap();
    assert_eq!((late.id, back.id, line.id), (1, 2, 3));
    let reader = store.reader().unwrap();
    let all = reader.calibrations(None).unwrap();
    assert_eq!(all, [back.clone(), line.clone(), late]);
    assert_eq!(reader.calibrations(Some(shed::at(run, 799))).unwrap(), [back, line]);
}

#[test]
fn a_record_that_is_no_number_is_refused() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let mut wrong = line(run, 5);
    if let Change::Line(line) = &mut wrong.change {
        line.gain = f64::NAN;
    }
    let refused = store.insert_calibration(&wrong).unwrap_err();
    assert!(matches!(refused, StoreError::Refused(Refusal::Unkeepable { .. })), "{refused}");
    assert!(store.reader().unwrap().calibrations(None).unwrap().is_empty());
}

#[test]
fn salvage_takes_them_along() {
    let (dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let kept = store.insert_calibration(&zero(run, 900, 800)).unwrap();
    drop(store);
    let new = dir.path().join("new.db");
    salvage(&path, &new, |_, _| std::ops::ControlFlow::Continue(())).unwrap();
    let reader = Store::open(&new).unwrap().reader().unwrap();
    assert_eq!(reader.calibrations(None).unwrap(), [kept]);
}
