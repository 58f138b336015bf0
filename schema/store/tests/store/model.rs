//! Random actions on a store against a plain vector of samples.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_store::{Batch, NumberedSample, Outline, Overview, Range, Reader, Store, Stretch};
use ampledger_types::{DecodeSet, Group, Quantity, RunId, Sample, Seq};
use proptest::prelude::*;

use crate::shed;

#[derive(Clone, Debug)]
enum Action {
    BeginRun,
    Append(Vec<Given>),
    Read { sources: Vec<usize>, from: (i64, i64), to: Option<(i64, i64)>, up_to: Option<Seq> },
    Overview { source: usize, run: i64, from: i64, length: i64, width: i64 },
    Seal,
    Reopen,
}

/// A sample as it is drawn; source, group and run are chosen among those known.
#[derive(Clone, Copy, Debug)]
struct Given {
    source: usize,
    group: usize,
    run: usize,
    skip: Seq,
    t_us: i64,
    instrument_t_us: Option<i64>,
    values: [f64; 3],
}

const SOURCES: [&str; 3] = ["bench-shunt", "clamp", "load"];

fn given() -> impl Strategy<Value = Given> {
    let skip = prop_oneof![9 => Just(0u64), 1 => 1u64..1_000_000];
    let instrument = proptest::option::of(shed::time());
    let values = [shed::value(), shed::value(), shed::value()];
    (0..3usize, 0..4usize, any::<usize>(), skip, shed::time(), instrument, values).prop_map(
        |(source, group, run, skip, t_us, instrument_t_us, values)| Given {
            source,
            group,
            run,
            skip,
            t_us,
            instrument_t_us,
            values,
        },
    )
}

fn action() -> impl Strategy<Value = Action> {
    let bound = || (0i64..6, shed::time());
    let read = (
        proptest::collection::vec(0..3usize, 0..3),
        bound(),
        proptest::option::of(bound()),
        proptest::option::of(0u64..400),
    );
    let overview = (0..3usize, 1i64..4, 0i64..3_000_000, 0i64..9_000_000_000, 1i64..200_000_000);
    prop_oneof![
        1 => Just(Action::BeginRun),
        4 => proptest::collection::vec(given(), 0..60).prop_map(Action::Append),
        1 => (proptest::collection::vec(given(), 1..6), 800usize..3000)
            .prop_map(|(given, times)| Action::Append(given.repeat(times))),
        1 => Just(Action::Seal),
        2 => overview.prop_map(|(source, run, from, length, width)| Action::Overview {
            source, run, from, length, width
        }),
        4 => read.prop_map(|(sources, from, to, up_to)| Action::Read { sources, from, to, up_to }),
        1 => Just(Action::Reopen),
    ]
}

struct Model {
    sets: Vec<Arc<DecodeSet>>,
    groups: Vec<Arc<Group>>,
    runs: Vec<RunId>,
    recorded: Vec<NumberedSample>,
}

impl Model {
    fn new() -> Model {
        use Quantity::*;
        let groups: [&[Quantity]; 4] =
            [&[], &[Voltage], &[Voltage, Current], &[Current, Voltage, Temperature(2)]];
        Model {
            sets: SOURCES.into_iter().map(shed::set).collect(),
            groups: groups.into_iter().map(shed::group).collect(),
            runs: Vec::new(),
            recorded: Vec::new(),
        }
    }

    fn batch(&self, given: &[Given]) -> Vec<NumberedSample> {
        let mut seq = self.recorded.last().map_or(0, |s| s.seq);
        let number = |g: &Given| {
            seq += 1 + g.skip;
            let group = self.groups[g.group].clone();
            NumberedSample {
                seq,
                run: self.runs[g.run % self.runs.len()],
                decode_set: self.sets[g.source].clone(),
                sample: Sample {
                    t_us: g.t_us,
                    instrument_t_us: g.instrument_t_us,
                    values: g.values[..group.channels.len()].to_vec(),
                    group,
                },
            }
        };
        given.iter().map(number).collect()
    }

    fn read(&self, range: &Range) -> Vec<NumberedSample> {
        let wanted = |s: &&NumberedSample| {
            let at = shed::at(s.run, s.sample.t_us);
            at >= range.from
                && range.to.is_none_or(|to| at <= to)
                && range.up_to.is_none_or(|n| s.seq <= n)
                && (range.sources.is_empty() || range.sources.contains(&s.decode_set.source))
        };
        self.recorded.iter().filter(wanted).cloned().collect()
    }

    fn outline(&self, range: &Range) -> Vec<Outline> {
        let mut all: Vec<Outline> = Vec::new();
        for NumberedSample { seq, run, decode_set, sample } in self.read(range) {
            let known = all.iter().position(|o| {
                (o.run, &o.decode_set, &o.group) == (run, &decode_set, &sample.group)
            });
            let at = known.unwrap_or(all.len());
            if known.is_none() {
                all.push(Outline {
                    run,
                    decode_set,
                    group: sample.group.clone(),
                    first_seq: seq,
                    first_t_us: sample.t_us,
                    last_seq: seq,
                    heard: vec![None; sample.values.len()],
                });
            }
            all[at].last_seq = seq;
            for (heard, value) in all[at].heard.iter_mut().zip(&sample.values) {
                *heard = heard.or(value.is_finite().then_some(seq));
            }
        }
        all
    }

    fn overview(&self, stretch: &Stretch, width: i64) -> Rough {
        let at = |t_us| shed::at(stretch.run, t_us);
        let range = Range {
            sources: vec![stretch.source.clone()],
            from: at(stretch.from_t_us),
            to: Some(at(stretch.to_t_us)),
            up_to: None,
        };
        let mut all: Vec<Overview> = Vec::new();
        for found in self.read(&range) {
            let number = (found.sample.t_us - stretch.from_t_us) / width;
            for (channel, value) in found.sample.group.channels.iter().zip(&found.sample.values) {
                let known = all.iter().position(|overview| overview.channel == *channel);
                let at = known.unwrap_or_else(|| {
                    all.push(Overview { channel: channel.clone(), buckets: BTreeMap::new() });
                    all.len() - 1
                });
                all[at].buckets.entry(number).or_default().add(*value);
            }
        }
        rough(&all)
    }
}

fn lent(reader: &Reader, range: &Range) -> Vec<NumberedSample> {
    let mut found = Vec::new();
    let read = reader.samples_lent(range, |sample| {
        found.push(sample.clone());
        // What is done to it must not be seen in the next.
        sample.sample.values.iter_mut().for_each(|value| *value = 0.5);
        ControlFlow::Continue(())
    });
    read.unwrap();
    found
}

/// The samples of a range as its columns have them, in order of number.
fn in_columns(reader: &Reader, range: &Range) -> Vec<NumberedSample> {
    let mut all = Vec::new();
    let done = reader.columns(
        range,
        |_| true,
        |block| {
            all.extend((0..block.seqs.len()).map(|i| NumberedSample {
                seq: block.seqs[i],
                run: block.run,
                decode_set: block.decode_set.clone(),
                sample: Sample {
                    group: block.group.clone(),
                    t_us: block.t_us[i],
                    instrument_t_us: block.instrument_t_us[i],
                    values: block.values.iter().map(|column| column[i]).collect(),
                },
            }));
            ControlFlow::Continue(())
        },
    );
    done.unwrap();
    all.sort_by_key(|sample| sample.seq);
    all
}

/// What an overview says whatever the order in which it was added up.
type Rough = Vec<(String, i64, u64, f64, f64)>;

fn rough(overviews: &[Overview]) -> Rough {
    let mut all: Rough = Vec::new();
    for Overview { channel, buckets } in overviews {
        let found = buckets.iter().filter(|(_, summary)| summary.count > 0);
        all.extend(found.map(|(n, s)| (channel.name.clone(), *n, s.count, s.min, s.max)));
    }
    all.sort_by(|a, b| (&a.0, a.1).cmp(&(&b.0, b.1)));
    all
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn the_store_gives_back_what_a_plain_list_would(
        actions in proptest::collection::vec(action(), 1..25),
    ) {
        let (_dir, path, mut store) = shed::store();
        let mut model = Model::new();
        model.runs.push(shed::run(&mut store).id);
        for action in actions {
            match action {
                Action::BeginRun => model.runs.push(shed::run(&mut store).id),
                Action::Append(given) => {
                    let samples = model.batch(&given);
                    model.recorded.extend(samples.iter().cloned());
                    let up_to = store.append(&Batch { samples, ..Batch::default() }).unwrap();
                    prop_assert_eq!(up_to, model.recorded.last().map_or(0, |s| s.seq));
                }
                Action::Read { sources, from, to, up_to } => {
                    let bound = |(run, t_us)| shed::at(RunId(run), t_us);
                    let sources = sources.into_iter().map(|n| SOURCES[n].to_owned()).collect();
                    let range = Range { sources, from: bound(from), to: to.map(bound), up_to };
                    let found = shed::read(&store.reader().unwrap(), &range);
                    let expected = model.read(&range);
                    prop_assert!(shed::same_bits(&found, &expected));
                    let found = in_columns(&store.reader().unwrap(), &range);
                    prop_assert!(shed::same_bits(&found, &expected));
                    let found = lent(&store.reader().unwrap(), &range);
                    prop_assert!(shed::same_bits(&found, &expected));
                    let found = store.reader().unwrap().outline(&range).unwrap();
                    prop_assert_eq!(found, Some(model.outline(&range)));
                }
                Action::Overview { source, run, from, length, width } => {
                    let (source, run) = (SOURCES[source].to_owned(), RunId(run));
                    let to_t_us = from.saturating_add(length);
                    let stretch = Stretch { source, run, from_t_us: from, to_t_us };
                    let found = store.reader().unwrap();
                    let found = found.overview(&stretch, width, |_| true).unwrap();
                    prop_assert_eq!(rough(&found), model.overview(&stretch, width));
                }
                Action::Seal => store.seal().unwrap(),
                Action::Reopen => {
                    drop(store);
                    store = Store::open(&path).unwrap();
                }
            }
        }
        drop(store);
        let all = Range::everything();
        let found = shed::read(&Reader::open(&path).unwrap(), &all);
        prop_assert!(shed::same_bits(&found, &model.recorded));
    }
}
