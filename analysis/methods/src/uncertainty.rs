//! Uncertainty after the GUM (JCGM 100:2008): standard uncertainties from what
//! is known of an input, their combination, effective degrees of freedom and
//! expansion. Knows no battery.

use serde::Serialize;

use crate::distributions::coverage_factor;

/// The coverage factor of every expanded uncertainty.
pub const COVERAGE: f64 = 2.0;

/// What is taken to be known of an input.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Shape {
    /// Scatters; a standard deviation is known.
    Normal,
    /// Anywhere between two limits, each place as likely (JCGM 100, 4.3.7).
    Rectangular,
    /// Between two limits, the middle likelier (JCGM 100, 4.3.9).
    Triangular,
    /// Swings between two limits, as a sine does.
    Arcsine,
}

impl Shape {
    /// Its name, as in JSON.
    pub const fn name(self) -> &'static str {
        match self {
            Shape::Normal => "normal",
            Shape::Rectangular => "rectangular",
            Shape::Triangular => "triangular",
            Shape::Arcsine => "arcsine",
        }
    }

    /// The standard uncertainty for a half-width; a standard deviation as it is.
    pub fn standard(self, half_width: f64) -> f64 {
        half_width.abs()
            / match self {
                Shape::Normal => 1.0,
                Shape::Rectangular => 3.0_f64.sqrt(),
                Shape::Triangular => 6.0_f64.sqrt(),
                Shape::Arcsine => std::f64::consts::SQRT_2,
            }
    }
}

/// The standard uncertainty that a smallest step leaves (JCGM 100, F.2.2.1).
pub fn of_step(step: f64) -> f64 {
    Shape::Rectangular.standard(step / 2.0)
}

/// One input's part in a result: `|c| · u`, with its degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// In the result's unit.
    pub standard: f64,
    /// Infinite where the uncertainty itself is taken as known.
    pub degrees: f64,
}

impl Part {
    /// A part whose uncertainty is taken as known.
    pub fn known(standard: f64) -> Part {
        Part { standard, degrees: f64::INFINITY }
    }
}

/// The combined standard uncertainty of independent parts (JCGM 100, 5.1.2).
pub fn combined(parts: impl IntoIterator<Item = f64>) -> f64 {
    parts.into_iter().map(|u| u * u).sum::<f64>().sqrt()
}

/// The combined standard uncertainty with correlated inputs (JCGM 100, 5.2.2):
/// sensitivity and standard uncertainty of each, and the correlation of any two.
pub fn combined_correlated(
    inputs: &[(f64, f64)],
    correlation: impl Fn(usize, usize) -> f64,
) -> f64 {
    covariance(inputs, inputs, correlation).max(0.0).sqrt()
}

/// The covariance of two results of the same inputs (JCGM 100, F.1.2.3): for
/// each the sensitivities with the inputs' standard uncertainties.
pub fn covariance(
    one: &[(f64, f64)],
    other: &[(f64, f64)],
    correlation: impl Fn(usize, usize) -> f64,
) -> f64 {
    let mut sum = 0.0;
    for (i, (c, u)) in one.iter().enumerate() {
        for (j, (d, v)) in other.iter().enumerate() {
            let r = if i == j { 1.0 } else { correlation(i, j) };
            sum += c * u * d * v * r;
        }
    }
    sum
}

/// Effective degrees of freedom by the Welch-Satterthwaite formula (JCGM 100,
/// G.4.1). Infinite where every part is known.
pub fn effective_degrees(parts: &[Part]) -> f64 {
    let total = combined(parts.iter().map(|p| p.standard));
    let shares = parts.iter().filter(|p| p.degrees.is_finite());
    let sum: f64 = shares.map(|p| p.standard.powi(4) / p.degrees).sum();
    if sum > 0.0 { total.powi(4) / sum } else { f64::INFINITY }
}

/// The expanded uncertainty and its factor: 2, or Student's where the degrees
/// of freedom are so few that 2 would not hold 95 % (JCGM 100, G.6.4; the
/// degrees are cut to a whole number, as there).
pub fn expanded(parts: &[Part]) -> (f64, f64) {
    let standard = combined(parts.iter().map(|p| p.standard));
    let degrees = effective_degrees(parts);
    let few = (degrees < 50.0).then(|| coverage_factor(0.9545, degrees.floor().max(1.0)));
    let factor = few.flatten().unwrap_or(COVERAGE).max(COVERAGE);
    (factor * standard, factor)
}

/// Mean, standard deviation and count of values that come one by one.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spread {
    count: f64,
    mean: f64,
    squares: f64,
}

impl Spread {
    /// Takes a value.
    pub fn push(&mut self, value: f64) {
        // Welford's recurrence: no difference of large sums.
        self.count += 1.0;
        let from_mean = value - self.mean;
        self.mean += from_mean / self.count;
        self.squares += from_mean * (value - self.mean);
    }

    /// How many.
    pub fn count(&self) -> f64 {
        self.count
    }

    /// Their mean; `None` before the first.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0.0).then_some(self.mean)
    }

    /// Their standard deviation; `None` before the second.
    pub fn deviation(&self) -> Option<f64> {
        (self.count > 1.0).then(|| (self.squares / (self.count - 1.0)).max(0.0).sqrt())
    }

    /// The standard uncertainty of their mean (JCGM 100, 4.2.3).
    pub fn of_mean(&self) -> Option<f64> {
        self.deviation().map(|s| s / self.count.sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_degrees_of_freedom_widen_the_factor_and_many_do_not() {
        let few = Part { standard: 1.0, degrees: 4.0 };
        let (_, factor) = expanded(&[few]);
        assert!(factor > 2.8, "{factor}");
        let (u, factor) = expanded(&[few, Part::known(10.0)]);
        assert_eq!(factor, 2.0);
        assert!((u - 2.0 * 101.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn the_spread_is_that_of_the_textbook() {
        let mut spread = Spread::default();
        [2.0, 4.0, 4.0, 4.0, 5.0, 5.0, 7.0, 9.0].into_iter().for_each(|x| spread.push(x));
        assert_eq!(spread.mean(), Some(5.0));
        assert!((spread.deviation().unwrap() - (32.0_f64 / 7.0).sqrt()).abs() < 1e-12);
        assert_eq!(Spread::default().of_mean(), None);
    }

    #[test]
    fn shapes_have_the_divisors_of_the_guide() {
        assert!((Shape::Rectangular.standard(3.0) - 3.0 / 3.0_f64.sqrt()).abs() < 1e-15);
        assert!((of_step(0.01) - 0.01 / 12.0_f64.sqrt()).abs() < 1e-15);
    }
}
