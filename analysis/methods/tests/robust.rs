//! Whatever happens to the rows, a figure is within its stated uncertainty or
//! it is not called proven. One run that proves its capacity, spoiled at random.

mod bench;

use std::sync::LazyLock;

use ampledger_methods::standing::{Of, judge};
use ampledger_methods::{Row, SessionAnalysis, Setting};
use ampledger_types::result::Status;
use bench::proven::{LOAD_ON, LOADED, Noise, analyse, judged, rows, stated, truth_ah};
use proptest::prelude::*;

/// What happens to rows.
#[derive(Clone, Debug)]
enum Spoil {
    /// Each is missing with this probability.
    Missing(f64),
    /// Each comes twice with this probability.
    Doubled(f64),
    /// Pairs come the wrong way round with this probability.
    Reversed(f64),
    /// Times are off by up to this, s.
    Jitter(f64),
    /// So many currents are this many times too large.
    Spikes(usize, f64),
    /// Current and voltage stand still for so many rows from this second, under
    /// load: at rest standing still is natural, and cannot be told.
    Stuck(usize, usize),
    /// The current swings by this share; nobody says that it is averaged.
    Ripple(f64),
    /// Silent from this second for so many rows.
    Silent(usize, usize),
}

fn spoil() -> impl Strategy<Value = Spoil> {
    let place = || LOAD_ON + 10..LOAD_ON + LOADED - 400;
    prop_oneof![
        (0.0..0.7).prop_map(Spoil::Missing),
        (0.0..0.7).prop_map(Spoil::Doubled),
        (0.0..0.5).prop_map(Spoil::Reversed),
        (0.0..0.49).prop_map(Spoil::Jitter),
        (0..200_usize, -3.0..8.0).prop_map(|(n, times)| Spoil::Spikes(n, times)),
        (place(), 2..400_usize).prop_map(|(at, n)| Spoil::Stuck(at, n)),
        (0.0..0.9).prop_map(Spoil::Ripple),
        (place(), 1..400_usize).prop_map(|(at, n)| Spoil::Silent(at, n)),
    ]
}

fn spoiled(mut rows: Vec<Row>, spoil: &Spoil, noise: &mut Noise) -> Vec<Row> {
    let begin = |rows: &[Row], at: usize| {
        rows.iter().position(|r| r.t_us >= at as i64 * 1_000_000).unwrap_or(rows.len())
    };
    let mut by_chance = |p: f64| noise.even() + 0.5 < p;
    match *spoil {
        Spoil::Missing(p) => rows.retain(|_| !by_chance(p)),
        Spoil::Doubled(p) => {
            rows = rows.into_iter().flat_map(|r| vec![r; 1 + usize::from(by_chance(p))]).collect();
        }
        Spoil::Reversed(p) => (1..rows.len()).step_by(2).for_each(|n| {
            if by_chance(p) {
                rows.swap(n - 1, n);
            }
        }),
        Spoil::Jitter(second) => rows.iter_mut().for_each(|row| {
            row.t_us += (2.0 * noise.even() * second * 1e6) as i64;
        }),
        Spoil::Spikes(n, times) => (0..n).for_each(|_| {
            let at = ((noise.even() + 0.5) * rows.len() as f64) as usize;
            if let Some(row) = rows.get_mut(at) {
                row.current_ampere = row.current_ampere.map(|i| i * times);
            }
        }),
        Spoil::Stuck(at, n) => {
            let at = begin(&rows, at);
            let mut stretch = rows.iter_mut().skip(at).take(n);
            if let Some(frozen) = stretch.next().copied() {
                stretch.for_each(|row| *row = Row { t_us: row.t_us, ..frozen });
            }
        }
        Spoil::Ripple(share) => rows.iter_mut().for_each(|row| {
            row.current_ampere = row.current_ampere.map(|i| i * (1.0 + share * noise.even()));
        }),
        Spoil::Silent(at, n) => {
            let at = begin(&rows, at);
            rows.drain(at..(at + n).min(rows.len()));
        }
    }
    rows
}

/// What the pack gave: to its end by the load's current and time; the rest by
/// the unspoiled rows.
static TRUTHS: LazyLock<Vec<(Of, f64)>> = LazyLock::new(|| {
    let unspoiled = analyse(&rows(), &stated());
    let of = |of| (of, judge(&unspoiled, of, &stated()).value.unwrap_or(f64::NAN));
    let others = [Of::Energy, Of::ChargeToCutoff, Of::EnergyToCutoff].map(of);
    [vec![(Of::Charge, truth_ah())], others.to_vec()].concat()
});

proptest! {
    #[test]
    fn a_spoiled_run_is_within_its_uncertainty_or_not_proven(
        spoils in prop::collection::vec(spoil(), 1..4), seed in any::<u64>(),
    ) {
        let mut noise = Noise(seed);
        let mut rows = rows();
        // What the load does comes before what the meter does, and that before
        // what happens to its rows.
        let mut spoils = spoils;
        spoils.sort_by_key(|s| match s {
            Spoil::Ripple(_) => 0,
            Spoil::Spikes(..) => 1,
            Spoil::Stuck(..) => 2,
            _ => 3,
        });
        for spoil in &spoils {
            rows = spoiled(rows, spoil, &mut noise);
        }
        let unstated = spoils.iter().any(|s| matches!(s, Spoil::Ripple(_)));
        let reading_is_average = (!unstated).then_some(true);
        let setting = Setting { reading_is_average, ..stated() };
        let found = analyse(&rows, &setting);
        for (of, truth) in TRUTHS.iter().copied() {
            let judged = judge(&found, of, &setting);
            if judged.status == Status::Proven {
                let budget = judged.budget.unwrap_or_else(|| panic!("proven without a budget"));
                let off = (budget.value - truth).abs();
                prop_assert!(
                    budget.expanded.is_some_and(|u| off <= u),
                    "{of:?}: {off} off, {:?} stated", budget.expanded
                );
            }
        }
    }

    #[test]
    fn any_chunking_and_any_looks_in_between_give_the_same_digits(
        spoil in spoil(), seed in any::<u64>(), every in 1..2000_usize,
    ) {
        let setting = stated();
        let rows = spoiled(rows(), &spoil, &mut Noise(seed));
        let mut live = SessionAnalysis::new(setting.clone());
        for chunk in rows.chunks(every) {
            chunk.iter().for_each(|row| live.push(row));
            let now = live.snapshot(None, false);
            let _ = judge(&now, Of::Charge, &setting);
        }
        let (live, stored) = (live.snapshot(None, true), analyse(&rows, &setting));
        prop_assert_eq!(&live, &stored);
        for of in [Of::Charge, Of::Energy, Of::ChargeToCutoff, Of::EnergyToCutoff] {
            prop_assert_eq!(judge(&live, of, &setting), judge(&stored, of, &setting));
        }
    }
}

#[test]
fn small_faults_leave_a_run_proven() {
    // Otherwise the property above would hold because nothing is ever proven.
    for spoil in [Spoil::Missing(0.1), Spoil::Doubled(0.5), Spoil::Jitter(0.2), Spoil::Ripple(0.05)]
    {
        let rows = spoiled(rows(), &spoil, &mut Noise(3));
        let judged = judged(&rows, &stated());
        assert_eq!(judged.status, Status::Proven, "{spoil:?}: {:?}", judged.doubts);
    }
}
