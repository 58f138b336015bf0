//! Faults of the connection: pulled, missing, held, and never coming back.

use std::time::Duration;

use ampledger_types::api::SourceState;
use serde_json::json;

use crate::peers::{Cable, Sensor, line};
use crate::util::{Bench, sources};

const PACE: Duration = Duration::from_millis(10);

#[test]
fn a_cable_pulled_and_back_is_reopened_and_leaves_a_marker() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    let sensor = Sensor::steady(&cable, PACE, 26.4, -12.1);
    daemon.until_samples("bench-shunt", 20);
    bench.ampledger("start --pack GAL-07").good();

    cable.unplug();
    let gone = daemon.until("the source is not live", "bench-shunt", |s| {
        s.state != SourceState::Live && s.reason.is_some()
    });
    assert!(gone.reason.is_some_and(|why| !why.is_empty()));
    cable.plug();
    daemon.until_opened("bench-shunt", 2);
    let before = daemon.source("bench-shunt").counters.samples;
    daemon.until_samples("bench-shunt", before + 20);
    sensor.silence();

    bench.ampledger("stop").good();
    let shown = bench.ampledger("show last --json").json();
    let markers = shown["markers"].as_array().expect("markers");
    let of = |kind: &str| markers.iter().filter(|m| m["kind"] == json!(kind)).count();
    assert!(of("source_lost") >= 1, "{shown:#}");
    assert!(of("source_opened") >= 1, "{shown:#}");
    assert!(daemon.stop().success());
}

#[test]
fn one_source_that_cannot_be_opened_does_not_touch_the_other() {
    let text = sources::lines("bench-shunt") + &sources::lines("clamp");
    let bench = Bench::new(&text);
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    let missing = daemon.until("the missing device is told", "clamp", |s| s.reason.is_some());
    assert!(missing.reason.is_some_and(|why| why.contains("clamp")), "the path is named");
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    cable.send(line(26.4, -12.1).as_bytes());
    daemon.until_samples("bench-shunt", 1);

    let late = Cable::plugged(bench.path("clamp"));
    daemon.until_opened("clamp", 1);
    late.end_first_line();
    late.send(line(26.4, -12.0).as_bytes());
    daemon.until_samples("clamp", 1);
}

#[test]
fn the_line_is_opened_with_the_configured_rate() {
    let text = sources::lines("bench-shunt").replace("115200", "250000");
    let bench = Bench::new(&text);
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    assert_eq!(cable.baud(), 250_000);
}

#[test]
fn a_source_that_falls_silent_is_called_quiet_then_dark() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    // The limits are seconds (3 s and 10 s at this pace): a clock 20 times as
    // fast makes them short.
    let daemon = bench.daemon_at_rate(20.0);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    let sensor = Sensor::steady(&cable, PACE, 26.4, -12.1);
    daemon.until("live", "bench-shunt", |s| s.state == SourceState::Live);
    sensor.silence();
    daemon.until("dark", "bench-shunt", |s| s.state == SourceState::Dark);
    let dark = daemon.source("bench-shunt");
    assert!(dark.since_unix_time_second.is_some(), "{dark:?}");
    cable.send(line(26.4, -12.1).as_bytes());
    daemon.until("live again", "bench-shunt", |s| s.state == SourceState::Live);
}
