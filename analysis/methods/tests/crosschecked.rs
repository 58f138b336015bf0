//! Numbers that came out of scipy 1.17.1 and of the package `uncertainties`
//! 3.2.3 (both PyPI, run once) for the same inputs.

mod bench;

use ampledger_methods::budget::{self, Exposure};
use ampledger_methods::distributions::{coverage_factor, normal_probability};
use ampledger_methods::line_fit::LineFit;
use ampledger_methods::peukert::{self, Run};
use ampledger_methods::self_discharge::{self, Capacity};
use ampledger_methods::{Rules, Setting};
use bench::near;

#[test]
fn students_factors_are_those_of_scipy() {
    // scipy.stats.t.ppf(0.5 + p/2, nu), and norm.ppf for infinity.
    for (degrees, p, k) in [
        (1.0, 0.95, 12.706_204_736_174_694),
        (2.0, 0.95, 4.302_652_729_749_462),
        (3.5, 0.9545, 3.045_311_012_761_779),
        (10.0, 0.95, 2.228_138_851_986_274),
        (16.0, 0.99, 2.920_781_622_425_1),
        (16.751_855_74, 0.9545, 2.160_785_685_903_960_5),
        (120.0, 0.9973, 3.063_691_182_734_695),
        (f64::INFINITY, 0.9545, 2.000_002_443_899_602_7),
    ] {
        let ours = coverage_factor(p, degrees).unwrap();
        assert!(near(ours, k, 1e-10), "{degrees}: {ours}");
    }
}

#[test]
fn normal_probabilities_are_those_of_scipy() {
    for (z, p) in [
        (2.000_1, 0.977_255_266_608_589_4),
        (-3.5, 0.000_232_629_079_035_525_02),
        (-8.0, 6.220_960_574_271_74e-16),
    ] {
        let ours = normal_probability(z);
        assert!((ours - p).abs() <= 1e-10 * p, "{z}: {ours}");
    }
}

#[test]
fn lines_are_those_of_scipy() {
    // scipy.stats.linregress.
    let loads = [(0.0, 13.3), (20.0, 13.238), (50.0, 13.152), (100.0, 12.998)];
    let line = LineFit::of(loads).line().unwrap();
    assert!(near(line.slope, -0.003_009_691_629_955_958, 1e-10));
    assert!(near(line.slope_standard, 3.036_773_205_221_038_7e-5, 1e-8));
    assert!(near(line.intercept, 13.299_911_894_273_126, 1e-12));
    assert!(near(line.intercept_standard, 0.001_724_555_669_943_240_4, 1e-8));
}

#[test]
fn peukerts_exponent_and_its_uncertainty_are_those_of_scipy() {
    let runs = [
        (0.115, 19.410_632_51),
        (0.23, 9.621_260_007),
        (0.46, 4.727_279_741),
        (0.766_666_666_7, 2.770_621_563),
        (1.15, 1.793_048_413),
        (2.3, 0.816_844_529_1),
    ]
    .map(|(ampere, hour)| Run { ampere, hour });
    let fit = peukert::fit(&runs, &Rules::default()).unwrap();
    assert!(near(fit.exponent, 1.053_165_987_652_744_8, 1e-10));
    assert!(near(fit.exponent_standard.unwrap(), 0.012_315_125_019_969_48, 1e-8));
    assert!(near(fit.r_squared, 0.999_453_353_563_92, 1e-10));
}

#[test]
fn a_budget_is_that_of_uncertainties() {
    // (12 A ± 0.25 % ± 10 mA ± half a milliampere) over 40 min ± 100 ppm, all
    // rectangular.
    let setting = Setting {
        current_gain_percent: Some(0.25),
        current_offset: Some(0.01),
        current_resolution: Some(0.001),
        ..Setting::default()
    };
    let exposure = Exposure { charge_ah: 8.0, hour: 40.0 / 60.0, ..Exposure::default() };
    let budget = budget::charge(&exposure, &setting);
    assert!(near(budget.standard, 0.012_181_893_059_722_636, 1e-9), "{}", budget.standard);
}

#[test]
fn a_self_discharge_is_that_of_uncertainties() {
    let of = |ah: f64| Capacity { ah, standard_ah: Some(0.85) };
    let ours = self_discharge::between(of(100.0), of(97.5), 28.0, &Rules::default()).unwrap();
    assert!(near(ours.percent_expanded.unwrap(), 2.0 * 100.0 * 0.011_871_506_064_943_908, 1e-9));
}
