//! Things of the refit shed that the tests record, and generators of values
//! and times as nasty as they come.

use std::path::PathBuf;
use std::sync::Arc;

use ampledger_store::{NewRun, NewSession, NumberedSample, Range, Reader, Store};
use ampledger_types::{
    Bound, Channel, DecodeSet, Group, Quantity, Run, RunId, Sample, Seq, Session,
};
use proptest::prelude::*;

/// A folder of its own with a store in it.
pub fn store() -> (tempfile::TempDir, PathBuf, Store) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("shed.db");
    let store = Store::open(&path).unwrap();
    (dir, path, store)
}

pub fn run(store: &mut Store) -> Run {
    let new = NewRun {
        boot_id: "5d1c".to_owned(),
        started_t_us: 12,
        clock_rate: 1.0,
        recorded_by: "ampledgerd test".to_owned(),
        replay_of: None,
    };
    store.begin_run(&new).unwrap()
}

pub fn set(source: &str) -> Arc<DecodeSet> {
    Arc::new(DecodeSet {
        source: source.to_owned(),
        decoder: "text-lines".to_owned(),
        decoder_version: "1".to_owned(),
        config_digest: "e3b0c442".to_owned(),
        identity: None,
    })
}

pub fn group(quantities: &[Quantity]) -> Arc<Group> {
    let channels = quantities.iter().copied().map(Channel::of).collect();
    Arc::new(Group { name: String::new(), channels })
}

pub fn at(run: RunId, t_us: i64) -> Bound {
    Bound { run, t_us }
}

/// Voltage and current of `bench-shunt`, ten a second.
pub fn samples(run: RunId, numbers: impl IntoIterator<Item = Seq>) -> Vec<NumberedSample> {
    let (set, group) = (set("bench-shunt"), group(&[Quantity::Voltage, Quantity::Current]));
    let sample = |seq: Seq| NumberedSample {
        seq,
        run,
        decode_set: set.clone(),
        sample: Sample {
            group: group.clone(),
            t_us: seq.cast_signed() * 100_000,
            instrument_t_us: None,
            values: vec![26.4 - seq as f64 * 1e-5, -12.1],
        },
    };
    numbers.into_iter().map(sample).collect()
}

pub fn read(reader: &Reader, range: &Range) -> Vec<NumberedSample> {
    let mut all = Vec::new();
    let done = reader.samples(range, |s| {
        all.push(s);
        std::ops::ControlFlow::Continue(())
    });
    done.unwrap();
    all
}

pub fn session(store: &mut Store, start: Bound) -> Session {
    let new = NewSession {
        pack: Some("GAL-07".to_owned()),
        sources: vec!["bench-shunt".to_owned(), "clamp".to_owned()],
        opened_by: Default::default(),
        start,
        cutoff_voltage_volt: Some(20.0),
        cutoff_rule: Default::default(),
        tags: vec![
            ampledger_types::Tag::parse("intake").unwrap(),
            ampledger_types::Tag::parse("berth=4").unwrap(),
        ],
    };
    store.insert_session(&new).unwrap()
}

/// Any bits at all, and those that often go wrong.
pub fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<u64>().prop_map(f64::from_bits),
        Just(-0.0),
        Just(f64::NAN),
        Just(f64::from_bits(0x7ff0_0000_0000_0001)),
        Just(f64::INFINITY),
        Just(f64::NEG_INFINITY),
        Just(5e-324),
        -40.0..80.0,
    ]
}

/// Any time, but mostly near the others.
pub fn time() -> impl Strategy<Value = i64> {
    prop_oneof![8 => 0i64..2_000_000, 1 => any::<i64>(), 1 => Just(i64::MIN), 1 => Just(i64::MAX)]
}

/// Equality of samples bit by bit: NaN is equal to the same NaN only.
pub fn same_bits(a: &[NumberedSample], b: &[NumberedSample]) -> bool {
    let bits =
        |s: &NumberedSample| -> Vec<u64> { s.sample.values.iter().map(|v| v.to_bits()).collect() };
    a.len() == b.len()
        && a.iter().zip(b).all(|(a, b)| {
            (a.seq, a.run, &a.decode_set, &a.sample.group)
                == (b.seq, b.run, &b.decode_set, &b.sample.group)
                && (a.sample.t_us, a.sample.instrument_t_us)
                    == (b.sample.t_us, b.sample.instrument_t_us)
                && bits(a) == bits(b)
        })
}
