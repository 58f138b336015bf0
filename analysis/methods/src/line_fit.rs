//! A straight line through points by least squares, with the uncertainty of
//! what is read off it. Sums only: points may come one by one.

use serde::Serialize;

/// Sums over the points, about the first one so that nothing large cancels.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LineFit {
    origin: Option<(f64, f64)>,
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

/// `y = intercept + slope · x` with standard uncertainties.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Line {
    /// y at x = 0.
    pub intercept: f64,
    /// Change of y with x.
    pub slope: f64,
    /// Standard uncertainty of the intercept, from the scatter of the points.
    pub intercept_standard: f64,
    /// Standard uncertainty of the slope, from the scatter of the points.
    pub slope_standard: f64,
    /// Correlation of the two.
    pub correlation: f64,
    /// Standard deviation of the points about the line.
    pub scatter: f64,
    /// Share of the spread in y that the line explains.
    pub r_squared: f64,
    /// Points less two.
    pub degrees: f64,
}

impl LineFit {
    /// The sums over some points.
    pub fn of(points: impl IntoIterator<Item = (f64, f64)>) -> LineFit {
        let mut fit = LineFit::default();
        points.into_iter().for_each(|(x, y)| fit.push(x, y));
        fit
    }

    /// Takes a point.
    pub fn push(&mut self, x: f64, y: f64) {
        let (x0, y0) = *self.origin.get_or_insert((x, y));
        let (x, y) = (x - x0, y - y0);
        self.n += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
        self.yy += y * y;
    }

    /// How many points there are.
    pub fn count(&self) -> f64 {
        self.n
    }

    /// The line; `None` for fewer than two points or all at one x. With two
    /// points there is no scatter, and its uncertainties are 0.
    pub fn line(&self) -> Option<Line> {
        let (x0, y0) = self.origin?;
        let spread = self.n * self.xx - self.x * self.x;
        if self.n < 2.0 || spread <= self.n * self.xx * 1e-14 || !spread.is_finite() {
            return None;
        }
        let slope = (self.n * self.xy - self.x * self.y) / spread;
        let height = (self.y - slope * self.x) / self.n;
        let of_mean = self.yy - self.y * self.y / self.n;
        let left = (of_mean - slope * slope * spread / self.n).max(0.0);
        let degrees = self.n - 2.0;
        let variance = if degrees > 0.0 { left / degrees } else { 0.0 };
        // Of all x from 0, not from the first point.
        let sum = self.x + self.n * x0;
        let squares = self.xx + 2.0 * x0 * self.x + self.n * x0 * x0;
        Some(Line {
            intercept: y0 + height - slope * x0,
            slope,
            intercept_standard: (variance * squares / spread).sqrt(),
            slope_standard: (variance * self.n / spread).sqrt(),
            correlation: if squares > 0.0 { -sum / (self.n * squares).sqrt() } else { 0.0 },
            scatter: variance.sqrt(),
            r_squared: if of_mean > 0.0 { 1.0 - left / of_mean } else { 1.0 },
            degrees,
        })
    }
}

impl Line {
    /// The line's y at x.
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }

    /// Its standard uncertainty there (JCGM 100, H.3.4).
    pub fn standard_at(&self, x: f64) -> f64 {
        let (a, b) = (self.intercept_standard, x * self.slope_standard);
        (a * a + b * b + 2.0 * a * b * self.correlation).max(0.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_on_a_line_give_it_back_wherever_they_lie() {
        let points = (0..10).map(|n| f64::from(n) + 1e6).map(|x| (x, 3.0 - 0.5 * x));
        let line = LineFit::of(points).line().unwrap();
        assert!((line.slope + 0.5).abs() < 1e-9 && (line.intercept - 3.0).abs() < 1e-3);
        assert!(line.scatter < 1e-6 && line.r_squared > 1.0 - 1e-9);
    }

    #[test]
    fn one_point_or_one_x_is_no_line() {
        assert_eq!(LineFit::of([(1.0, 2.0)]).line(), None);
        assert_eq!(LineFit::of([(1.0, 2.0), (1.0, 3.0)]).line(), None);
        assert_eq!(LineFit::default().line(), None);
    }
}
