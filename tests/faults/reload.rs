//! The configuration read again: only what changed is touched, a file that is
//! wrong stops nothing, and what changed is said.

use ampledger_types::api::{ReloadResponse, SourceState};
use serde_json::{Value, json};

use crate::peers::{Cable, Sensor, line};
use crate::util::{Bench, Daemon, sources};
use crate::yard::Yard;

const PACE: std::time::Duration = std::time::Duration::from_millis(10);

/// A daemon with `bench-shunt` and `clamp` at their cables, both live.
fn live() -> (Bench, [Cable; 2], [Sensor; 2], Daemon) {
    let bench = Bench::new(&(sources::lines("bench-shunt") + &sources::lines("clamp")));
    let cables = ["bench-shunt", "clamp"].map(|name| Cable::plugged(bench.path(name)));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    daemon.until_opened("clamp", 1);
    cables.iter().for_each(Cable::end_first_line);
    let sensors = [26.4, 12.6].map(|volt| (volt, -12.1));
    let sensors = [0, 1].map(|i| Sensor::steady(&cables[i], PACE, sensors[i].0, sensors[i].1));
    daemon.until_samples("bench-shunt", 10);
    daemon.until_samples("clamp", 10);
    (bench, cables, sensors, daemon)
}

fn reload(bench: &Bench) -> ReloadResponse {
    bench.api().post("/v1/reload", &json!(null)).good().read()
}

#[test]
fn only_the_source_that_changed_is_touched() {
    let (bench, _cables, _sensors, daemon) = live();
    let changed = sources::lines("clamp")
        .replace("current_ampere", "current_ampere\"\nscale = 2.0\nchannel = \"twice");
    bench.configure(&(sources::lines("bench-shunt") + &changed));
    let done = reload(&bench);
    assert_eq!(done.changed, ["clamp"], "{done:?}");
    assert_eq!(done.untouched, ["bench-shunt"], "{done:?}");
    daemon.until("it is read otherwise", "clamp", |s| {
        s.latest.iter().any(|r| r.channel == "twice" && r.value == -24.2)
    });
    let other = daemon.source("bench-shunt");
    assert_eq!((other.counters.opened, other.counters.lost), (1, 0));
}

/// What a meter is like that cannot tell 2 A from nothing.
const COARSE: &str = "
[sources.bench-shunt.instrument]
serial_number = \"1207\"
accuracy.current_ampere = { gain_percent = 0.5, offset = 2.0, resolution = 0.01 }
";

#[test]
fn what_an_instrument_is_said_to_be_reaches_rules_and_reports_without_a_touch_to_its_source() {
    let mut yard = Yard::at_rate(60.0, "");
    yard.read_for(0.1, 0.0, 30);
    // A current that counts as a load.
    yard.read_for(26.6, -1.2, 200);
    yard.bench.ampledger("stop").good();
    let before = yard.bench.ampledger("show last --json").json();
    let uncertainty = |report: &Value| {
        report["results"]["discharging_capacity_ah"]["expanded_uncertainty"].as_f64()
    };
    assert_eq!(uncertainty(&before), None, "nothing is said of the meter: {before:#}");
    yard.bench.configure(&(sources::lines("bench-shunt") + COARSE));
    let done: ReloadResponse = reload(&yard.bench);
    assert_eq!(done.described, ["bench-shunt"], "{done:?}");
    assert_eq!(yard.daemon.source("bench-shunt").counters.opened, 1);

    let after = yard.bench.ampledger("show last --json").json();
    assert!(uncertainty(&after).is_some(), "{after:#}");
    assert_eq!(after["session"]["revision"], json!(2), "{after:#}");
    assert_eq!(after["earlier"][0]["claim"], before["claim"], "what was said is named");

    // The same current is none any more: the next pack is one that is connected,
    // not one that is loaded. This one is seen by the new description first, or
    // its going would be a trip under load.
    yard.read_for(26.6, -1.2, 60);
    yard.read_for(0.1, 0.0, 200);
    yard.read_for(26.6, -1.2, 200);
    let markers = yard.markers(2);
    assert!(markers.iter().any(|text| text.contains("a pack is connected")), "{markers:?}");
}

#[test]
fn a_source_is_added_and_taken_away_without_a_restart() {
    let (bench, cables, _sensors, daemon) = live();
    assert!(!cables[1].is_free(), "its line is held");
    let added = Cable::plugged(bench.path("load"));
    bench.configure(&(sources::lines("bench-shunt") + &sources::lines("load")));
    let run = bench.ampledger("reload").good();
    assert!(
        run.out().contains("Begun: load") && run.out().contains("Ended: clamp"),
        "{}",
        run.out()
    );
    daemon.until_opened("load", 1);
    added.end_first_line();
    added.send(line(26.4, -12.1).as_bytes());
    daemon.until_samples("load", 1);
    assert!(daemon.status().sources.iter().all(|s| s.name != "clamp"));
    assert!(cables[1].is_free(), "its line is let go");
    assert_eq!(daemon.source("bench-shunt").counters.opened, 1);
}

#[test]
fn a_source_that_is_wrong_now_goes_on_as_it_was() {
    let (bench, _cables, _sensors, daemon) = live();
    bench.configure(
        &(sources::lines("bench-shunt") + &sources::lines("clamp").replace("baud", "buad")),
    );
    let run = bench.ampledger("reload").fails_with(1);
    assert!(run.out().contains("buad") && run.out().contains("clamp"), "{}", run.out());
    let before = daemon.source("clamp").counters.samples;
    daemon.until_samples("clamp", before + 10);
    assert_eq!(daemon.source("clamp").counters.opened, 1);
    // Put right, it is as before: nothing to do.
    bench.configure(&(sources::lines("bench-shunt") + &sources::lines("clamp")));
    assert_eq!(reload(&bench).untouched, ["bench-shunt", "clamp"]);
}

#[test]
fn a_source_that_was_refused_begins_when_it_is_put_right() {
    let wrong = sources::lines("bench-shunt").replace("baud", "buad");
    let bench = Bench::new(&wrong);
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    assert_eq!(daemon.source("bench-shunt").state, SourceState::Failed);
    bench.configure(&sources::lines("bench-shunt"));
    assert_eq!(reload(&bench).begun, ["bench-shunt"]);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    cable.send(line(26.4, -12.1).as_bytes());
    daemon.until_samples("bench-shunt", 1);
}

#[test]
fn a_file_that_cannot_be_used_changes_nothing() {
    let (bench, _cables, _sensors, daemon) = live();
    bench.write("ampledger.toml", b"[sources.clamp\n");
    let refusal = bench.api().post("/v1/reload", &json!(null));
    assert_eq!((refusal.status, refusal.refusal().code.as_str()), (400, "bad_configuration"));
    assert!(refusal.refusal().message.contains("ampledger.toml:1"), "the line is named");
    for name in ["bench-shunt", "clamp"] {
        let before = daemon.source(name).counters.samples;
        daemon.until_samples(name, before + 10);
        assert_eq!(daemon.source(name).counters.opened, 1);
    }
}

#[test]
fn a_hangup_signal_reloads_and_leaves_a_marker() {
    let (bench, _cables, _sensors, daemon) = live();
    bench.ampledger("start --pack GAL-07 --source bench-shunt").good();
    bench.configure(&sources::lines("bench-shunt"));
    daemon.hang_up();
    crate::util::until("the source is gone", || {
        daemon.status().sources.iter().all(|s| s.name != "clamp").then_some(())
    });
    bench.ampledger("stop").good();
    let shown = bench.ampledger("show last --json").json();
    let markers = shown["markers"].as_array().expect("markers");
    let marker = markers.iter().find(|m| m["kind"] == json!("configuration"));
    assert!(marker.is_some_and(|m| m["text"].to_string().contains("ended: clamp")), "{markers:#?}");
    assert!(daemon.stop().success());
}

#[test]
fn what_counts_from_the_next_start_is_named() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let _daemon = bench.daemon();
    bench.configure(&("[log]\nfilter = \"debug\"\n".to_owned() + &sources::lines("bench-shunt")));
    let done = reload(&bench);
    assert_eq!(done.after_restart, ["log"], "{done:?}");
}

#[test]
fn the_frames_of_a_source_that_was_configured_otherwise_are_numbered_without_a_hole() {
    let (bench, _cables, sensors, daemon) = live();
    let changed = sources::lines("clamp") + "scale = 2.0\n";
    bench.configure(&(sources::lines("bench-shunt") + &changed));
    assert_eq!(reload(&bench).changed, ["clamp"]);
    let before = daemon.source("clamp").counters.samples;
    daemon.until_samples("clamp", before + 20);
    sensors.into_iter().for_each(drop);
    assert!(daemon.stop().success());
    let reader = ampledger_store::Reader::open(&bench.store()).expect("the store");
    let heads = reader.chunks("clamp").expect("the frame log");
    let chunks = heads.iter().map(|head| reader.chunk(head).expect("a read").expect("a chunk"));
    let numbers: Vec<u64> = chunks.flat_map(|c| c.frames).map(|f| f.number).collect();
    let expected: Vec<u64> = (1..=numbers.len() as u64).collect();
    assert_eq!(numbers, expected);
}
