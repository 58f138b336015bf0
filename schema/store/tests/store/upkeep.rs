//! Thinning and compaction: what they take, what they never take, and that
//! nobody who reads notices the second.

use std::ops::ControlFlow;

use ampledger_store::{Batch, NumberedSample, Range, Reader, Store, Stretch};
use ampledger_types::{ClockObservation, RunId};

use crate::shed;

const HOUR: i64 = 3_600_000_000;
/// When the runs began, by the wall clock.
const BEGAN_US: i64 = 1_760_000_000_000_000;

fn append(store: &mut Store, samples: Vec<NumberedSample>) {
    store.append(&Batch { samples, ..Batch::default() }).unwrap();
}

fn everything(store: &Store) -> Vec<NumberedSample> {
    shed::read(&store.reader().unwrap(), &Range::everything())
}

/// A hundred hours at one sample a second, dated.
fn recorded(store: &mut Store) -> RunId {
    let run = shed::run(store).id;
    let seen = ClockObservation { t_us: 0, unix_us: BEGAN_US, synchronised: true };
    let observations = vec![("5d1c".to_owned(), seen)];
    store.append(&Batch { observations, ..Batch::default() }).unwrap();
    let mut samples = shed::samples(run, 1..=360_000);
    samples.iter_mut().for_each(|sample| sample.sample.t_us *= 10);
    append(store, samples);
    run
}

fn hours(samples: &[NumberedSample]) -> (i64, i64) {
    (samples[0].sample.t_us / HOUR, samples[samples.len() - 1].sample.t_us / HOUR)
}

#[test]
fn thinning_takes_what_is_old_in_steps_and_leaves_the_minutes() {
    let (_dir, path, mut store) = shed::store();
    let run = recorded(&mut store);
    let before = BEGAN_US + 50 * HOUR;
    let stretch =
        Stretch { source: "bench-shunt".into(), run, from_t_us: 0, to_t_us: 40 * HOUR - 1 };
    let overview =
        |store: &Store| store.reader().unwrap().overview(&stretch, HOUR, |_| true).unwrap();
    let (whole, shown) = (overview(&store), Reader::open(&path).unwrap().thinning(before).unwrap());
    // Whole chunks of 4096 seconds only: 43 of them end within 50 hours.
    assert_eq!(shown.samples(), 43 * 4096);
    assert_eq!(everything(&store).len(), 360_000, "it was only shown");

    let (mut taken, mut steps) = (0, 0);
    loop {
        let step = store.thin(before, 10).unwrap();
        (taken, steps) = (taken + step.samples(), steps + 1);
        if !step.is_more {
            break;
        }
    }
    assert_eq!((taken, steps), (43 * 4096, 5));
    let left = everything(&store);
    assert_eq!(left[0].seq, 43 * 4096 + 1);
    assert_eq!(left.len() as u64, 360_000 - taken);
    assert_eq!(overview(&store), whole, "the hours are still known");
    assert!(store.thin(before, 10).unwrap().sources.is_empty());
}

#[test]
fn sessions_what_came_before_them_and_evidence_are_never_thinned() {
    let (_dir, _path, mut store) = shed::store();
    let run = recorded(&mut store);
    let mut session = shed::session(&mut store, shed::at(run, 80 * HOUR));
    session.end = Some(shed::at(run, 82 * HOUR));
    store.put_session(&session).unwrap();
    let (from_t_us, to_t_us) = (3 * HOUR, 3 * HOUR + 1);
    let cited = Stretch { source: "bench-shunt".into(), run, from_t_us, to_t_us };
    let report = crate::round_trip::report(&session, "57.4 Ah");
    store.save_report(session.id, 1, &report, &[cited]).unwrap();
    store.thin(i64::MAX, usize::MAX).unwrap();
    let left = everything(&store);
    let at = |hour: i64| left.iter().any(|s| s.sample.t_us / HOUR == hour);
    assert!(at(3) && !at(6), "the evidence stays, its neighbours go");
    assert!((8..=82).all(at), "three days before the session stay, and the session");
    assert!(!at(85) && !at(90), "what came after goes");
    assert_eq!(hours(&left).0, 2);
}

#[test]
fn what_has_no_date_that_can_be_trusted_is_never_thinned() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let seen = ClockObservation { t_us: 0, unix_us: BEGAN_US, synchronised: false };
    let observations = vec![("5d1c".to_owned(), seen)];
    let samples = shed::samples(run, 1..=100_000);
    store.append(&Batch { samples, observations, ..Batch::default() }).unwrap();
    assert!(store.thin(i64::MAX, usize::MAX).unwrap().sources.is_empty());
}

#[test]
fn a_number_of_a_sample_that_was_thinned_is_not_given_again() {
    let (_dir, path, mut store) = shed::store();
    recorded(&mut store);
    store.seal().unwrap();
    // The newest chunk is not summed up yet: a later sample has it counted.
    let mut last = shed::samples(RunId(1), [360_001]);
    last[0].sample.t_us = 200 * HOUR;
    append(&mut store, last);
    store.seal().unwrap();
    store.thin(i64::MAX, usize::MAX).unwrap();
    drop(store);
    assert_eq!(Store::open(&path).unwrap().recorded_up_to(), 360_001);
}

#[test]
fn small_chunks_become_one_and_nobody_notices() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let samples = shed::samples(run, 1..=12_000);
    for part in samples.chunks(300) {
        append(&mut store, part.to_vec());
        store.seal().unwrap();
    }
    let reader = Reader::open(&path).unwrap();
    let mut found = Vec::new();
    let done = reader.samples(&Range::everything(), |sample| {
        // In the middle of reading: what it is about to read is put together.
        if found.len() % 1_000 == 500 {
            store.compact().unwrap();
        }
        found.push(sample);
        ControlFlow::Continue(())
    });
    done.unwrap();
    assert!(shed::same_bits(&found, &samples));
    while store.compact().unwrap() > 0 {}
    let db = rusqlite::Connection::open(&path).unwrap();
    let chunks: i64 = db.query_row("SELECT count(*) FROM chunk", [], |row| row.get(0)).unwrap();
    assert_eq!(chunks, 4, "of 40, each 13 of 300 but the last");
    assert!(shed::same_bits(&everything(&store), &samples));
}

#[test]
fn space_that_is_free_goes_back_to_the_disk_in_steps() {
    let (_dir, path, mut store) = shed::store();
    recorded(&mut store);
    store.thin(BEGAN_US + 90 * HOUR, usize::MAX).unwrap();
    drop(store);
    let bytes = || std::fs::metadata(&path).unwrap().len();
    let before = bytes();
    let mut store = Store::open(&path).unwrap();
    let (mut left, mut steps) = (store.shrink(8).unwrap(), 1);
    while left > 0 {
        left = store.shrink(8).unwrap();
        steps += 1;
    }
    drop(store);
    assert!(steps > 2 && bytes() + 2 * 8 * 4096 < before, "{before} {steps} {}", bytes());
}
