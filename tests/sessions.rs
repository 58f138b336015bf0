//! Sessions: marked now or in the past, side by side, tagged, kept over a
//! restart.

use std::time::Duration;

use ampledger_types::api::StatusResponse;
use serde_json::{Value, json};

use crate::peers::{Cable, Sensor};
use crate::util::{Bench, Daemon, sources};

const PACE: Duration = Duration::from_millis(10);

/// A bench with a meter that reads a steady discharge.
fn discharging(rate: f64) -> (Bench, Daemon, Sensor) {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon_at_rate(rate);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    let sensor = Sensor::steady(&cable, PACE, 26.4, -12.0);
    daemon.until_samples("bench-shunt", 5);
    (bench, daemon, sensor)
}

fn show(bench: &Bench, session: &str) -> Value {
    bench.ampledger(&format!("show {session} --json")).json()
}

fn delivered_ah(report: &Value) -> f64 {
    let figure = &report["results"]["discharging_capacity_ah"];
    figure["value"].as_f64().unwrap_or_else(|| panic!("{figure}"))
}

#[test]
fn a_session_can_begin_in_the_past() {
    let (bench, daemon, sensor) = discharging(200.0);
    daemon.until_samples("bench-shunt", 200);
    let sources: StatusResponse = daemon.status();
    let now = sources.clock.unix_time_second;
    bench.ampledger_with(&["start", "--pack", "GAL-07", "--at", "3 min ago"]).good();
    bench.ampledger("stop").good();
    drop(sensor);
    let report = show(&bench, "last");
    let start = report["session"]["started"]["unix_time_second"].as_f64().expect("a date");
    // The command takes real time, which the clock's rate makes many seconds.
    assert!((start - (now - 180.0)).abs() < 120.0, "started {start}, asked at {now}");
    let hours = 180.0 / 3600.0;
    assert!(delivered_ah(&report) >= 12.0 * hours * 0.95, "{report:#}");
}

#[test]
fn a_session_over_the_readings_of_another_is_told() {
    let (bench, daemon, sensor) = discharging(200.0);
    daemon.until_samples("bench-shunt", 200);
    bench.ampledger("start --pack GAL-07").good();
    daemon.until_samples("bench-shunt", 300);
    bench.ampledger("stop").good();
    let said = bench.ampledger_with(&["start", "--pack", "GAL-12", "--at", "2 min ago"]).out();
    assert!(said.contains("session 1 (GAL-07) has readings of the same time"), "{said}");
    bench.ampledger("stop").good();
    let said = bench.ampledger("start --pack TUG-3").out();
    assert!(!said.contains("of the same time"), "{said}");
    drop(sensor);
}

#[test]
fn a_time_that_is_none_is_refused_with_what_would_be_one() {
    let (bench, _daemon, _sensor) = discharging(1.0);
    let run = bench.ampledger_with(&["start", "--pack", "GAL-07", "--at", "the day of the flood"]);
    let run = run.fails_with(4);
    assert!(run.err().contains("ago"), "{}", run.err());
}

#[test]
fn two_sessions_run_side_by_side_on_different_sources() {
    let bench = Bench::new(&(sources::lines("bench-shunt") + &sources::lines("clamp")));
    let one = Cable::plugged(bench.path("bench-shunt"));
    let two = Cable::plugged(bench.path("clamp"));
    let daemon = bench.daemon_at_rate(100.0);
    daemon.until_opened("bench-shunt", 1);
    daemon.until_opened("clamp", 1);
    one.end_first_line();
    two.end_first_line();
    let first = Sensor::steady(&one, PACE, 26.4, -12.0);
    let second = Sensor::steady(&two, PACE, 12.6, 4.0);
    bench.ampledger("start --pack GAL-07 --source bench-shunt").good();
    bench.ampledger("start --pack TUG-3 --source clamp").good();
    assert_eq!(daemon.status().open_sessions.len(), 2);
    for name in ["bench-shunt", "clamp"] {
        daemon.until_samples(name, 100);
    }
    drop((first, second));
    for pack in ["GAL-07", "TUG-3"] {
        bench.ampledger(&format!("stop {pack}")).good();
    }
    let (pack, other) = (show(&bench, "GAL-07"), show(&bench, "TUG-3"));
    assert_eq!(pack["session"]["pack"], json!("GAL-07"));
    assert_eq!(other["session"]["pack"], json!("TUG-3"));
    assert!(delivered_ah(&pack) > 0.0, "{pack:#}");
    assert_eq!(pack["results"]["charging_capacity_ah"]["value"], json!(0.0), "{pack:#}");
    assert_eq!(other["results"]["discharging_capacity_ah"]["value"], json!(0.0), "{other:#}");
    let charged = other["results"]["charging_capacity_ah"]["value"].as_f64();
    assert!(charged.is_some_and(|q| q > 0.0), "{other:#}");
}

#[test]
fn tags_are_hung_on_replaced_and_taken_off() {
    let (bench, _daemon, _sensor) = discharging(1.0);
    bench.ampledger("start --pack GAL-07 --tag refurbished").good();
    bench.ampledger("tag last load=lamp after-winter").good();
    bench.ampledger("tag last load=heater").good();
    bench.ampledger("tag last --remove after-winter").good();
    let tags = show(&bench, "last")["session"]["tags"].clone();
    assert_eq!(
        tags,
        json!([{"key": "refurbished", "value": null}, {"key": "load", "value": "heater"}])
    );
}

#[test]
fn a_session_is_found_by_number_pack_and_last() {
    let (bench, _daemon, _sensor) = discharging(1.0);
    bench.ampledger("start --pack GAL-07").good();
    bench.ampledger("stop").good();
    bench.ampledger("start --pack GAL-12").good();
    bench.ampledger("stop").good();
    assert_eq!(show(&bench, "1")["session"]["pack"], json!("GAL-07"));
    assert_eq!(show(&bench, "GAL-07")["session"]["id"], json!(1));
    assert_eq!(show(&bench, "last")["session"]["id"], json!(2));
    let none = bench.ampledger("show 99").fails_with(4);
    assert!(none.err().contains("99"), "{}", none.err());
}

#[test]
fn a_restart_in_the_middle_changes_nothing_but_a_gap() {
    let (bench, daemon, sensor) = discharging(1.0);
    bench.ampledger("start --pack GAL-07 --rated-ah 60").good();
    daemon.until_samples("bench-shunt", 50);
    assert!(daemon.stop().success());
    let daemon = bench.daemon();
    daemon.until_samples("bench-shunt", 50);
    drop(sensor);
    bench.ampledger("stop").good();
    let report = show(&bench, "1");
    assert_eq!(report["session"]["pack"], json!("GAL-07"));
    let discharges = report["phases"].as_array().expect("phases");
    let discharges = discharges.iter().filter(|p| p["kind"] == json!("discharge"));
    assert_eq!(discharges.count(), 1, "one discharge, interrupted: {report:#}");
}

#[test]
fn what_is_not_known_is_null_with_a_reason_and_never_nought() {
    let (bench, _daemon, _sensor) = discharging(1.0);
    bench.ampledger("start --pack GAL-07").good();
    bench.ampledger("stop").good();
    let report = show(&bench, "last");
    let figure = &report["results"]["capacity_to_cutoff_ah"];
    assert_eq!(figure["value"], Value::Null, "{figure}");
    assert_eq!(figure["status"], json!("undetermined"));
    assert!(figure["reasons"].as_array().is_some_and(|r| !r.is_empty()), "{figure}");
}

#[test]
fn a_voltage_that_does_not_fit_the_pack_is_told_at_once() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    // A 12 V pack hangs on the bench, and the person says it is the 24 V one.
    let _sensor = Sensor::steady(&cable, PACE, 12.6, 0.0);
    daemon.until_samples("bench-shunt", 50);
    let pack = "--pack GAL-07 --chemistry lithium-iron-phosphate --cells 8";
    let started = bench.ampledger(&format!("start {pack} --json")).json();
    let checks = started["checks"].as_array().expect("checks");
    assert!(checks.iter().any(|c| c["outcome"] == json!("bad")), "{started:#}");
}
