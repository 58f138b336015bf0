//! Faults of an instrument that is asked: late, mute, wrong, exchanged.

use std::time::Duration;

use ampledger_types::api::{LatestReading, SourceState};

use crate::peers::{Cable, Manners, Scpi};
use crate::util::{Bench, Daemon, sources};

fn bench(manners: Manners) -> (Bench, Scpi, Daemon) {
    let bench = Bench::new(&sources::scpi("load"));
    let cable = Cable::plugged(bench.path("load"));
    let load = Scpi::start(&cable, manners);
    let daemon = bench.daemon();
    (bench, load, daemon)
}

fn value(latest: &[LatestReading], channel: &str) -> Option<f64> {
    latest.iter().find(|r| r.channel == channel).map(|r| r.value)
}

#[test]
fn the_load_is_asked_and_its_answers_become_samples() {
    let (_bench, _load, daemon) = bench(Manners::default());
    daemon.until_samples("load", 5);
    let source = daemon.source("load");
    assert_eq!(value(&source.latest, "voltage_volt"), Some(26.4));
    assert_eq!(value(&source.latest, "current_ampere"), Some(-12.1));
    assert!(source.identity.is_some_and(|who| who.contains("LOAD-60") && who.contains("1207")));
}

#[test]
fn a_late_answer_is_never_taken_for_the_next() {
    // Each fifth answer comes after the daemon has given it up. Voltage is
    // positive and current negative, so a mixed-up pair shows.
    let manners = Manners { late_every: 5, late: Duration::from_millis(300), ..Manners::default() };
    let (bench, load, daemon) = bench(manners);
    daemon.until_samples("load", 1);
    bench.ampledger("start --pack GAL-07").good();
    daemon.until("ten answers came late", "load", |_| load.late() >= 10);
    daemon.until_samples("load", daemon.source("load").counters.samples + 3);
    bench.ampledger("stop").good();
    let counters = daemon.source("load").counters;
    assert!(counters.complaints.contains_key("no_answer"), "{counters:?}");
    let file = bench.path("late.bdf.csv");
    let file = file.to_str().expect("a path");
    bench.ampledger_with(&["export", "last", "--format", "bdf-csv", "--output", file]).good();
    let rows = crate::export::table(file);
    for row in &rows {
        for (column, expected) in [("Voltage / V", 26.4), ("Current / A", -12.1)] {
            let seen = row[column];
            assert!(seen.is_nan() || seen == expected, "{column} became {seen} in {row:?}");
        }
    }
    assert!(rows.len() >= 10, "{} rows", rows.len());
}

#[test]
fn a_mute_instrument_is_told_and_comes_back() {
    let (_bench, load, daemon) = bench(Manners::default());
    daemon.until_samples("load", 3);
    load.behave(|m| m.mute = true);
    daemon.until("missing answers are counted", "load", |s| {
        s.counters.complaints.get("no_answer").is_some_and(|n| *n >= 2)
    });
    daemon.until("it is not called live", "load", |s| s.state != SourceState::Live);
    load.behave(|m| m.mute = false);
    let before = daemon.source("load").counters.samples;
    daemon.until_samples("load", before + 3);
}

#[test]
fn not_a_number_and_overload_are_no_numbers() {
    // SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 stands for infinity,
    // 9.91E37 for not a number.
    let (_bench, load, daemon) = bench(Manners::default());
    daemon.until_samples("load", 3);
    for code in ["9.9E37", "-9.90000000E+37", "9.91E37", "OVLD"] {
        let asked = load.asked();
        load.behave(|m| m.instead = Some(code.to_owned()));
        daemon.until("it was asked again", "load", |_| load.asked() >= asked + 4);
        for reading in daemon.source("load").latest {
            assert!(reading.value.abs() < 1e3, "{code} became {reading:?}");
        }
    }
}

#[test]
fn another_instrument_on_the_same_port_is_marked() {
    let bench = Bench::new(&sources::scpi("load"));
    let cable = Cable::plugged(bench.path("load"));
    let load = Scpi::start(&cable, Manners::default());
    let daemon = bench.daemon();
    daemon.until_samples("load", 3);
    bench.ampledger("start --pack GAL-07").good();
    cable.unplug();
    load.behave(|m| m.serial_number = "9999".to_owned());
    cable.plug();
    daemon.until("the new one is known", "load", |s| {
        s.identity.as_ref().is_some_and(|who| who.contains("9999"))
    });
    daemon.until_samples("load", daemon.source("load").counters.samples + 2);
    bench.ampledger("stop").good();
    let shown = bench.ampledger("show last --json").json();
    let markers = shown["markers"].as_array().expect("markers");
    assert!(markers.iter().any(|m| m["kind"] == "instrument_changed"), "{shown:#}");
}
