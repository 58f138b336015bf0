//! The verdict, and the conditions it needs: each with a case that meets it and
//! one that just fails.

mod bench;

use ampledger_methods::Rules;
use ampledger_methods::rating::on_basis;
use ampledger_methods::temperature::moved_kelvin;
use ampledger_methods::verdict::{Conditions, Decision, Limit, Verdict, judge};
use ampledger_types::RatingBasis;
use ampledger_types::pack::Rating;

const GOOD: Conditions = Conditions {
    is_proven: true,
    on_rating_basis: Some(true),
    pack_celsius: Some(24.0),
    moved_kelvin: Some(1.0),
    calibration_age_day: Some(30.0),
};

fn verdict(conditions: Conditions) -> Verdict {
    judge(95.7, Some(0.8), Limit::Used, &conditions, &Rules::default())
}

fn decided(conditions: Conditions) -> bool {
    let verdict = verdict(conditions);
    assert_eq!(verdict.reasons.is_empty(), verdict.decision != Decision::NotDecided);
    verdict.decision == Decision::Pass
}

#[test]
fn a_new_pack_needs_all_of_its_rating_and_a_used_one_eighty_percent() {
    let of = |limit: Limit| judge(95.7, Some(0.8), limit, &GOOD, &Rules::default());
    assert_eq!(of(Limit::New).decision, Decision::Fail);
    assert_eq!(of(Limit::Used).decision, Decision::Pass);
    assert_eq!(of(Limit::Own(95.0)).decision, Decision::NotDecided);
    assert_eq!(of(Limit::Own(94.8)).decision, Decision::Pass);
    assert!(of(Limit::Own(95.0)).reasons[0].contains("nearer to the limit"));
    assert_eq!(of(Limit::Own(95.0)).unguarded, Decision::Pass);
}

#[test]
fn without_an_uncertainty_nothing_is_decided() {
    let verdict = judge(95.7, None, Limit::Used, &GOOD, &Rules::default());
    assert_eq!((verdict.decision, verdict.probability), (Decision::NotDecided, None));
    let verdict = judge(f64::NAN, Some(1.0), Limit::Used, &GOOD, &Rules::default());
    assert_eq!(verdict.decision, Decision::NotDecided);
}

#[test]
fn it_needs_a_proven_figure_at_the_ratings_rate() {
    assert!(decided(GOOD));
    assert!(!decided(Conditions { is_proven: false, ..GOOD }));
    assert!(!decided(Conditions { on_rating_basis: None, ..GOOD }));
    assert!(!decided(Conditions { on_rating_basis: Some(false), ..GOOD }));
    // TUG-3: a 20 h rating tested at 8 h is not decided.
    let rating = Rating {
        capacity_ah: 80.0,
        basis: Some(RatingBasis::HourRate(20.0)),
        temperature_celsius: None,
        end_voltage_volt: Some(10.5),
    };
    let on = |ampere: f64, volt: f64| on_basis(&rating, ampere, Some(volt), &Rules::default());
    assert_eq!(
        (on(-4.19, 10.5), on(-4.21, 10.5), on(-10.0, 10.5)),
        (Some(true), Some(false), Some(false))
    );
    assert_eq!((on(-4.0, 10.6), on(-4.0, 10.61)), (Some(true), Some(false)));
    let silent = Rating { basis: None, ..rating };
    assert_eq!(on_basis(&silent, -4.0, Some(10.5), &Rules::default()), None);
}

#[test]
fn it_needs_the_packs_own_temperature_from_20_to_30_degrees_and_soaked() {
    let at = |celsius: f64| decided(Conditions { pack_celsius: Some(celsius), ..GOOD });
    assert_eq!((at(20.0), at(30.0), at(19.9), at(30.1)), (true, true, false, false));
    assert!(!decided(Conditions { pack_celsius: None, ..GOOD }));
    let moved = |kelvin: f64| decided(Conditions { moved_kelvin: Some(kelvin), ..GOOD });
    assert_eq!((moved(2.0), moved(2.1)), (true, false));
    assert!(!decided(Conditions { moved_kelvin: None, ..GOOD }));
}

#[test]
fn how_far_a_temperature_moved_is_looked_at_over_the_hour_before() {
    let minute = |n: i64| n * 60_000_000;
    let readings: Vec<(i64, f64)> =
        (0..=120).map(|n| (minute(n), 18.0 + n as f64 * 0.05)).collect();
    let moved = |at: i64| moved_kelvin(&readings, minute(at), &Rules::default());
    assert!(moved(120).is_some_and(|k| (k - 3.0).abs() < 1e-9));
    assert!(moved(60).is_some());
    assert_eq!(moved(59), None, "not an hour of readings");
}

#[test]
fn it_needs_a_calibration_within_twelve_months() {
    let age = |days: f64| decided(Conditions { calibration_age_day: Some(days), ..GOOD });
    assert_eq!((age(365.0), age(366.0)), (true, false));
    assert!(!decided(Conditions { calibration_age_day: None, ..GOOD }));
}
