//! The wall clock is stepped while a discharge runs: dates follow, figures stay.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::json;

use crate::peers::Cable;
use crate::util::{Bench, Daemon, root, skip, sources, until};
use crate::yard::Yard;

/// The library that steps the clock; `None` without a C compiler.
fn stepped_clock(folder: &Path) -> Option<PathBuf> {
    let library = folder.join("stepped_clock.so");
    let source = root().join("tests/faults/stepped_clock.c");
    let mut compiler = Command::new("cc");
    compiler.args(["-shared", "-fPIC", "-O1", "-o"]).arg(&library).arg(source).arg("-ldl");
    let made = compiler.status();
    if !made.is_ok_and(|status| status.success()) {
        skip("there is no C compiler");
        return None;
    }
    Some(library)
}

#[test]
fn a_stepped_clock_is_marked_and_moves_no_figure() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let Some(library) = stepped_clock(&bench.path(".")) else { return };
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let mut command = bench.daemon_command();
    command.env("LD_PRELOAD", library).env("STEPPED_CLOCK_FILE", bench.path("step"));
    let daemon = Daemon::start(command, &bench.path("."), bench.api());
    let mut yard = Yard::of(bench, daemon, cable);
    yard.bench.ampledger("start --pack GAL-07 --rated-ah 60").good();
    yard.read_for(25.4, -12.0, 100);
    let before = yard.daemon.status().clock.unix_time_second;
    yard.bench.write("step", b"-5400");
    until("the clock is stepped", || {
        (yard.daemon.status().clock.unix_time_second < before - 5000.0).then_some(())
    });
    until("the step is marked", || {
        let markers = yard.markers(1);
        let stepped = |text: &String| text.starts_with("the wall clock was stepped by -5400.");
        markers.iter().any(stepped).then_some(())
    });
    yard.read_for(25.4, -12.0, 100);
    yard.bench.ampledger("stop").good();
    let report = yard.bench.ampledger("show last --json").json();
    let figure = |name: &str| report["results"][name]["value"].as_f64().expect("a figure");
    let second = report["phases"][0]["end"]["test_time_second"].as_f64().expect("its end");
    let (ampere_hour, expected) = (figure("discharging_capacity_ah"), 12.0 * second / 3600.0);
    assert!((2.0..60.0).contains(&second), "{second} s");
    assert!((ampere_hour - expected).abs() < 0.05 * expected, "{ampere_hour} Ah, {expected}");
    let kinds: Vec<&str> = report["markers"]
        .as_array()
        .expect("markers")
        .iter()
        .filter_map(|m| m["kind"].as_str())
        .collect();
    assert!(kinds.contains(&"clock_step"), "{kinds:?}");
    assert_eq!(report["phases"].as_array().map(Vec::len), Some(1), "{report:#}");
    let page = yard.bench.path("page.html");
    let path = page.to_str().expect("a path");
    yard.bench.ampledger_with(&["report", "last", "--output", path]).good();
    let page = std::fs::read_to_string(path).expect("the page");
    assert!(page.contains("the wall clock was stepped"), "the page says so too");
    assert_eq!(report["session"]["clock_synchronised"], json!(false));
}
