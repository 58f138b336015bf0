//! Random actions on a store against a plain vector of samples.

use std::sync::Arc;

use ampledger_store::{Batch, NumberedSample, Range, Reader, Store};
use ampledger_types::{DecodeSet, Group, Quantity, RunId, Sample, Seq};
use proptest::prelude::*;

use crate::shed;

#[derive(Clone, Debug)]
enum Action {
    BeginRun,
    Append(Vec<Given>),
    Read { sources: Vec<usize>, from: (i64, i64), to: Option<(i64, i64)>, up_to: Option<Seq> },
    Reopen,
}

/// A sample as it is drawn; source, group and run are chosen among those known.
#[derive(Clone, Debug)]
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
    prop_oneof![
        1 => Just(Action::BeginRun),
        4 => proptest::collection::vec(given(), 0..60).prop_map(Action::Append),
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
                    prop_assert!(shed::same_bits(&found, &model.read(&range)));
                }
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
