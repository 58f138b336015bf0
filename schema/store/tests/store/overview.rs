//! Overviews say what the samples say, at any width, and read none of them
//! where summaries do.

use std::collections::BTreeMap;
use std::path::Path;

use ampledger_store::{
    Batch, NumberedSample, Range, Reader, Store, Stretch, Summary, overview_width_us,
};
use ampledger_types::{Bound, Quantity, RunId};
use proptest::prelude::*;

use crate::shed;

const MINUTE: i64 = 60_000_000;

/// A voltage at each of these times.
fn voltages(run: RunId, first: u64, times: &[i64]) -> Vec<NumberedSample> {
    let mut samples = shed::samples(run, (first..).take(times.len()));
    let group = shed::group(&[Quantity::Voltage]);
    for (sample, t_us) in samples.iter_mut().zip(times) {
        sample.sample.group = group.clone();
        sample.sample.t_us = *t_us;
        sample.sample.values = vec![((*t_us / 7) % 1000) as f64 / 100.0];
    }
    samples
}

fn append(store: &mut Store, samples: Vec<NumberedSample>) {
    store.append(&Batch { samples, ..Batch::default() }).unwrap();
}

fn stretch(run: RunId, from_t_us: i64, to_t_us: i64) -> Stretch {
    Stretch { source: "bench-shunt".to_owned(), run, from_t_us, to_t_us }
}

/// What it should be, from the samples as they are read.
fn expected(reader: &Reader, stretch: &Stretch, width: i64) -> BTreeMap<i64, Summary> {
    let at = |t_us| Bound { run: stretch.run, t_us };
    let range = Range {
        sources: vec![stretch.source.clone()],
        from: at(stretch.from_t_us),
        to: Some(at(stretch.to_t_us)),
        up_to: None,
    };
    let mut buckets: BTreeMap<i64, Summary> = BTreeMap::new();
    for given in shed::read(reader, &range) {
        let number = (given.sample.t_us - stretch.from_t_us).div_euclid(width);
        buckets.entry(number).or_default().add(given.sample.values[0]);
    }
    buckets
}

fn found(reader: &Reader, stretch: &Stretch, width: i64) -> BTreeMap<i64, Summary> {
    let overview = reader.overview(stretch, width, |_| true).unwrap();
    overview.into_iter().next().map(|one| one.buckets).unwrap_or_default()
}

/// The same but for how the sums were rounded.
fn alike(a: &BTreeMap<i64, Summary>, b: &BTreeMap<i64, Summary>) -> bool {
    let one = |a: &Summary, b: &Summary| {
        (a.sum - b.sum).abs() <= 1e-9 * b.sum.abs().max(1.0) && *a == Summary { sum: a.sum, ..*b }
    };
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.0 == b.0 && one(a.1, b.1))
}

#[derive(Clone, Debug)]
enum Act {
    /// So many samples, so far apart.
    Record(usize, i64),
    Again {
        from: i64,
        length: i64,
        every: usize,
    },
    Seal,
    Reopen,
    Look {
        from: i64,
        length: i64,
        width: i64,
    },
}

fn act() -> impl Strategy<Value = Act> {
    let minutes = |most: i64| (1..most).prop_map(|n| n * MINUTE);
    let width = prop_oneof![minutes(90), 1_000_000i64..9_000_000_000];
    let from = prop_oneof![(0i64..300).prop_map(|n| n * MINUTE), 0i64..20_000_000_000];
    let length = prop_oneof![minutes(600), 1i64..30_000_000_000];
    prop_oneof![
        5 => (1..400usize, prop_oneof![100_000i64..30_000_000, Just(0i64), Just(MINUTE)])
            .prop_map(|(n, step)| Act::Record(n, step)),
        1 => (0i64..8_000_000_000, 1i64..8_000_000_000, 1..4usize)
            .prop_map(|(from, length, every)| Act::Again { from, length, every }),
        1 => Just(Act::Seal),
        1 => Just(Act::Reopen),
        5 => (from, length, width)
            .prop_map(|(from, length, width)| Act::Look { from, length, width }),
    ]
}

fn decode_again(store: &mut Store, reader: &Reader, stretch: &Stretch, every: usize) {
    let at = |t_us| Bound { run: stretch.run, t_us };
    let (from, to) = (at(stretch.from_t_us), Some(at(stretch.to_t_us)));
    let range = Range { sources: vec![stretch.source.clone()], from, to, up_to: None };
    let mut samples = shed::read(reader, &range);
    if samples.is_empty() {
        return;
    }
    samples = samples.into_iter().step_by(every).collect();
    samples.iter_mut().for_each(|sample| sample.sample.values[0] += 50.0);
    let done = store.redecode(store.recorded_up_to() + 1, |to| {
        to.stretch(stretch.clone())?;
        samples.into_iter().try_for_each(|sample| to.sample(sample))
    });
    done.map_err(|e: ampledger_store::StoreError| e).unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn an_overview_of_any_width_says_what_the_samples_say(
        acts in proptest::collection::vec(act(), 1..25),
    ) {
        let (_dir, path, mut store) = shed::store();
        let run = shed::run(&mut store).id;
        let mut t_us = 0;
        for act in acts {
            match act {
                Act::Record(count, step) => {
                    let times: Vec<i64> = (0..count as i64).map(|i| t_us + i * step).collect();
                    t_us = times[count - 1] + step;
                    let first = store.recorded_up_to() + 1;
                    append(&mut store, voltages(run, first, &times));
                }
                Act::Again { from, length, every } => {
                    let reader = store.reader().unwrap();
                    decode_again(&mut store, &reader, &stretch(run, from, from + length), every);
                }
                Act::Seal => store.seal().unwrap(),
                Act::Reopen => {
                    drop(store);
                    store = Store::open(&path).unwrap();
                }
                Act::Look { from, length, width } => {
                    let (stretch, reader) = (stretch(run, from, from + length), store.reader());
                    let reader = reader.unwrap();
                    let (found, expected) =
                        (found(&reader, &stretch, width), expected(&reader, &stretch, width));
                    prop_assert!(alike(&found, &expected), "{found:?}\n{expected:?}");
                }
            }
        }
    }
}

/// Overwrites what is in every chunk.
fn spoil_all_chunks(path: &Path) {
    let db = rusqlite::Connection::open(path).unwrap();
    assert!(db.execute("UPDATE chunk_data SET data = x'00'", []).unwrap() > 0);
}

#[test]
fn an_overview_of_whole_minutes_reads_no_chunk() {
    let (_dir, path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    // Ten hours at 1 Hz; a later sample, so that all of them are counted.
    let times: Vec<i64> = (0..36_000).map(|i| i * 1_000_000).chain([100_000_000_000]).collect();
    append(&mut store, voltages(run, 1, &times));
    let reader = store.reader().unwrap();
    let ten_hours = stretch(run, 0, 36_000_000_000 - 1);
    let widths = [MINUTE, 7 * MINUTE, 60 * MINUTE, 90 * MINUTE];
    let expected = widths.map(|width| expected(&reader, &ten_hours, width));
    spoil_all_chunks(&path);
    for (width, expected) in widths.into_iter().zip(expected) {
        assert!(alike(&found(&reader, &ten_hours, width), &expected), "{width}");
        assert_eq!(reader.damaged_chunks(), []);
    }
    // Where the ends of a bucket are in the middle of a minute, they are read.
    found(&reader, &stretch(run, 1, 36_000_000_000), MINUTE);
    assert!(!reader.damaged_chunks().is_empty());
}

#[test]
fn an_overview_of_some_channels_is_that_part_of_the_whole() {
    let (_dir, _, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    append(&mut store, shed::samples(run, 1..=20_000));
    let reader = store.reader().unwrap();
    let stretch = stretch(run, 0, 2_000_000_000);
    // Of samples, and of summaries where they serve.
    for width in [7_000_000, 2 * MINUTE] {
        let all = reader.overview(&stretch, width, |_| true).unwrap();
        assert_eq!(all.len(), 2);
        for one in all {
            let found = reader.overview(&stretch, width, |c| *c == one.channel).unwrap();
            assert_eq!(found, [one]);
        }
    }
}

#[test]
fn the_width_for_a_chart_is_round_from_a_minute_on_and_never_too_small() {
    let hour = 60 * MINUTE;
    assert_eq!(overview_width_us(10 * hour, 300), 2 * MINUTE + MINUTE);
    assert_eq!(overview_width_us(365 * 24 * hour, 2000), 6 * hour);
    assert_eq!(overview_width_us(20 * 365 * 24 * hour, 2000), 4 * 24 * hour);
    for (length, buckets) in [(1, 1), (10_000_000, 2000), (hour, 2000), (hour, 1), (i64::MAX, 9)] {
        let width = overview_width_us(length, buckets);
        assert!(length / width < i64::from(buckets) + 1, "{length} {buckets} {width}");
    }
}
