//! The charge that proves a pack full is looked for before the session, as far
//! as the pack can have been the same one.

use ampledger_report::{SAME_PACK, SessionFeed, compute};
use ampledger_types::result::{Figure, SessionReport, Status};
use ampledger_types::{Pack, Tag};

use super::bench::*;

fn described() -> Bench {
    let mut bench = Bench::new();
    bench.describe("bench-shunt", described_shunt());
    bench
}

/// The discharge as a session of its own; gives its number.
fn discharge_session(bench: &mut Bench) -> i64 {
    let session = bench.start();
    discharge_to_cutoff(bench);
    bench.stop(session);
    session
}

fn capacity(report: &SessionReport) -> &Figure {
    &report.results.capacity_to_cutoff_ah
}

#[track_caller]
fn provisional_because(report: &SessionReport, why: &str) {
    let figure = capacity(report);
    assert_eq!(figure.status, Status::Provisional, "{}", report.claim);
    assert!(figure.reasons.iter().any(|reason| reason.contains(why)), "{:?}", figure.reasons);
}

#[test]
fn a_charge_in_the_session_before_proves_the_pack_full() {
    let mut bench = described();
    let charge = bench.start();
    proving_charge(&mut bench);
    bench.stop(charge);
    let session = discharge_session(&mut bench);
    let report = bench.report(session);
    assert!(report.claim.contains("Proven: full at start (charged to 29.2 V"), "{}", report.claim);
    let reached = capacity(&report).finding("voltage reached").unwrap().moment.unwrap();
    assert!(reached.test_time_second < 0.0, "{reached:?}");
    let began = report.session.started.unix_time_second.unwrap();
    assert_eq!(reached.unix_time_second, Some(began + reached.test_time_second));
}

#[test]
fn a_charge_that_nobody_marked_proves_it_as_well() {
    let mut bench = described();
    proving_charge(&mut bench);
    let session = discharge_session(&mut bench);
    assert_eq!(capacity(&bench.report(session)).status, Status::Proven);
}

#[test]
fn a_charge_of_another_pack_proves_nothing() {
    let mut bench = described();
    bench.store.put_pack(&Pack { label: "GAL-12".to_owned(), ..gal_07() }).unwrap();
    let other = bench.start_about("GAL-12", &["bench-shunt"]);
    proving_charge(&mut bench);
    bench.stop(other);
    let session = discharge_session(&mut bench);
    let report = bench.report(session);
    provisional_because(&report, "no charge before the discharge is in the record");
}

#[test]
fn a_charge_before_another_pack_was_on_the_bench_proves_nothing() {
    let mut bench = described();
    proving_charge(&mut bench);
    bench.store.put_pack(&Pack { label: "GAL-12".to_owned(), ..gal_07() }).unwrap();
    let other = bench.start_about("GAL-12", &["bench-shunt"]);
    bench.for_seconds(60, |_| (26.8, 0.0));
    bench.stop(other);
    let session = discharge_session(&mut bench);
    let report = bench.report(session);
    provisional_because(&report, "no charge before the discharge is in the record");
}

#[test]
fn a_dark_stretch_breaks_custody_unless_a_person_says_that_it_is_the_same_pack() {
    let mut bench = described();
    proving_charge(&mut bench);
    bench.t_us += 300 * SECOND;
    let id = discharge_session(&mut bench);
    let report = bench.report(id);
    provisional_because(&report, "after the charge: the pack could have been swapped");
    let mut session = bench.reader().session(id).unwrap().unwrap();
    session.tags.push(Tag { key: SAME_PACK.to_owned(), value: None });
    bench.store.put_session(&session).unwrap();
    let report = bench.report(id);
    assert!(report.claim.contains("it is said to be the same pack"), "{}", report.claim);
    assert_eq!(capacity(&report).status, Status::Proven);
}

#[test]
fn over_a_reboot_the_charge_is_found_and_custody_is_broken() {
    let mut bench = described();
    proving_charge(&mut bench);
    let lasted = bench.t_us / SECOND - 100;
    bench.reboot("boot-b");
    bench.observe("boot-b", BEGAN_UNIX_SECOND + lasted + 40, true);
    let session = discharge_session(&mut bench);
    let report = bench.report(session);
    provisional_because(&report, "after the charge: the pack could have been swapped");
    assert!(capacity(&report).finding("voltage reached").is_some());
}

#[test]
fn a_break_of_unknown_length_ends_the_search() {
    let mut bench = described();
    proving_charge(&mut bench);
    bench.reboot("boot-b");
    bench.observe("boot-b", 1_000, false);
    let session = discharge_session(&mut bench);
    let report = bench.report(session);
    provisional_because(&report, "no charge before the discharge is in the record");
}

#[test]
fn another_instrument_since_the_charge_breaks_custody() {
    let mut bench = described();
    bench.answers("shunt 3");
    proving_charge(&mut bench);
    bench.answers("shunt 4");
    let session = discharge_session(&mut bench);
    provisional_because(&bench.report(session), "another instrument since the charge");
}

#[test]
fn a_charge_of_days_ago_is_found_and_its_rest_is_too_long() {
    let mut bench = described();
    proving_charge(&mut bench);
    // The meter is read every 8 s: so slowly 80 h fit in a test.
    for _ in 0..80 * 450 {
        bench.reads(26.8, 0.0);
        bench.t_us += 8 * SECOND;
    }
    let session = discharge_session(&mut bench);
    provisional_because(&bench.report(session), "rested 3 days, not 30 min to 24 h");
}

#[test]
fn what_was_before_is_the_same_live_and_from_the_store() {
    let mut bench = described();
    proving_charge(&mut bench);
    let session = bench.start();
    let (subject, view, reader) = (bench.subject(session), bench.view(), bench.reader());
    let mut live = SessionFeed::read(&reader, &subject, &view).unwrap();
    let before = bench.samples.len();
    discharge_to_cutoff(&mut bench);
    let (reader, view) = (bench.reader(), bench.view());
    for (count, stored) in bench.samples[before..].iter().enumerate() {
        live.feed(stored);
        if count % 3000 == 0 {
            let view = ampledger_report::View { up_to: Some(stored.seq), ..view.clone() };
            let computed = compute(&reader, session, &view).unwrap();
            assert_eq!(live.report(&subject, &view), computed);
        }
    }
    let report = live.report(&subject, &view);
    assert_eq!(report, compute(&reader, session, &view).unwrap());
    assert_eq!(capacity(&report).status, Status::Proven);
}

#[test]
fn a_session_of_another_pack_that_is_made_known_later_makes_a_feed_unfit() {
    let mut bench = described();
    proving_charge(&mut bench);
    let session = bench.start();
    let (subject, view) = (bench.subject(session), bench.view());
    let feed = SessionFeed::read(&bench.reader(), &subject, &view).unwrap();
    assert!(feed.fits(&bench.subject(session)));
    let (began, now) = (subject.session.start, bench.t_us);
    bench.t_us = began.t_us - 600 * SECOND;
    let other = bench.start_about("GAL-12", &["bench-shunt"]);
    bench.t_us += 60 * SECOND;
    bench.stop(other);
    bench.t_us = now;
    assert!(!feed.fits(&bench.subject(session)));
}
