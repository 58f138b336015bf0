//! A bench with one meter that reads what the test sets: the daemon, the cable,
//! and a sensor that prints the same reading until it is told another.

use std::time::Duration;

use crate::peers::{Cable, Sensor, line};
use crate::util::{Bench, Daemon, sources};

/// From one reading to the next.
pub const PACE: Duration = Duration::from_millis(10);

/// The bench. Its meter is `bench-shunt`.
pub struct Yard {
    pub bench: Bench,
    pub daemon: Daemon,
    pub cable: Cable,
    pub sensor: Option<Sensor>,
}

impl Yard {
    /// A bench whose configuration has `more` beside the meter.
    pub fn new(more: &str) -> Yard {
        Yard::at_rate(1.0, more)
    }

    /// The same with a clock that runs `rate` times as fast.
    pub fn at_rate(rate: f64, more: &str) -> Yard {
        Yard::on(Bench::new(&(sources::lines("bench-shunt") + more)), rate)
    }

    /// The same on a bench whose configuration has a `bench-shunt` already.
    pub fn on(bench: Bench, rate: f64) -> Yard {
        let cable = Cable::plugged(bench.path("bench-shunt"));
        let daemon = bench.daemon_at_rate(rate);
        Yard::of(bench, daemon, cable)
    }

    /// The same where the daemon runs already.
    pub fn of(bench: Bench, daemon: Daemon, cable: Cable) -> Yard {
        daemon.until_opened("bench-shunt", 1);
        cable.end_first_line();
        Yard { bench, daemon, cable, sensor: None }
    }

    /// The meter reads this from now on; waits until the daemon has seen it.
    pub fn read(&mut self, volt: f64, ampere: f64) {
        self.read_for(volt, ampere, 5);
    }

    /// The same; waits for so many readings.
    pub fn read_for(&mut self, volt: f64, ampere: f64, readings: u64) {
        self.sensor = None;
        let seen = self.daemon.source("bench-shunt").counters.samples;
        self.sensor = Some(Sensor::start(&self.cable, PACE, move |_| Some(line(volt, ampere))));
        self.daemon.until_samples("bench-shunt", seen + readings);
    }

    /// The meter says nothing any more.
    pub fn fall_silent(&mut self) {
        self.sensor = None;
    }

    /// The texts of a session's markers.
    pub fn markers(&self, session: i64) -> Vec<String> {
        let report = self.bench.ampledger(&format!("show {session} --json")).json();
        let markers = report["markers"].as_array().expect("markers");
        markers.iter().map(|m| m["text"].as_str().expect("a text").to_owned()).collect()
    }

    /// Stops the daemon in order and starts it again.
    pub fn restart(self, rate: f64) -> Yard {
        let Yard { bench, daemon, cable, sensor } = self;
        assert!(daemon.stop().success());
        let daemon = bench.daemon_at_rate(rate);
        daemon.until_opened("bench-shunt", 1);
        Yard { bench, daemon, cable, sensor }
    }
}
