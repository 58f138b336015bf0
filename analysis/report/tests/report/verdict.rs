//! A verdict is guarded: it passes or fails only where everything that it needs
//! is known, and says what is missing where it is not.

use ampledger_types::pack::RatingBasis;
use ampledger_types::result::{Decision, Limit, Verdict};
use ampledger_types::{Instrument, Pack, Quantity, Rating, Tag};

use super::bench::*;

/// GAL-07 rated as it is tested, held against a limit.
fn rated(limit: Limit) -> Pack {
    let rating = Rating {
        capacity_ah: 60.0,
        basis: Some(RatingBasis::CurrentAmpere(LOAD_AMPERE)),
        temperature_celsius: Some(25.0),
        end_voltage_volt: Some(20.0),
    };
    Pack { rating: Some(rating), limit: Some(limit), ..gal_07() }
}

/// A whole test at so many °C on the pack; gives the bench and the session.
fn tested(pack: Pack, shunt: Instrument, celsius: f64) -> (Bench, i64) {
    let mut bench = Bench::new();
    bench.store.put_pack(&pack).unwrap();
    bench.describe("bench-shunt", shunt);
    let probe = group(&[Quantity::SurfaceTemperature]);
    let session = bench.start();
    // Read once before the charge and once before the load: steady between.
    bench.says("bench-shunt", probe.clone(), vec![celsius]);
    proving_charge(&mut bench);
    bench.says("bench-shunt", probe, vec![celsius]);
    discharge_to_cutoff(&mut bench);
    bench.stop(session);
    (bench, session)
}

fn verdict_of((mut bench, session): (Bench, i64)) -> Verdict {
    bench.report(session).verdict.unwrap()
}

#[track_caller]
fn not_decided_because(verdict: &Verdict, why: &str) {
    assert_eq!(verdict.decision, Decision::NotDecided, "{verdict:?}");
    assert!(verdict.reasons.iter().any(|reason| reason.contains(why)), "{:?}", verdict.reasons);
}

#[test]
fn a_used_pack_passes_and_the_same_pack_fails_as_a_new_one() {
    let used = verdict_of(tested(rated(Limit::Used), described_shunt(), 24.0));
    assert_eq!((used.decision, used.limit_percent), (Decision::Passed, 80.0), "{used:?}");
    assert!((used.measured_percent.unwrap() - 57.4033 / 0.6).abs() < 0.001);
    assert!(used.uncertainty_percent.is_some_and(|u| u > 0.3 && u < 0.7), "{used:?}");
    let new = verdict_of(tested(rated(Limit::New), described_shunt(), 24.0));
    assert_eq!((new.decision, new.limit_percent), (Decision::Failed, 100.0), "{new:?}");
}

#[test]
fn what_lies_nearer_to_the_limit_than_its_uncertainty_is_not_decided() {
    let near = verdict_of(tested(rated(Limit::Percent(95.5)), described_shunt(), 24.0));
    not_decided_because(&near, "nearer to the limit of 95.5 % than its uncertainty");
    assert!(near.probability.is_some_and(|p| p > 0.5 && p < 0.95), "{near:?}");
}

#[test]
fn without_a_limit_there_is_no_verdict_and_a_tag_sets_one_for_a_session() {
    let unlimited = Pack { limit: None, ..rated(Limit::Used) };
    let (mut bench, id) = tested(unlimited, described_shunt(), 24.0);
    assert_eq!(bench.report(id).verdict, None);
    let mut session = bench.reader().session(id).unwrap().unwrap();
    session.tags.push(Tag { key: "limit".to_owned(), value: Some("used".to_owned()) });
    bench.store.put_session(&session).unwrap();
    assert_eq!(bench.report(id).verdict.unwrap().decision, Decision::Passed);
}

#[test]
fn a_test_off_the_rating_basis_prints_its_percentage_and_is_not_decided() {
    let mut pack = rated(Limit::Used);
    pack.rating.as_mut().unwrap().basis = Some(RatingBasis::HourRate(20.0));
    let verdict = verdict_of(tested(pack, described_shunt(), 24.0));
    not_decided_because(&verdict, "not run at the rate and end voltage of the rating");
    assert!(verdict.measured_percent.is_some());
    let mut pack = rated(Limit::Used);
    pack.rating.as_mut().unwrap().basis = None;
    let verdict = verdict_of(tested(pack, described_shunt(), 24.0));
    not_decided_because(&verdict, "the rating does not say at what rate");
}

#[test]
fn a_cold_pack_or_one_of_unknown_temperature_is_not_decided() {
    let verdict = verdict_of(tested(rated(Limit::Used), described_shunt(), 19.0));
    not_decided_because(&verdict, "the pack was at 19 °C, outside 20 to 30 °C");
    let mut bench = Bench::new();
    bench.store.put_pack(&rated(Limit::Used)).unwrap();
    bench.describe("bench-shunt", described_shunt());
    let session = bench.start();
    proving_charge(&mut bench);
    discharge_to_cutoff(&mut bench);
    bench.stop(session);
    not_decided_because(&verdict_of((bench, session)), "the temperature of the pack is not known");
}

#[test]
fn an_old_calibration_or_a_meter_nobody_described_is_not_decided() {
    let mut shunt = described_shunt();
    // 366 days before the test of 2026-03-01.
    shunt.accuracy.get_mut("current_ampere").unwrap().calibrated = Some("2025-02-28".to_owned());
    let verdict = verdict_of(tested(rated(Limit::Used), shunt, 24.0));
    not_decided_because(&verdict, "the meter was calibrated 366 days ago");
    let verdict = verdict_of(tested(rated(Limit::Used), Instrument::default(), 24.0));
    for why in ["the figure is not proven", "its uncertainty is not known", "date of the meter"] {
        not_decided_because(&verdict, why);
    }
}

#[test]
fn without_a_rating_or_a_discharge_the_verdict_says_so() {
    let mut bench = Bench::new();
    bench.store.put_pack(&Pack { rating: None, ..rated(Limit::Used) }).unwrap();
    let session = bench.start();
    bench.for_seconds(600, |_| (26.0, 0.0));
    bench.stop(session);
    let verdict = bench.report(session).verdict.unwrap();
    not_decided_because(&verdict, "the rating of the pack is not known");
    bench.store.put_pack(&rated(Limit::Used)).unwrap();
    not_decided_because(&bench.report(session).verdict.unwrap(), "there was no discharge");
}
