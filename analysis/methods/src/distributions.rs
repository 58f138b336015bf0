//! Probabilities of the normal and of Student's distribution, which coverage
//! factors and verdicts need. Plain numerics, good to about 1e-12.

/// Terms after which a series or a fraction is taken as it is.
const TERMS: u32 = 500;
/// Where a term no longer counts.
const SMALL: f64 = 1e-16;

/// The probability that a standard normal variable is at most `z`.
pub fn normal_probability(z: f64) -> f64 {
    // Half of it beyond |z| by the incomplete gamma function of 1/2, which the
    // incomplete beta function becomes for very many degrees of freedom.
    let beyond = 0.5 * complementary_error(z.abs() / std::f64::consts::SQRT_2);
    if z < 0.0 { beyond } else { 1.0 - beyond }
}

/// How many standard uncertainties each way hold `probability` for Student's
/// distribution with so many degrees of freedom; the normal one for infinity.
/// `None` outside 0 to 1, and below half a degree.
pub fn coverage_factor(probability: f64, degrees: f64) -> Option<f64> {
    if !(probability > 0.0 && probability < 1.0) || degrees.is_nan() || degrees < 0.5 {
        return None;
    }
    let outside = |t: f64| match degrees > 1e7 {
        true => complementary_error(t / std::f64::consts::SQRT_2),
        false => incomplete_beta(degrees / (degrees + t * t), degrees / 2.0, 0.5),
    };
    let (mut low, mut high) = (0.0, 1.0);
    while outside(high) > 1.0 - probability {
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if outside(middle) > 1.0 - probability { low = middle } else { high = middle }
    }
    Some(0.5 * (low + high))
}

/// 1 − erf(x) for x ≥ 0: the power series up to 2, the continued fraction
/// beyond (textbook analysis).
fn complementary_error(x: f64) -> f64 {
    let root_pi = std::f64::consts::PI.sqrt();
    if x > 26.0 {
        return 0.0;
    }
    if x < 2.0 {
        let (mut term, mut sum) = (x, x);
        for n in 1..TERMS {
            term *= -x * x / f64::from(n);
            let next = term / f64::from(2 * n + 1);
            sum += next;
            if next.abs() < SMALL * sum.abs() {
                break;
            }
        }
        return 1.0 - 2.0 / root_pi * sum;
    }
    let mut fraction = x;
    for n in (1..200).rev() {
        fraction = x + f64::from(n) / 2.0 / fraction;
    }
    (-x * x).exp() / root_pi / fraction
}

/// The regularised incomplete beta function by its continued fraction
/// (modified Lentz method, textbook analysis).
fn incomplete_beta(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(1.0 - x, b, a);
    }
    let front = a * x.ln() + b * (1.0 - x).ln() - (log_gamma(a) + log_gamma(b) - log_gamma(a + b));
    front.exp() / a * beta_fraction(x, a, b)
}

fn beta_fraction(x: f64, a: f64, b: f64) -> f64 {
    let safe = |v: f64| if v.abs() < 1e-300 { 1e-300 } else { v };
    let (mut c, mut d) = (1.0, 1.0 / safe(1.0 - (a + b) * x / (a + 1.0)));
    let mut fraction = d;
    for m in 1..TERMS {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let mut change = 1.0;
        for step in [even, odd] {
            d = 1.0 / safe(1.0 + step * d);
            c = safe(1.0 + step / c);
            change = c * d;
            fraction *= change;
        }
        if (change - 1.0).abs() < SMALL {
            break;
        }
    }
    fraction
}

/// ln Γ(x) for x > 0: Stirling's series, shifted to where it is exact enough.
fn log_gamma(x: f64) -> f64 {
    let (mut x, mut shift) = (x, 0.0);
    while x < 12.0 {
        shift -= x.ln();
        x += 1.0;
    }
    let inverse = 1.0 / (x * x);
    let series = 1.0 / 12.0
        - inverse
            * (1.0 / 360.0
                - inverse * (1.0 / 1260.0 - inverse * (1.0 / 1680.0 - inverse / 1188.0)));
    let half_log_two_pi = 0.5 * (2.0 * std::f64::consts::PI).ln();
    (x - 0.5) * x.ln() - x + half_log_two_pi + series / x + shift
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_probabilities_are_those_of_the_table() {
        // scipy.stats.norm.cdf.
        for (z, p) in [
            (0.0, 0.5),
            (1.0, 0.841_344_746_068_542_9),
            (1.959_963_984_540_054, 0.975),
            (-3.5, 0.000_232_629_079_035_525),
            (6.0, 0.999_999_999_013_412_4),
        ] {
            assert!((normal_probability(z) - p).abs() < 1e-13, "{z}");
        }
    }

    #[test]
    fn coverage_factors_are_those_of_the_guides_table() {
        // JCGM 100:2008, table G.2, to its printed digits.
        for (degrees, p, k) in [
            (1.0, 0.95, 12.71),
            (2.0, 0.95, 4.30),
            (5.0, 0.95, 2.57),
            (10.0, 0.95, 2.23),
            (16.0, 0.99, 2.92),
            (50.0, 0.95, 2.01),
            (f64::INFINITY, 0.95, 1.960),
            (f64::INFINITY, 0.9545, 2.000),
        ] {
            let found = coverage_factor(p, degrees).unwrap();
            assert!((found - k).abs() < 0.0051, "{degrees}: {found}");
        }
        assert_eq!(coverage_factor(1.0, 5.0), None);
        assert_eq!(coverage_factor(0.95, f64::NAN), None);
    }
}
