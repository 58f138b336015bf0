//! Samples that are given in columns lie in the store as those that are given
//! one by one do.

use std::path::Path;
use std::sync::Arc;

use ampledger_store::{Batch, Block, NumberedSample, Range, Refusal, Store, StoreError};
use ampledger_types::{Quantity, RunId};
use proptest::prelude::*;
use rusqlite::types::Value;

use crate::shed;

/// The samples in blocks, a new one where the group changes and after so many.
fn blocks(samples: &[NumberedSample], most: usize) -> Vec<Block> {
    let mut blocks: Vec<Block> = Vec::new();
    for given in samples {
        let (run, decode_set) = (given.run, given.decode_set.clone());
        let goes_on = |block: &&mut Block| {
            Arc::ptr_eq(&block.group, &given.sample.group) && block.seqs.len() < most
        };
        if blocks.last_mut().filter(goes_on).is_none() {
            let values = vec![Vec::new(); given.sample.values.len()];
            let (seqs, t_us, instrument_t_us) = (Vec::new(), Vec::new(), Vec::new());
            let group = given.sample.group.clone();
            blocks.push(Block { run, decode_set, group, seqs, t_us, instrument_t_us, values });
        }
        let block = blocks.last_mut().unwrap();
        block.seqs.push(given.seq);
        block.t_us.push(given.sample.t_us);
        block.instrument_t_us.push(given.sample.instrument_t_us);
        block.values.iter_mut().zip(&given.sample.values).for_each(|(column, v)| column.push(*v));
    }
    blocks
}

fn append_blocks(store: &mut Store, blocks: Vec<Block>) -> Result<u64, StoreError> {
    store.append(&Batch { blocks, ..Batch::default() })
}

fn append_samples(store: &mut Store, samples: Vec<NumberedSample>) -> Result<u64, StoreError> {
    store.append(&Batch { samples, ..Batch::default() })
}

/// A table of the file, row by row.
fn rows(path: &Path, select: &str) -> Vec<Vec<Value>> {
    let db = rusqlite::Connection::open(path).unwrap();
    let mut find = db.prepare(select).unwrap();
    let columns = find.column_count();
    let row = |row: &rusqlite::Row<'_>| (0..columns).map(|i| row.get(i)).collect();
    find.query_map([], row).unwrap().map(Result::unwrap).collect()
}

/// Two groups, one after the other, with times as a meter's.
fn two_groups(run: RunId) -> Vec<NumberedSample> {
    let mut samples = shed::samples(run, 1..=20_000);
    let probe = shed::group(&[Quantity::Temperature(1), Quantity::Voltage]);
    for sample in &mut samples {
        sample.sample.instrument_t_us = (sample.seq % 3 > 0).then_some(sample.sample.t_us - 7);
        if sample.seq > 14_000 {
            sample.sample.group = probe.clone();
            sample.sample.values = vec![f64::NAN, sample.seq as f64 / 1000.0];
        }
    }
    samples
}

#[test]
fn columns_lie_on_disk_as_samples_do() {
    let (_one, by_samples, mut samples_in) = shed::store();
    let (_two, by_blocks, mut blocks_in) = shed::store();
    let samples = two_groups(shed::run(&mut samples_in).id);
    let all = blocks(&two_groups(shed::run(&mut blocks_in).id), 8192);
    append_samples(&mut samples_in, samples.clone()).unwrap();
    assert_eq!(append_blocks(&mut blocks_in, all).unwrap(), 20_000);
    assert!(shed::same_bits(
        &shed::read(&blocks_in.reader().unwrap(), &Range::everything()),
        &samples
    ));
    for store in [&mut samples_in, &mut blocks_in] {
        store.seal().unwrap();
    }
    let summary = |table: &str| {
        // The sums are rounded in another order.
        format!("SELECT channel, run, {table}, count, min, max, first, last FROM {table}")
    };
    let chunk = "SELECT channel_group, run, first_seq, last_seq, data FROM chunk \
                 JOIN chunk_data ON chunk = id ORDER BY id";
    // In the blocks' store a chunk ends with its group.
    assert_eq!(rows(&by_blocks, chunk).len(), 4 + 2);
    for select in [summary("minute"), summary("hour"), "SELECT * FROM summed".to_owned()] {
        assert_eq!(rows(&by_blocks, &select), rows(&by_samples, &select), "{select}");
    }
    let sum = |path| match rows(path, "SELECT sum(sum) FROM minute")[0][0] {
        Value::Real(sum) => sum,
        ref other => panic!("{other:?}"),
    };
    assert!((sum(&by_blocks) - sum(&by_samples)).abs() < 1e-6);
}

#[test]
fn whole_chunks_of_one_group_are_the_same_bytes() {
    let (_one, by_samples, mut samples_in) = shed::store();
    let (_two, by_blocks, mut blocks_in) = shed::store();
    let samples = shed::samples(shed::run(&mut samples_in).id, 1..=8_192);
    shed::run(&mut blocks_in);
    append_blocks(&mut blocks_in, blocks(&samples, 4096)).unwrap();
    append_samples(&mut samples_in, samples).unwrap();
    let chunk = "SELECT chunk.*, data FROM chunk JOIN chunk_data ON chunk = id ORDER BY id";
    assert_eq!(rows(&by_blocks, chunk).len(), 2);
    assert_eq!(rows(&by_blocks, chunk), rows(&by_samples, chunk));
}

#[test]
fn columns_given_again_are_left_as_they_are_and_a_taken_number_is_refused() {
    let (_dir, _, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let samples = shed::samples(run, 1..=9_000);
    append_blocks(&mut store, blocks(&samples[..6_000], 4096)).unwrap();
    append_blocks(&mut store, blocks(&samples, 9_000)).unwrap();
    let read = shed::read(&store.reader().unwrap(), &Range::everything());
    assert!(shed::same_bits(&read, &samples));

    let mut other = samples[..10].to_vec();
    other[7].sample.values[0] += 1.0;
    let refused = append_blocks(&mut store, blocks(&other, 10)).unwrap_err();
    let expected = Refusal::NumberTaken { seq: 8 };
    assert!(matches!(&refused, StoreError::Refused(why) if *why == expected), "{refused}");
}

#[test]
fn columns_of_other_lengths_and_numbers_out_of_order_are_refused() {
    let (_dir, _, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let good = blocks(&shed::samples(run, 1..=10), 10);
    let mut uneven = good.clone();
    uneven[0].values[1].pop();
    let mut disordered = good.clone();
    disordered[0].seqs.swap(3, 4);
    let twice = [good.clone(), good].concat();
    for (blocks, expected) in [
        (uneven, Refusal::Uneven { seq: 1 }),
        (disordered, Refusal::OutOfOrder { seq: 4, after: 5 }),
        (twice, Refusal::OutOfOrder { seq: 1, after: 10 }),
    ] {
        let refused = append_blocks(&mut store, blocks).unwrap_err();
        assert!(matches!(&refused, StoreError::Refused(why) if *why == expected), "{refused}");
        assert_eq!(store.recorded_up_to(), 0);
    }
}

proptest! {
    #[test]
    fn any_values_at_any_times_come_back_from_columns(
        given in proptest::collection::vec((shed::time(), shed::value(), shed::value()), 1..300),
        most in 1usize..200,
    ) {
        let (_dir, _, mut store) = shed::store();
        let run = shed::run(&mut store).id;
        let mut samples = shed::samples(run, 1..=given.len() as u64);
        for (sample, (t_us, a, b)) in samples.iter_mut().zip(&given) {
            sample.sample.t_us = *t_us;
            sample.sample.values = vec![*a, *b];
        }
        append_blocks(&mut store, blocks(&samples, most)).unwrap();
        let read = shed::read(&store.reader().unwrap(), &Range::everything());
        prop_assert!(shed::same_bits(&read, &samples));
    }
}
