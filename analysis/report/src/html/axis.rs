//! An axis: which stretch of a quantity a picture shows, and the words at its
//! ticks. Every tick carries its unit.

use ampledger_types::Unit;

use super::ticks::ticks;

/// About so many ticks fit beside each other on a phone, and one above the
/// other in a panel.
const ACROSS: f64 = 4.0;
const UP: f64 = 5.0;

/// An axis.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Axis {
    from: f64,
    to: f64,
    /// Place and words.
    pub ticks: Vec<(f64, String)>,
}

impl Axis {
    /// From 0 to `to`, in that unit.
    pub(super) fn amount(to: f64, unit: Unit) -> Axis {
        Axis::new((0.0, to), ACROSS, 1.0, unit.symbol())
    }

    /// Test time from 0 to that many seconds, in whatever unit suits it.
    pub(super) fn time(until_second: f64) -> Axis {
        let (seconds, symbol) = match until_second {
            s if s <= 180.0 => (1.0, "s"),
            s if s <= 3.0 * 3600.0 => (60.0, "min"),
            s if s <= 4.0 * 86_400.0 => (3600.0, "h"),
            _ => (86_400.0, "d"),
        };
        Axis::new((0.0, until_second), ACROSS, seconds, symbol)
    }

    /// Around readings, with some air; never so narrow that noise fills it.
    pub(super) fn around(low: f64, high: f64, unit: Unit) -> Axis {
        let least = (low.abs().max(high.abs()) * 0.01).max(1e-3);
        let air = ((high - low) * 0.08).max((least - (high - low)) / 2.0);
        Axis::new((low - air, high + air), UP, 1.0, unit.symbol())
    }

    fn new((from, to): (f64, f64), count: f64, per_tick_unit: f64, symbol: &str) -> Axis {
        let found = ticks(from / per_tick_unit, to / per_tick_unit, count);
        let decimals = found.decimals;
        let words = |v: &f64| {
            let digits = format!("{:.decimals$}", v + 0.0).replace('-', "\u{2212}");
            (v * per_tick_unit, format!("{digits} {symbol}"))
        };
        Axis { from, to, ticks: found.values.iter().map(words).collect() }
    }

    /// Where a value lies, from 0 at the beginning to 1 at the end.
    pub(super) fn share(&self, value: f64) -> f64 {
        (value - self.from) / (self.to - self.from).max(f64::MIN_POSITIVE)
    }

    /// Whether it shows this value.
    pub(super) fn shows(&self, value: f64) -> bool {
        (self.from..=self.to).contains(&value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(axis: &Axis) -> Vec<&str> {
        axis.ticks.iter().map(|(_, words)| words.as_str()).collect()
    }

    #[test]
    fn every_tick_has_its_unit() {
        assert_eq!(words(&Axis::amount(60.0, Unit::AmpereHour))[..2], ["0 Ah", "20 Ah"]);
        assert_eq!(
            words(&Axis::around(-14.9, 20.0, Unit::Ampere)),
            ["−10 A", "0 A", "10 A", "20 A"]
        );
    }

    #[test]
    fn time_is_told_in_the_unit_that_suits_it() {
        for (second, last) in
            [(90.0, "80 s"), (1800.0, "30 min"), (43_200.0, "12 h"), (864_000.0, "10 d")]
        {
            assert_eq!(words(&Axis::time(second)).last(), Some(&last));
        }
        assert_eq!(Axis::time(36_000.0).share(18_000.0), 0.5);
    }

    #[test]
    fn a_voltage_that_stands_still_is_a_line_in_the_middle() {
        let axis = Axis::around(26.4, 26.4, Unit::Volt);
        assert!((axis.share(26.4) - 0.5).abs() < 1e-9);
        assert!(axis.ticks.len() >= 2, "{:?}", axis.ticks);
    }
}
