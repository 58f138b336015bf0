//! Samples leave the tail for chunks; nobody who reads notices, but for what
//! a damaged chunk takes with it.

use std::ops::ControlFlow;
use std::path::Path;

use ampledger_store::{Batch, NumberedSample, Range, Reader, Refusal, Store, StoreError};
use ampledger_types::{Quantity, RunId};

use crate::shed;

fn append(store: &mut Store, samples: Vec<NumberedSample>) {
    store.append(&Batch { samples, ..Batch::default() }).unwrap();
}

fn everything(reader: &Reader) -> Vec<NumberedSample> {
    shed::read(reader, &Range::everything())
}

/// Samples of each chunk, and those in the tail.
fn layout(path: &Path) -> (Vec<i64>, i64) {
    let db = rusqlite::Connection::open(path).unwrap();
    let mut find = db.prepare("SELECT samples FROM chunk ORDER BY first_seq, id").unwrap();
    let chunks = find.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect();
    (chunks, db.query_row("SELECT count(*) FROM tail", [], |row| row.get(0)).unwrap())
}

/// Two groups whose frames alternate, both with the same times.
fn alternating(run: RunId, pairs: u64) -> Vec<NumberedSample> {
    let mut samples = shed::samples(run, 1..=2 * pairs);
    let probe = shed::group(&[Quantity::Temperature(1)]);
    for sample in &mut samples {
        sample.sample.t_us = (sample.seq.cast_signed() - 1) / 2 * 100_000;
        if sample.seq % 2 == 0 {
            sample.sample.group = probe.clone();
            sample.sample.values = vec![21.5];
        }
    }
    samples
}

#[test]
fn groups_whose_frames_alternate_seal_into_full_chunks_each() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let samples = alternating(run, 8_192 + 5);
    for second in samples.chunks(50) {
        append(&mut store, second.to_vec());
    }
    assert_eq!(layout(&path), (vec![4096; 4], 10));
    assert!(shed::same_bits(&everything(&store.reader().unwrap()), &samples));
}

#[test]
fn samples_of_the_same_time_are_all_kept() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let mut samples = shed::samples(run, 1..=9_000);
    samples.iter_mut().for_each(|sample| sample.sample.t_us /= 1_000_000_000);
    append(&mut store, samples.clone());
    assert_eq!(layout(&path), (vec![4096; 2], 808));
    assert!(shed::same_bits(&everything(&store.reader().unwrap()), &samples));
}

#[test]
fn a_slow_group_is_sealed_when_it_has_taken_an_hour_and_with_the_end_of_its_run() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let mut samples = shed::samples(run, 1..=200);
    samples.iter_mut().for_each(|sample| sample.sample.t_us *= 240);
    for sample in &samples {
        append(&mut store, vec![sample.clone()]);
    }
    assert_eq!(layout(&path), (vec![151], 49));
    shed::run(&mut store);
    assert_eq!(layout(&path), (vec![151, 49], 0));
    assert!(shed::same_bits(&everything(&store.reader().unwrap()), &samples));
}

#[test]
fn a_reader_in_the_middle_misses_nothing_and_repeats_nothing_while_samples_are_sealed() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let samples = alternating(run, 5_000);
    append(&mut store, samples.clone());
    let reader = store.reader().unwrap();
    let mut found = Vec::new();
    let done = reader.samples(&Range::everything(), |sample| {
        if found.len() % 3_000 == 1_000 {
            let next = store.recorded_up_to() + 1;
            append(&mut store, shed::samples(run, next..next + 900));
            store.seal().unwrap();
        }
        found.push(sample);
        ControlFlow::Continue(())
    });
    done.unwrap();
    assert!(shed::same_bits(&found, &samples));
}

#[test]
fn a_sealed_batch_can_be_given_again_and_a_number_in_it_is_never_given_to_another() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let samples = shed::samples(run, 1..=5_000);
    append(&mut store, samples.clone());
    drop(store);
    let mut store = Store::open(&path).unwrap();
    let mut again = samples[4_000..].to_vec();
    again.extend(shed::samples(run, 5_001..=5_002));
    append(&mut store, again.clone());
    assert_eq!(everything(&store.reader().unwrap()).len(), 5_002);
    again[3].sample.t_us += 1;
    let taken = store.append(&Batch { samples: again, ..Batch::default() }).unwrap_err();
    assert_eq!(taken, StoreError::Refused(Refusal::NumberTaken { seq: 4_004 }));
}

#[test]
fn a_damaged_chunk_is_named_and_the_rest_is_read() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let samples = shed::samples(run, 1..=12_288);
    append(&mut store, samples.clone());
    drop(store);
    let db = rusqlite::Connection::open(&path).unwrap();
    let id: i64 =
        db.query_row("SELECT id FROM chunk WHERE first_seq = 4097", [], |row| row.get(0)).unwrap();
    let mut data: Vec<u8> = db
        .query_row("SELECT data FROM chunk_data WHERE chunk = ?1", [id], |row| row.get(0))
        .unwrap();
    let middle = data.len() / 2;
    data[middle] ^= 4;
    db.execute("UPDATE chunk_data SET data = ?2 WHERE chunk = ?1", (id, data)).unwrap();
    drop(db);

    let reader = Reader::open(&path).unwrap();
    assert_eq!(reader.damaged_chunks(), []);
    let mut left = samples.clone();
    left.drain(4096..8192);
    for _ in 0..2 {
        assert!(shed::same_bits(&everything(&reader), &left));
    }
    let damaged = reader.damaged_chunks();
    assert_eq!(damaged.len(), 1);
    let found = &damaged[0];
    assert_eq!((found.id, found.samples, found.source.as_str()), (id, 4096, "bench-shunt"));
    assert_eq!((found.from.t_us, found.to.t_us), (409_700_000, 819_200_000));
    assert_eq!(found.detail, "its checksum does not fit");
    // Recording goes on.
    let mut store = Store::open(&path).unwrap();
    append(&mut store, shed::samples(run, 12_289..=12_300));
    assert_eq!(everything(&store.reader().unwrap()).len(), 8_192 + 12);
}
