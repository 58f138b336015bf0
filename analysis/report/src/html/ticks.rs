//! Where an axis has its ticks: at 1, 2 or 5 times a power of ten.

/// Never more ticks than this, whatever is asked for.
const MOST: f64 = 20.0;

/// The ticks of an axis.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Ticks {
    /// Their places, in order.
    pub values: Vec<f64>,
    /// Decimals that tell them apart.
    pub decimals: usize,
}

/// Ticks from `low` to `high`, about `count` of them and not more than
/// twice as many. None where the ends are no numbers or do not differ.
pub(super) fn ticks(low: f64, high: f64, count: f64) -> Ticks {
    let span = high - low;
    let rough = span / count.clamp(1.0, MOST / 2.0);
    if !rough.is_finite() || rough <= 0.0 {
        return Ticks { values: Vec::new(), decimals: 0 };
    }
    let step = nice(rough);
    let (first, last) = ((low / step - 1e-9).ceil(), (high / step + 1e-9).floor());
    let many = (last - first).clamp(-1.0, MOST) as i64;
    let values = (0..=many).map(|k| (first + k as f64) * step).collect();
    Ticks { values, decimals: decimals(step) }
}

/// That of 1, 2, 5 and 10 times a power of ten which is nearest to `rough` as
/// a ratio.
fn nice(rough: f64) -> f64 {
    let power = 10_f64.powf(rough.log10().floor());
    let lead = rough / power;
    let nearest = |pair: &[f64; 2]| lead < (pair[0] * pair[1]).sqrt();
    let pairs = [[1.0, 2.0], [2.0, 5.0], [5.0, 10.0]];
    pairs.iter().find(|pair| nearest(pair)).map_or(10.0, |pair| pair[0]) * power
}

fn decimals(step: f64) -> usize {
    (-(step.log10() + 1e-9).floor()).clamp(0.0, 9.0) as usize
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn steps_are_one_two_or_five() {
        assert_eq!(ticks(0.0, 60.0, 6.0).values, [0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0]);
        assert_eq!(ticks(19.7, 29.3, 5.0).values, [20.0, 22.0, 24.0, 26.0, 28.0]);
        assert_eq!(ticks(-14.9, 21.0, 4.0).values, [-10.0, 0.0, 10.0, 20.0]);
        let fine = ticks(3.301, 3.312, 5.0);
        assert_eq!((fine.values.len(), fine.decimals), (6, 3));
        assert_eq!(ticks(0.0, 1.0, 5.0).decimals, 1);
    }

    #[test]
    fn an_axis_without_length_has_no_ticks() {
        for (low, high) in [(1.0, 1.0), (2.0, 1.0), (f64::NAN, 1.0), (0.0, f64::INFINITY)] {
            assert_eq!(ticks(low, high, 5.0).values, Vec::<f64>::new());
        }
    }

    proptest! {
        #[test]
        fn ticks_lie_inside_grow_and_are_few(
            low in -1e6_f64..1e6, span in 1e-3_f64..1e7, count in 2.0_f64..8.0
        ) {
            let high = low + span;
            let values = ticks(low, high, count).values;
            prop_assert!(values.len() <= 2 * count as usize + 2, "{values:?}");
            prop_assert!(values.windows(2).all(|pair| pair[0] < pair[1]));
            let near = span * 1e-6;
            prop_assert!(values.iter().all(|v| *v >= low - near && *v <= high + near));
        }
    }
}
