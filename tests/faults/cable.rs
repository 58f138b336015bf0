//! Faults of the connection: pulled, missing, held, and never coming back.

use std::time::Duration;

use ampledger_types::api::SourceState;
use serde_json::json;

use crate::peers::{Cable, Chance, Sensor, line, numbered};
use crate::util::{Bench, Daemon, record, sources};

const PACE: Duration = Duration::from_millis(10);
const UNPLUGS: u64 = 200;

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
    let listed = bench.ampledger("sources");
    assert!(listed.out().contains("bench-shunt has been dark since"), "{}", listed.out());
    assert!(listed.out().contains("26.4"), "the last value is kept: {}", listed.out());
    cable.send(line(26.4, -12.1).as_bytes());
    daemon.until("live again", "bench-shunt", |s| s.state == SourceState::Live);
}

/// Bytes that the daemon has taken from the source until it is lost for the
/// `lost`th time.
fn bytes_at_loss(daemon: &Daemon, lost: u64) -> u64 {
    daemon.until("it is lost", "bench-shunt", |s| s.counters.lost >= lost).counters.bytes
}

#[test]
fn every_whole_frame_sent_while_the_line_was_up_is_recorded_once_over_200_unplugs() {
    let bench = Bench::new(&sources::numbered("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    let mut chance = Chance::new();
    let (mut next, mut expected, mut taken_before) = (0u32, Vec::new(), 0);
    for round in 1..=UNPLUGS {
        daemon.until_opened("bench-shunt", round);
        let first = next;
        let mut stream: Vec<u8> = Vec::new();
        for _ in 0..chance.within(1..30) {
            stream.extend(numbered(next));
            next += 1;
        }
        // The cable is pulled in the middle of a frame, mostly.
        stream.truncate(stream.len() - chance.within(0..8) as usize);
        for piece in stream.chunks(chance.within(1..40) as usize) {
            cable.send(piece);
        }
        let sent = stream.len() as u64;
        if chance.one_in(2) {
            // All that the meter has counted as sent has arrived.
            daemon.until("all bytes are taken", "bench-shunt", |s| {
                s.counters.bytes == taken_before + sent
            });
        }
        cable.unplug();
        // What is lost on the way is lost from some byte on.
        let taken = bytes_at_loss(&daemon, round);
        let whole = (taken - taken_before) / 8;
        assert!(taken - taken_before <= sent, "more than was sent");
        expected.extend(first..first + whole as u32);
        taken_before = taken;
        cable.plug();
    }
    assert!(daemon.stop().success());
    let found = record::numbers(&bench.store(), "bench-shunt");
    let found: Vec<u32> = found.into_iter().map(|(number, _)| number).collect();
    assert!(expected.len() as u64 > 5 * UNPLUGS, "most frames arrive");
    assert_eq!(found, expected);
}
