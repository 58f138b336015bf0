//! A session decoded again from its frames: shown first, applied when asked
//! for, and what was said before stays.

use std::fmt::Write as _;
use std::time::Duration;

use ampledger_store::Reader;
use ampledger_types::MarkerKind;
use ampledger_types::api::SourceState;
use serde_json::Value;

use crate::peers::{Cable, Manners, Scpi, Sensor, line};
use crate::util::{Bench, Daemon, record, sources};

/// Changes the last byte of a chunk of frames.
const SPOIL: &str = "UPDATE frame_chunk SET frames = \
                     CAST(substr(frames, 1, length(frames) - 1) || x'00' AS BLOB) WHERE id = ?1";
const PACE: Duration = Duration::from_millis(5);

/// The shunt as it is, printing a current ten times too high.
fn wrong() -> String {
    sources::lines("bench-shunt")
}

/// The table that puts it right.
fn right() -> String {
    format!("{}scale = 0.1\n", wrong())
}

/// A session of `GAL-07` with 300 readings of 26.4 V and, as recorded, -121 A,
/// the line lost and found again in the middle of it.
fn recorded() -> (Bench, Daemon) {
    let bench = Bench::new(&wrong());
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon_at_rate(100.0);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    bench.ampledger("start --pack GAL-07 --rated-ah 600").good();
    cable.send(line(26.4, -121.0).repeat(100).as_bytes());
    daemon.until_samples("bench-shunt", 100);
    cable.unplug();
    cable.plug();
    daemon.until_opened("bench-shunt", 2);
    cable.end_first_line();
    let sensor = Sensor::steady(&cable, PACE, 26.4, -121.0);
    daemon.until_samples("bench-shunt", 300);
    drop(sensor);
    bench.ampledger("stop").good();
    (bench, daemon)
}

fn show(bench: &Bench) -> Value {
    bench.ampledger("show 1 --json").json()
}

fn delivered(report: &Value) -> f64 {
    report["results"]["discharging_capacity_ah"]["value"].as_f64().expect("a figure")
}

fn change(told: &Value, channel: &str) -> Value {
    let channels = told["sources"][0]["channels"].as_array().expect("channels");
    channels.iter().find(|c| c["channel"] == channel).expect("the channel").clone()
}

#[test]
fn a_wrong_scale_is_shown_first_and_then_put_right_for_the_old_session() {
    let (bench, _daemon) = recorded();
    let before = show(&bench);
    bench.write("right.toml", right().as_bytes());

    let told = bench.ampledger("redecode 1 --with right.toml --json").json();
    assert_eq!((&told["applied"], &told["session"]["revision"]), (&false.into(), &1.into()));
    let current = change(&told, "current_ampere");
    assert_eq!(current["before"]["count"], current["after"]["count"], "{current:#}");
    assert_eq!(current["before"]["mean"], -121.0);
    assert!((current["mean_shift"].as_f64().expect("a shift") - 108.9).abs() < 1e-9, "{current:#}");
    assert_eq!(change(&told, "voltage_volt")["mean_shift"], 0.0);
    assert_eq!(told["sources"][0]["samples_left"], 0, "every reading's frame is kept");
    assert_eq!(show(&bench), before, "nothing is changed before it is applied");

    let said = bench.ampledger("redecode 1 --with right.toml --apply").good().out();
    let after = show(&bench);
    let claim = before["claim"].as_str().expect("a claim");
    assert!(said.contains(claim) && said.contains("revision 2"), "{said}");
    assert_eq!(after["session"]["revision"], 2);
    assert_eq!(after["earlier"][0]["claim"], before["claim"]);
    let ratio = delivered(&after) / delivered(&before);
    assert!((ratio - 0.1).abs() < 1e-9, "{ratio}");
    let again = bench.ampledger("redecode 1 --with right.toml").good().out();
    assert!(again.contains("Nothing would change"), "{again}");
    bench.ampledger("redecode 1 --with right.toml --apply").fails_with(4);
}

#[test]
fn store_and_daemon_and_export_agree_on_what_was_decoded_again() {
    let (bench, daemon) = recorded();
    bench.ampledger("export 1 -o before.bdf.csv").good();
    bench.write("right.toml", right().as_bytes());
    bench.ampledger("redecode 1 --with right.toml --apply").good();
    let live = show(&bench);
    bench.ampledger("export 1 -o after.bdf.csv").good();
    assert!(daemon.stop().success());
    let store = bench.store();
    let store = store.to_str().expect("a path");
    let still = bench.ampledger_with(&["show", "1", "--json", "--store", store]).json();
    assert_eq!(still["results"], live["results"]);
    assert_eq!(still["earlier"], live["earlier"]);
    let rows = |name: &str| {
        let text = std::fs::read_to_string(bench.path(name)).expect("the table");
        text.lines().skip(1).map(str::to_owned).collect::<Vec<String>>()
    };
    let (before, after) = (rows("before.bdf.csv"), rows("after.bdf.csv"));
    assert_eq!(before.len(), after.len());
    assert!(before.iter().all(|row| row.contains("-121")));
    assert!(after.iter().all(|row| row.contains("-12.1")), "{:?}", after.first());
}

#[test]
fn the_daemons_own_configuration_is_what_counts_without_another() {
    let (bench, daemon) = recorded();
    assert!(daemon.stop().success());
    bench.configure(&right());
    let _daemon = bench.daemon_at_rate(100.0);
    bench.ampledger("redecode GAL-07 --apply").good();
    assert_eq!(show(&bench)["session"]["revision"], 2);
}

#[test]
fn an_open_session_goes_on_with_what_was_decoded_again() {
    let bench = Bench::new(&wrong());
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon_at_rate(100.0);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    bench.ampledger("start --pack GAL-07").good();
    cable.send(line(26.4, -121.0).repeat(50).as_bytes());
    daemon.until_samples("bench-shunt", 50);
    bench.write("right.toml", right().as_bytes());
    // What arrives while it is applied belongs to the old configuration.
    let sensor = Sensor::steady(&cable, PACE, 26.4, -121.0);
    bench.ampledger("redecode 1 --with right.toml --apply").good();
    let so_far = daemon.source("bench-shunt").counters.samples;
    daemon.until_samples("bench-shunt", so_far + 50);
    drop(sensor);
    let live = show(&bench);
    bench.ampledger("stop").good();
    assert_eq!(live["session"]["revision"], 2);
    assert!(daemon.stop().success());
    let store = bench.store();
    let store = store.to_str().expect("a path");
    let still = bench.ampledger_with(&["show", "1", "--json", "--store", store]).json();
    let ended = still["results"]["discharging_capacity_ah"]["value"].as_f64().expect("a figure");
    assert!(ended >= delivered(&live), "{ended} {live:#}");
}

#[test]
fn what_cannot_be_read_is_told_and_never_applied() {
    let (bench, _daemon) = recorded();
    let before = show(&bench);
    bench.write("slip.toml", wrong().replace("current_ampere", "power_watt").as_bytes());
    let said = bench.ampledger("redecode 1 --with slip.toml --json").json();
    assert!(change(&said, "current_ampere")["after"].is_null(), "{said:#}");
    bench.write("typo.toml", wrong().replace("quantity", "quantty").as_bytes());
    let run = bench.ampledger("redecode 1 --with typo.toml --apply").fails_with(4);
    assert!(run.err().contains("typo.toml:8") && run.err().contains("quantity"), "{}", run.err());
    let other = "[sources.bench-shunt]\ndecoder = \"json-lines\"\n\
                 [sources.bench-shunt.fields.I]\nquantity = \"current_ampere\"\n";
    bench.write("other.toml", other.as_bytes());
    let run = bench.ampledger("redecode 1 --with other.toml --apply").fails_with(4);
    assert!(run.err().contains("no sample at all"), "{}", run.err());
    bench.write("else.toml", sources::lines("clamp").as_bytes());
    let run = bench.ampledger("redecode 1 --with else.toml").fails_with(4);
    assert!(run.err().contains("bench-shunt"), "{}", run.err());
    assert_eq!(show(&bench), before);
}

#[test]
fn a_meter_that_only_answers_is_decoded_again_like_one_that_talks() {
    let bench = Bench::new(&sources::scpi("load"));
    let cable = Cable::plugged(bench.path("load"));
    let load = Scpi::start(&cable, Manners::default());
    let daemon = bench.daemon();
    daemon.until_samples("load", 1);
    bench.ampledger("start --pack TUG-3").good();
    daemon.until_samples("load", 40);
    bench.ampledger("stop").good();
    drop(load);
    let right = sources::scpi("load")
        .replace("quantity = \"current_ampere\"", "quantity = \"current_ampere\"\nscale = 2.0");
    bench.write("right.toml", right.as_bytes());
    let told = bench.ampledger("redecode 1 --with right.toml --json").json();
    let current = change(&told, "current_ampere");
    assert_eq!(current["before"]["count"], current["after"]["count"], "{told:#}");
    let mean = |side: &str| current[side]["mean"].as_f64().expect("a mean");
    assert!((mean("after") - 2.0 * mean("before")).abs() < 1e-9, "{current:#}");
}

#[test]
fn a_budget_for_frames_drops_the_oldest_and_never_a_sessions() {
    let bench = Bench::new("");
    let text = std::fs::read_to_string(bench.config()).expect("the configuration");
    let text = text.replace("[api]", "frame_log_mebibyte = 0\n[api]") + &wrong();
    let text = text.replace("DIR", bench.path(".").to_str().expect("a path"));
    bench.write("ampledger.toml", text.as_bytes());
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let mut daemon = bench.daemon();
    // Two runs: one nobody marked, and one with a session.
    for session in [false, true] {
        daemon.until_opened("bench-shunt", 1);
        cable.end_first_line();
        if session {
            bench.ampledger("start --pack GAL-07").good();
        }
        cable.send(line(26.4, -121.0).repeat(20).as_bytes());
        daemon.until_samples("bench-shunt", 20);
        if session {
            bench.ampledger("stop").good();
        }
        assert!(daemon.stop().success());
        daemon = bench.daemon();
    }
    let told = bench.ampledger("redecode 1 --json").json();
    assert_eq!(told["sources"][0]["samples"][1], 20, "{told:#}");
    let chunks = Reader::open(&bench.store()).expect("the store").chunks("bench-shunt");
    let runs: Vec<i64> = chunks.expect("the frame log").iter().map(|c| c.run.0).collect();
    assert!(!runs.contains(&1) && runs.contains(&2), "{runs:?}");
}

/// Ten readings a second, while a replay takes a line for a second until it
/// knows better; one line cannot be read.
fn dense_file() -> String {
    let mut text = String::from("time_s,voltage_V,current_A\n");
    for i in 0..3000 {
        let volt = if i == 1500 { "?".to_owned() } else { "26.4".to_owned() };
        writeln!(text, "{:.1},{volt},-121.0", f64::from(i) / 10.0).expect("a string");
    }
    text
}

/// A session over the file, played, and in `right.toml` what puts it right.
fn replayed() -> (Bench, Daemon) {
    let wrong = sources::replay("bench-shunt", "old-run.csv", "");
    let bench = Bench::new(&wrong);
    bench.write("old-run.csv", dense_file().as_bytes());
    let daemon = bench.daemon();
    daemon.until("the file is played", "bench-shunt", |s| s.state == SourceState::Finished);
    daemon.until_recorded(daemon.status().store.newest);
    bench.ampledger("start --pack GAL-07 --source bench-shunt").good();
    bench.ampledger("stop").good();
    let scale = "fields.current_A.quantity = \"current_ampere\"\nfields.current_A.scale = 0.1\n";
    let replay = "[sources.bench-shunt.replay]";
    bench.write("right.toml", wrong.replace(replay, &format!("{scale}{replay}")).as_bytes());
    (bench, daemon)
}

#[test]
fn a_replay_whose_lines_have_times_of_their_own_is_decoded_again_as_a_whole() {
    let (bench, _daemon) = replayed();
    assert!(bench.ampledger("sessions").good().out().contains("5 min"));
    let before = show(&bench);
    let told = bench.ampledger("redecode 1 --with right.toml --apply --json").json();
    let current = change(&told, "current_ampere");
    assert_eq!(current["before"]["count"], 3000, "{current:#}");
    assert_eq!(current["after"]["count"], 3000, "{current:#}");
    assert_eq!(told["sources"][0]["samples_left"], 0);
    let ratio = delivered(&show(&bench)) / delivered(&before);
    assert!((ratio - 0.1).abs() < 1e-9, "{ratio}");

    let bad = record::markers(&bench.store(), "bench-shunt");
    let bad = bad.iter().find(|marker| marker.kind == MarkerKind::Unreadable);
    let bad = bad.expect("a marker of the line that cannot be read");
    assert!(bad.at.t_us < 302_000_000, "within the file's time: {bad:?}");
}

#[test]
fn what_the_damaged_end_of_a_replay_gave_stays() {
    let (bench, _daemon) = replayed();
    let reader = Reader::open(&bench.store()).expect("the store");
    let last = reader.chunks("bench-shunt").expect("the frame log").pop().expect("a chunk");
    let db = rusqlite::Connection::open(bench.store()).expect("the store");
    assert_eq!(db.execute(SPOIL, [last.id]).expect("a chunk"), 1);
    drop(db);
    let told = bench.ampledger("redecode 1 --with right.toml --json").json();
    let source = &told["sources"][0];
    let (anew, left) = (source["samples"][1].as_u64(), source["samples_left"].as_u64());
    let (anew, left) = anew.zip(left).expect("two counts");
    assert!(anew > 0 && left > 0 && anew + left == 3000, "{source:#}");
}

#[test]
fn damaged_frames_are_given_to_no_decoder_and_what_they_gave_stays() {
    let (bench, daemon) = recorded();
    let reader = Reader::open(&bench.store()).expect("the store");
    let heads = reader.chunks("bench-shunt").expect("the frame log");
    let frames = |head: &&ampledger_store::ChunkHead| head.last_number - head.first_number;
    let middle = heads[1..].iter().max_by_key(frames).expect("a chunk");
    let db = rusqlite::Connection::open(bench.store()).expect("the store");
    assert_eq!(db.execute(SPOIL, [middle.id]).expect("a chunk"), 1);
    drop(db);
    bench.write("right.toml", right().as_bytes());
    bench.ampledger("redecode 1 --with right.toml --apply").good();
    let named = format!("chunk {} of the frame log", middle.id);
    assert!(daemon.log().contains(&named), "{}", daemon.log());
    let said = bench.ampledger("doctor").fails_with(1).out();
    assert!(said.contains(&named) && said.contains("checksum"), "{said}");
    bench.ampledger("export 1 -o after.bdf.csv").good();
    let table = std::fs::read_to_string(bench.path("after.bdf.csv")).expect("the table");
    let of = |current: &str| table.lines().filter(|row| row.contains(current)).count();
    let (right, as_it_was) = (of(",-12.1"), of(",-121"));
    assert_eq!(right + as_it_was + 1, table.lines().count(), "every reading is there once");
    assert!(right > 100 && as_it_was > 0, "{right} read anew, {as_it_was} left");
}
