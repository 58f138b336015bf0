//! Every kind of limit over readings: passed, not passed for a moment's excursion,
//! over only when it is back by the hysteresis, and kept where it is latched.

use std::sync::{Arc, Mutex};

use ampledger_types::alarm::LimitStanding;

use super::{limit, until_standing};
use crate::peers::Sensor;
use crate::util::{Bench, sources, until};
use crate::yard::{PACE, Yard};

/// An hour is over in a minute.
const RATE: f64 = 60.0;

/// A meter of voltage, current and the pack's temperature.
struct Bath {
    yard: Yard,
    shown: Arc<Mutex<[f64; 3]>>,
    /// By how much the temperature rises, K a minute.
    rises: Arc<Mutex<f64>>,
}

const AT_EASE: [f64; 3] = [26.0, -1.0, 25.0];

impl Bath {
    fn new(limits: &str) -> Bath {
        let celsius =
            "[sources.bench-shunt.fields.T]\nquantity = \"surface_temperature_celsius\"\n";
        let bench = Bench::new(&(sources::lines("bench-shunt") + celsius + limits));
        let mut yard = Yard::on(bench, RATE);
        let shown = Arc::new(Mutex::new(AT_EASE));
        let rises = Arc::new(Mutex::new(0.0));
        let (now, rise, mut before) = (shown.clone(), rises.clone(), 0.0);
        yard.sensor = Some(Sensor::start(&yard.cable, PACE, move |second| {
            let mut now = now.lock().expect("the values");
            now[2] += *rise.lock().expect("the rise") * (second - before) * RATE / 60.0;
            before = second;
            let [volt, ampere, celsius] = *now;
            Some(format!("U={volt:.4} I={ampere:.4} T={celsius:.4}\n"))
        }));
        Bath { yard, shown, rises }
    }

    /// The meter shows this, and the daemon has seen it.
    fn show(&self, place: usize, value: f64) {
        self.shown.lock().expect("the values")[place] = value;
        self.until_seen();
    }

    fn until_seen(&self) {
        let seen = self.yard.daemon.source("bench-shunt").counters.samples;
        self.yard.daemon.until_samples("bench-shunt", seen + 10);
    }

    fn standing(&self, name: &str) -> LimitStanding {
        limit(&self.yard.bench, name).standing
    }
}

/// A kind with its value and hysteresis, which of the values it is about, and
/// three of them: beyond it, back but not by the hysteresis, and back.
type Case = (&'static str, &'static str, f64, usize, [f64; 3]);

const CASES: [Case; 6] = [
    ("over-voltage", "volt = 29.6", 0.5, 0, [30.0, 29.3, 26.0]),
    ("under-voltage", "volt = 20.0", 0.5, 0, [19.5, 20.3, 26.0]),
    ("over-current", "ampere = 15.0", 1.0, 1, [-16.0, -14.5, -1.0]),
    ("over-current", "ampere = 15.0", 1.0, 1, [16.0, 14.5, -1.0]),
    ("over-temperature", "celsius = 45.0", 2.0, 2, [46.0, 44.0, 25.0]),
    ("under-temperature", "celsius = 0.0", 1.0, 2, [-1.0, 0.5, 25.0]),
];

fn limits(kind: &str, value: &str, hysteresis: f64) -> String {
    let one = |name: &str, more: &str| {
        format!(
            "\n[limits.{name}]\nkind = \"{kind}\"\nsource = \"bench-shunt\"\n{value}\n\
             hysteresis = {hysteresis:?}\n{more}\n"
        )
    };
    one("plain", "hold_second = 0")
        + &one("held", "hold_second = 6")
        + &one("long", "hold_second = 36000")
        + &one("latched", "hold_second = 0\nlatch = true")
}

#[test]
fn each_kind_is_passed_after_its_hold_and_over_after_its_hysteresis_and_latches() {
    use LimitStanding::{Beyond, Passed, Within};
    for (kind, value, hysteresis, place, [beyond, near, back]) in CASES {
        let bath = Bath::new(&limits(kind, value, hysteresis));
        bath.until_seen();
        assert_eq!(bath.standing("plain"), Within, "{kind}");
        bath.show(place, beyond);
        for name in ["plain", "held", "latched"] {
            let passed = until_standing(&bath.yard, name, Passed);
            assert!(passed.sentence.contains("on bench-shunt"), "{kind}: {}", passed.sentence);
        }
        assert_eq!(bath.standing("long"), Beyond, "{kind}: an excursion is not enough");
        bath.show(place, near);
        for name in ["plain", "held", "latched"] {
            assert_eq!(bath.standing(name), Passed, "{kind}: not back by the hysteresis");
        }
        bath.show(place, back);
        for name in ["plain", "held", "long"] {
            until_standing(&bath.yard, name, Within);
        }
        assert_eq!(bath.standing("latched"), Passed, "{kind}");
        bath.yard.bench.ampledger("limits acknowledge latched").good();
        until_standing(&bath.yard, "latched", Within);
    }
}

#[test]
fn a_temperature_that_rises_too_fast_is_told_however_low_it_is() {
    use LimitStanding::{Passed, Within};
    let bath = Bath::new(&limits("temperature-rise", "kelvin_per_minute = 5.0", 2.0));
    until_standing(&bath.yard, "plain", Within);
    let rise = |kelvin: f64| *bath.rises.lock().expect("the rise") = kelvin;
    rise(10.0);
    until_standing(&bath.yard, "plain", Passed);
    until_standing(&bath.yard, "held", Passed);
    rise(4.0);
    let seen = until("it rises more slowly", || {
        let now = limit(&bath.yard.bench, "plain");
        now.value.filter(|kelvin| *kelvin < 4.6).map(|_| now.standing)
    });
    assert_eq!(seen, Passed, "not back by the hysteresis");
    rise(0.0);
    until_standing(&bath.yard, "plain", Within);
    assert_eq!(bath.standing("latched"), Passed);
}
