//! Zero and calibration of a meter on the bench, as a person takes them.

use std::time::Duration;

use ampledger_types::Quantity;
use serde_json::{Value, json};

use crate::peers::{Cable, Sensor, line};
use crate::util::{Bench, Daemon, sources};

/// A reading a second at this rate of the clock.
const PACE: Duration = Duration::from_millis(10);
const RATE: f64 = 100.0;

/// A meter that reads around a current.
fn reading(ampere: f64) -> (Bench, Daemon, Cable, Sensor) {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon_at_rate(RATE);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    let sensor = around(&cable, ampere);
    (bench, daemon, cable, sensor)
}

fn around(cable: &Cable, ampere: f64) -> Sensor {
    let mut odd = false;
    Sensor::start(cable, PACE, move |_| {
        odd = !odd;
        Some(line(26.4, ampere + if odd { 0.001 } else { -0.001 }))
    })
}

fn session(bench: &Bench, id: &str) -> Value {
    bench.ampledger(&format!("show {id} --json")).json()
}

#[test]
fn an_offset_is_measured_on_the_lead_and_taken_off_what_is_read_from_then_on() {
    let (bench, daemon, cable, sensor) = reading(0.013);
    daemon.until_samples("bench-shunt", 400);
    let zero = bench.ampledger("zero bench-shunt --json").json();
    assert_eq!(zero["found"], json!("offset"), "{zero:#}");
    let mean = zero["zero"]["mean_ampere"].as_f64().expect("a mean");
    assert!((mean - 0.013).abs() < 0.000_2, "{mean}");
    assert!(zero["zero"]["count"].as_u64().is_some_and(|count| count >= 60), "{zero:#}");
    let now = daemon.status().sources.remove(0).latest;
    let now = now.iter().find(|reading| reading.quantity == Quantity::Current).expect("a current");
    assert!(now.value.abs() < 0.001_5, "{} A is what the meter says", now.value);
    bench.ampledger("start --pack GAL-07 --rated-ah 60").good();
    drop(sensor);
    let sensor = around(&cable, 0.013 - 12.0);
    let samples = daemon.status().sources[0].counters.samples;
    daemon.until_samples("bench-shunt", samples + 100);
    drop(sensor);
    bench.ampledger("stop").good();
    let report = session(&bench, "1");
    let used = &report["calibrations"][0];
    assert_eq!((&used["id"], &used["channel"]), (&json!(1), &json!("current")), "{report:#}");
    // The highest, because the mean takes in how long the sensors were changed over.
    let phases = report["phases"].as_array().into_iter().flatten();
    let highest = phases.filter_map(|phase| phase["highest_current_ampere"].as_f64());
    let highest = highest.fold(0.0, f64::max);
    assert!((highest - 12.001).abs() < 0.001, "{highest}: without the zero it is 11.988");
}

#[test]
fn a_zero_keeps_the_temperature_near_the_meter() {
    let warmth = "[sources.bench-shunt.fields.T]\nquantity = \"ambient_temperature_celsius\"\n";
    let bench = Bench::new(&(sources::lines("bench-shunt") + warmth));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon_at_rate(RATE);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    let mut celsius = 21.0;
    let _sensor = Sensor::start(&cable, PACE, move |_| {
        celsius = 42.5 - celsius;
        Some(line(26.4, 0.013).replace('\n', &format!(" T={celsius:.1}\n")))
    });
    daemon.until_samples("bench-shunt", 300);
    let zero = bench.ampledger("zero bench-shunt --json").json();
    let celsius = zero["zero"]["celsius"].as_f64().expect("a temperature");
    assert!((celsius - 21.25).abs() < 0.02, "{zero:#}");
    assert!(zero["says"].as_str().is_some_and(|says| says.contains("at 21 °C")), "{zero:#}");
}

#[test]
fn a_zero_is_refused_while_a_current_flows_and_before_the_lead_has_settled() {
    let (bench, daemon, _cable, _sensor) = reading(-12.0);
    daemon.until_samples("bench-shunt", 300);
    let run = bench.ampledger("zero bench-shunt").fails_with(4);
    assert!(run.err().contains("a current flows"), "{}", run.err());
    let (bench, daemon, _cable, _sensor) = reading(0.013);
    daemon.until_samples("bench-shunt", 20);
    let run = bench.ampledger("zero bench-shunt --over 30").fails_with(4);
    assert!(run.err().contains("left to settle"), "{}", run.err());
}

#[test]
fn on_a_resting_lead_the_figure_is_a_draw_and_nothing_is_applied() {
    let (bench, daemon, _cable, _sensor) = reading(-0.04);
    daemon.until_samples("bench-shunt", 400);
    let draw = bench.ampledger("zero bench-shunt --connected --json").json();
    assert_eq!((&draw["found"], &draw["applied"]), (&json!("draw"), &Value::Null));
    let kept = bench.ampledger("calibrate bench-shunt --json").json();
    assert_eq!(kept, json!([]));
}

#[test]
fn a_zero_applied_back_makes_a_new_revision_that_names_what_was_said() {
    let (bench, daemon, cable, sensor) = reading(0.02 - 12.0);
    daemon.until_samples("bench-shunt", 100);
    bench.ampledger("start --pack GAL-07 --rated-ah 60").good();
    let samples = daemon.status().sources[0].counters.samples;
    daemon.until_samples("bench-shunt", samples + 300);
    bench.ampledger("stop").good();
    let before = session(&bench, "1");
    drop(sensor);
    let _sensor = around(&cable, 0.02);
    let samples = daemon.status().sources[0].counters.samples;
    daemon.until_samples("bench-shunt", samples + 400);
    let zero = bench.ampledger_with(&["zero", "bench-shunt", "--back", "6 h ago", "--json"]);
    // The record is younger than six hours: told, with where it begins.
    let run = zero.fails_with(4);
    assert!(run.err().contains("the record begins") || run.out().contains("the record begins"));
    let start = before["session"]["started"]["unix_time_second"].as_f64().expect("a date");
    let back = date(start - 1.0).to_string();
    let zero = bench.ampledger_with(&["zero", "bench-shunt", "--back", &back, "--json"]).json();
    assert_eq!(zero["sessions"], json!([1]), "{zero:#}");
    let after = session(&bench, "1");
    assert_eq!(after["session"]["revision"], json!(2));
    assert_eq!(after["earlier"][0]["claim"], before["claim"]);
    let ah = |report: &Value| {
        report["results"]["discharging_capacity_ah"]["value"].as_f64().expect("a charge")
    };
    let hours = ah(&before) / 11.98;
    assert!((ah(&after) - ah(&before) - 0.02 * hours).abs() < 0.002 * hours, "{after:#}");
}

/// RFC 3339 of a Unix time.
fn date(unix_second: f64) -> jiff::Timestamp {
    jiff::Timestamp::from_microsecond((unix_second * 1e6) as i64).expect("a date")
}

#[test]
fn two_points_correct_a_meter_and_are_listed() {
    let (bench, daemon, _cable, _sensor) = reading(-12.06);
    daemon.until_samples("bench-shunt", 50);
    let points = ["--point", "-40.2=-40", "--point", "40.2=40", "--uncertainty", "0.02"];
    let arguments = [&["calibrate", "bench-shunt"][..], &points].concat();
    let said = bench.ampledger_with(&arguments).good().out();
    assert!(said.contains("Calibration of the current against two points"), "{said}");
    let kept = bench.ampledger("calibrate bench-shunt --json").json();
    let gain = kept[0]["change"]["line"]["gain"].as_f64().expect("a gain");
    assert!((gain - 40.0 / 40.2).abs() < 1e-9, "{kept:#}");
    assert!(kept[0]["taken_unix_time_second"].is_number(), "{kept:#}");
    let list = bench.ampledger("calibrate bench-shunt").good().out();
    assert!(list.contains("taken 20") && list.contains("holds since 20"), "{list}");
    bench.ampledger("start --pack GAL-07").good();
    let samples = daemon.status().sources[0].counters.samples;
    daemon.until_samples("bench-shunt", samples + 100);
    bench.ampledger("stop").good();
    let phase = &session(&bench, "1")["phases"][0];
    let mean = phase["mean_current_ampere"].as_f64().expect("a mean");
    assert!((mean + 12.0).abs() < 0.01, "{phase:#}");
    let run = bench.ampledger_with(&["calibrate", "bench-shunt", "--point", "1=1"]).fails_with(4);
    assert!(run.err().contains("two points"), "{}", run.err());
}
