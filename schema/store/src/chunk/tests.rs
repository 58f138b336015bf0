//! Any samples come back from a chunk bit for bit, and damage is always seen.

use proptest::collection::vec;
use proptest::prelude::*;

use super::*;

fn bits(columns: &Columns) -> Vec<Vec<u64>> {
    columns.values.iter().map(|c| c.iter().map(|v| v.to_bits()).collect()).collect()
}

fn comes_back(columns: &Columns) -> bool {
    let back = Columns::from_bytes(&columns.lying().to_bytes()).unwrap();
    (&back.seqs, &back.t_us, &back.instrument_t_us)
        == (&columns.seqs, &columns.t_us, &columns.instrument_t_us)
        && bits(&back) == bits(columns)
}

/// Values as nasty as they come.
fn odd() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<u64>().prop_map(f64::from_bits),
        prop::sample::select(vec![
            0.0,
            -0.0,
            f64::INFINITY,
            f64::NEG_INFINITY,
            f64::NAN,
            f64::from_bits(0x7ff0_0000_0000_0001),
            f64::from_bits(0xfff8_0000_0000_1234),
            5e-324,
            -5e-324,
            f64::MIN_POSITIVE,
            f64::MAX,
            9_007_199_254_740_991.0,
            9_007_199_254_740_992.0,
            9_007_199_254_740_993.0,
            -9_007_199_254_740_992.0,
            1e15 + 0.3,
            0.1 + 0.2,
        ]),
    ]
}

/// Columns of one length, each of another kind.
fn column(length: usize) -> BoxedStrategy<Vec<f64>> {
    let decimal = (0..10i32, -2_000_000i64..2_000_000, 1i64..2000).prop_flat_map(
        move |(places, base, spread)| {
            vec(base..base + spread, length).prop_map(move |numbers| {
                numbers.into_iter().map(|n| n as f64 / 10f64.powi(places)).collect::<Vec<_>>()
            })
        },
    );
    let spoilt = (decimal.clone(), vec((any::<prop::sample::Index>(), odd()), 0..4)).prop_map(
        |(mut column, odd)| {
            for (at, value) in odd {
                if !column.is_empty() {
                    let at = at.index(column.len());
                    column[at] = value;
                }
            }
            column
        },
    );
    prop_oneof![
        decimal,
        spoilt,
        vec(odd(), length),
        vec(-1e3..1e3, length),
        odd().prop_map(move |value| vec![value; length]),
    ]
    .boxed()
}

/// Times as they come, and as they should not: repeated, reversed, far apart.
fn times(length: usize) -> BoxedStrategy<Vec<i64>> {
    let steps = prop_oneof![
        20 => 90_000i64..110_000,
        2 => Just(0i64),
        2 => -1_000_000i64..0,
        1 => any::<i64>(),
    ];
    let walk = (any::<i64>(), vec(steps, length)).prop_map(|(mut t, steps)| {
        let walk = steps.into_iter().map(|step| {
            t = t.wrapping_add(step);
            t
        });
        walk.collect::<Vec<_>>()
    });
    let even = (any::<i64>(), any::<i64>()).prop_map(move |(first, step)| {
        (0..length as i64).map(|i| first.wrapping_add(step.wrapping_mul(i))).collect::<Vec<_>>()
    });
    let steady = vec(99_000i64..101_000, length).prop_map(|steps| {
        steps
            .into_iter()
            .scan(0, |t, step| {
                *t += step;
                Some(*t)
            })
            .collect::<Vec<_>>()
    });
    prop_oneof![walk, even, steady, vec(any::<i64>(), length)].boxed()
}

fn any_columns() -> impl Strategy<Value = Columns> {
    let length = prop_oneof![4 => 0usize..60, 1 => 200usize..1500];
    (length, 0usize..4).prop_flat_map(|(length, channels)| {
        let values = (0..channels).map(|_| column(length)).collect::<Vec<_>>();
        let own = prop_oneof![
            Just(vec![None; length]),
            times(length).prop_map(|times| times.into_iter().map(Some).collect()),
            vec(any::<Option<i64>>(), length),
        ];
        (times(length), times(length), own, values).prop_map(
            |(seqs, t_us, instrument_t_us, values)| Columns { seqs, t_us, instrument_t_us, values },
        )
    })
}

proptest! {
    #[test]
    fn any_columns_come_back_bit_for_bit(columns in any_columns()) {
        prop_assert!(comes_back(&columns));
    }

    #[test]
    fn one_channel_can_be_read_without_the_others(columns in any_columns()) {
        let bytes = columns.lying().to_bytes();
        for i in 0..columns.values.len() {
            let some = Columns::some_from_bytes(&bytes, &|other| other == i).unwrap();
            prop_assert_eq!(&some.t_us, &columns.t_us);
            prop_assert_eq!(&bits(&some)[i], &bits(&columns)[i]);
        }
    }

    #[test]
    fn a_changed_byte_or_a_cut_is_always_seen(
        columns in any_columns(),
        at in any::<prop::sample::Index>(),
        change in 1u8..,
        cut in any::<bool>(),
    ) {
        let mut bytes = columns.lying().to_bytes();
        let at = at.index(bytes.len());
        if cut { bytes.truncate(at) } else { bytes[at] ^= change }
        prop_assert!(Columns::from_bytes(&bytes).is_err());
    }

    #[test]
    fn rubbish_with_a_true_checksum_is_refused_or_read_within_bounds(
        rubbish in vec(any::<u8>(), 0..300),
    ) {
        let mut bytes = crc32fast::hash(&rubbish).to_le_bytes().to_vec();
        bytes.extend(rubbish);
        if let Ok(columns) = Columns::from_bytes(&bytes) {
            prop_assert!(columns.len() <= MOST);
        }
    }
}

/// A discharge in 1 mV and 1 mA steps with noise, times in microseconds with
/// jitter: what a good meter sends. Noise from a fixed recurrence, so that the
/// figure below is the same everywhere.
fn discharge(samples: usize) -> Columns {
    let mut columns = Columns::of(2);
    let mut state = 1u64;
    let mut noise = move || {
        // Sum of uniform numbers: near enough to a normal one.
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 40) as f64 / (1u64 << 24) as f64 - 0.5
        };
        (0..12).map(|_| uniform()).sum::<f64>()
    };
    for i in 0..samples as i64 {
        let t_us = i * 100_000 + (1200.0 * noise()) as i64;
        let volts = (26_400.0 - i as f64 * 0.02 + 2.0 * noise()).round() / 1000.0;
        let amps = (-12_000.0 + 4.0 * noise()).round() / 1000.0;
        columns.push(i + 1, t_us, None, &[volts, amps]);
    }
    columns
}

#[test]
fn a_reading_of_a_good_meter_takes_about_a_byte() {
    let columns = discharge(FULL);
    assert!(comes_back(&columns));
    // Entropy of normal noise, in bytes: log2(sigma * sqrt(2 pi e)) / 8; for 2 and
    // 4 steps 0.38 and 0.51, for 1200 us 1.54 (Cover & Thomas, Elements of
    // Information Theory, 2nd ed., ch. 8). Allowed: a fifth more.
    let bytes = columns.lying().to_bytes().len() as f64 / FULL as f64;
    assert!(bytes < 1.2 * (0.38 + 0.51 + 1.54), "{bytes:.3} bytes a sample");
}

#[test]
fn samples_that_repeat_themselves_take_next_to_nothing() {
    let mut columns = Columns::of(1);
    for i in 0..FULL as i64 {
        columns.push(i + 1, i * 1_000_000, Some(i * 1_000_000 + 7), &[26.4]);
    }
    let bytes = columns.lying().to_bytes().len();
    assert!(bytes < 120, "{bytes}");
}
