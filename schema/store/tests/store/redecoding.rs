//! What was decoded again stands in for what it was decoded from, where its
//! time puts it, and never before it was written whole.

use std::sync::Arc;

use ampledger_store::{Batch, NumberedSample, Range, Reader, Refusal, Store, StoreError, Stretch};
use ampledger_types::{DecodeSet, Marker, MarkerKind, RunId};
use proptest::prelude::*;

use crate::shed::{at, read, run, samples, session, set, store};

fn stretch(run: RunId, from_t_us: i64, to_t_us: i64) -> Stretch {
    Stretch { source: "bench-shunt".to_owned(), run, from_t_us, to_t_us }
}

fn corrected() -> Arc<DecodeSet> {
    let config_digest = "corrected".to_owned();
    Arc::new(DecodeSet { config_digest, ..(*set("bench-shunt")).clone() })
}

/// The samples of these numbers as another decode set makes them.
fn again(run: RunId, numbers: std::ops::RangeInclusive<u64>) -> Vec<NumberedSample> {
    let set = corrected();
    let better = |mut sample: NumberedSample| {
        sample.decode_set = set.clone();
        sample.sample.values[1] *= 2.0;
        sample
    };
    samples(run, numbers).into_iter().map(better).collect()
}

fn decode(
    store: &mut Store,
    stretch: &Stretch,
    samples: Vec<NumberedSample>,
) -> Result<u64, StoreError> {
    let first = store.recorded_up_to() + 1;
    store.redecode(first, |to| {
        to.stretch(stretch.clone())?;
        samples.into_iter().try_for_each(|sample| to.sample(sample))
    })
}

fn append(store: &mut Store, samples: Vec<NumberedSample>) {
    store.append(&Batch { samples, ..Batch::default() }).unwrap();
}

fn currents(reader: &Reader, range: &Range) -> Vec<f64> {
    read(reader, range).iter().map(|s| s.sample.values[1]).collect()
}

#[test]
fn the_stretch_reads_as_it_was_decoded_last_and_in_order_of_time() {
    let (_dir, path, mut store) = store();
    let run = run(&mut store).id;
    append(&mut store, samples(run, 1..=10));
    decode(&mut store, &stretch(run, 300_000, 600_000), again(run, 3..=6)).unwrap();
    append(&mut store, samples(run, 15..=16));
    let reader = Reader::open(&path).unwrap();
    let all = read(&reader, &Range::everything());
    assert_eq!(reader.outline(&Range::everything()).unwrap(), None, "not in order of number");
    let numbers: Vec<u64> = all.iter().map(|s| s.seq).collect();
    assert_eq!(numbers, [1, 2, 11, 12, 13, 14, 7, 8, 9, 10, 15, 16]);
    assert!(all.is_sorted_by_key(|s| s.sample.t_us));
    assert_eq!(all.iter().filter(|s| s.decode_set.config_digest == "corrected").count(), 4);
}

#[test]
fn a_second_decoding_gives_way_to_none_of_the_first() {
    let (_dir, path, mut store) = store();
    let run = run(&mut store).id;
    append(&mut store, samples(run, 1..=6));
    decode(&mut store, &stretch(run, 0, 400_000), again(run, 1..=4)).unwrap();
    // The second finds one sample where the first found three.
    decode(&mut store, &stretch(run, 200_000, 600_000), again(run, 5..=5)).unwrap();
    let reader = Reader::open(&path).unwrap();
    let numbers: Vec<u64> = read(&reader, &Range::everything()).iter().map(|s| s.seq).collect();
    assert_eq!(numbers, [7, 11]);
}

#[test]
fn up_to_a_number_before_it_the_record_is_as_it_was() {
    let (_dir, path, mut store) = store();
    let run = run(&mut store).id;
    append(&mut store, samples(run, 1..=4));
    let newest = decode(&mut store, &stretch(run, 0, 400_000), again(run, 1..=4)).unwrap();
    let reader = Reader::open(&path).unwrap();
    let up_to = |seq| Range { up_to: Some(seq), ..Range::everything() };
    assert_eq!(currents(&reader, &up_to(4)), [-12.1; 4]);
    assert_eq!(currents(&reader, &up_to(newest)), [-24.2; 4]);
}

#[test]
fn other_sources_runs_and_times_are_left_alone() {
    let (_dir, path, mut store) = store();
    let (first, second) = (run(&mut store).id, run(&mut store).id);
    append(&mut store, samples(first, 1..=2));
    append(&mut store, samples(second, 3..=4));
    let mut clamp = samples(first, 5..=5);
    clamp[0].decode_set = set("clamp");
    clamp[0].sample.t_us = 100_000;
    append(&mut store, clamp);
    decode(&mut store, &stretch(first, 0, 150_000), again(first, 1..=1)).unwrap();
    let reader = Reader::open(&path).unwrap();
    let numbers: Vec<u64> = read(&reader, &Range::everything()).iter().map(|s| s.seq).collect();
    assert_eq!(numbers, [6, 2, 3, 4, 5]);
    let of_clamp = Range { sources: vec!["clamp".to_owned()], ..Range::everything() };
    assert_eq!(read(&reader, &of_clamp).len(), 1);
    assert_eq!(reader.redecodings(&of_clamp).unwrap(), []);
}

#[test]
fn markers_and_revisions_come_with_it_or_not_at_all() {
    let (_dir, path, mut store) = store();
    let run = run(&mut store).id;
    append(&mut store, samples(run, 1..=4));
    let session = session(&mut store, at(run, 0));
    let marker = Marker::new(at(run, 400_000), MarkerKind::Session, "decoded again".to_owned());
    let done = |store: &mut Store, id: i64| {
        store.redecode(5, |to| {
            to.stretch(stretch(run, 0, 400_000))?;
            again(run, 1..=4).into_iter().try_for_each(|sample| to.sample(sample))?;
            to.marker(&marker)?;
            to.grow(id)
        })
    };
    let error = done(&mut store, 99).unwrap_err();
    assert!(matches!(error, StoreError::Refused(Refusal::NoSuchSession { id: 99 })), "{error}");
    let reader = Reader::open(&path).unwrap();
    assert_eq!((store.recorded_up_to(), reader.recorded_up_to().unwrap()), (4, 4));
    assert_eq!(currents(&reader, &Range::everything()), [-12.1; 4]);
    assert_eq!(reader.session(session.id).unwrap().unwrap().revision, 1);

    assert_eq!(done(&mut store, session.id).unwrap(), 8);
    assert_eq!(currents(&reader, &Range::everything()), [-24.2; 4]);
    assert_eq!(reader.session(session.id).unwrap().unwrap().revision, 2);
    assert_eq!(reader.markers(at(run, 0), None).unwrap().len(), 1);
}

#[test]
fn a_sample_outside_the_stretch_or_no_sample_at_all_is_refused() {
    let (_dir, _path, mut store) = store();
    let run = run(&mut store).id;
    append(&mut store, samples(run, 1..=4));
    let outside = decode(&mut store, &stretch(run, 0, 150_000), again(run, 2..=2)).unwrap_err();
    assert!(matches!(outside, StoreError::Refused(Refusal::OutsideStretch { .. })), "{outside}");
    let empty = decode(&mut store, &stretch(run, 0, 150_000), Vec::new()).unwrap_err();
    assert!(matches!(empty, StoreError::Refused(Refusal::EmptyStretch { .. })), "{empty}");
    append(&mut store, samples(run, 5..=5));
}

/// Something that is done to the record: recorded, or decoded again.
#[derive(Clone, Debug)]
enum Act {
    Record(usize),
    Again { from: i64, length: i64, every: usize },
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        (1..30usize).prop_map(Act::Record),
        (0..60i64, 0..40i64, 1..4usize).prop_map(|(from, length, every)| Act::Again {
            from,
            length,
            every
        }),
    ]
}

proptest! {
    #[test]
    fn any_decodings_read_like_a_plain_list_in_which_they_were_replaced(
        acts in proptest::collection::vec(act(), 1..12),
    ) {
        let (_dir, path, mut store) = store();
        let run = run(&mut store).id;
        let mut plain: Vec<NumberedSample> = Vec::new();
        let mut recorded = 0u64;
        for act in acts {
            match act {
                Act::Record(count) => {
                    let mut new = samples(run, 1..=count as u64);
                    for sample in &mut new {
                        recorded += 1;
                        sample.seq += store.recorded_up_to();
                        sample.sample.t_us = recorded as i64;
                    }
                    append(&mut store, new.clone());
                    plain.extend(new);
                }
                Act::Again { from, length, every } => {
                    let stretch = stretch(run, from, from + length);
                    let inside: Vec<usize> = (0..plain.len())
                        .filter(|i| (from..=from + length).contains(&plain[*i].sample.t_us))
                        .collect();
                    let Some(&first) = inside.first() else { continue };
                    let mut new: Vec<NumberedSample> =
                        inside.iter().step_by(every).map(|i| plain[*i].clone()).collect();
                    let next = store.recorded_up_to() + 1;
                    for (i, sample) in new.iter_mut().enumerate() {
                        sample.decode_set = corrected();
                        sample.seq = next + i as u64;
                    }
                    decode(&mut store, &stretch, new.clone()).unwrap();
                    plain.retain(|s| !(from..=from + length).contains(&s.sample.t_us));
                    plain.splice(first..first, new);
                }
            }
        }
        let reader = Reader::open(&path).unwrap();
        prop_assert_eq!(&read(&reader, &Range::everything()), &plain);
        let mut columns = Vec::new();
        let done = reader.columns(&Range::everything(), |_| true, |block| {
            columns.extend(block.seqs.into_iter().zip(block.values[1].clone()));
            std::ops::ControlFlow::Continue(())
        });
        done.unwrap();
        let plain: Vec<_> = plain.iter().map(|s| (s.seq, s.sample.values[1])).collect();
        prop_assert_eq!(columns, plain);
    }
}

#[test]
fn a_long_decoding_reads_through_many_pages() {
    let (_dir, path, mut store) = store();
    let run = run(&mut store).id;
    append(&mut store, samples(run, 1..=20_000));
    decode(&mut store, &stretch(run, 0, 1_000_000_000), again(run, 1..=10_000)).unwrap();
    append(&mut store, samples(run, 40_000..=40_000));
    let reader = Reader::open(&path).unwrap();
    let all = read(&reader, &Range::everything());
    // All of the stretch gave way, the sample after it did not.
    assert_eq!(all.len(), 10_000 + 10_000 + 1);
    assert!(all.is_sorted_by_key(|s| s.sample.t_us));
}
