//! An inverter between two meters, on the real daemon: one on the pack, one on
//! what the inverter gives.

use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use serde_json::json;

use crate::peers::{Cable, Sensor, line};
use crate::util::{Bench, sources};

/// A reading a second at this rate of the clock.
const PACE: Duration = Duration::from_millis(20);
const RATE: f64 = 50.0;

#[test]
fn the_meter_behind_an_inverter_is_not_the_packs_and_gives_the_inverters_losses() {
    let far = "[sources.load.instrument]\nmeasures = \"inverter-output\"\n";
    let bench = Bench::new(&(sources::lines("load") + far + &sources::lines("bench-shunt")));
    let [shunt, load] = ["bench-shunt", "load"].map(|name| Cable::plugged(bench.path(name)));
    let daemon = bench.daemon_at_rate(RATE);
    for (name, cable) in [("bench-shunt", &shunt), ("load", &load)] {
        daemon.until_opened(name, 1);
        cable.end_first_line();
    }
    let given = Arc::new(AtomicU32::new(300));
    let watt = |given: &AtomicU32| f64::from(given.load(Ordering::Relaxed));
    bench.ampledger("start --pack GAL-07 --rated-ah 60").good();
    // 330 W for 300 W and 1080 W for 1000 W: docs/methods.md.
    let (ours, theirs) = (Arc::clone(&given), Arc::clone(&given));
    let taken = move |_| Some(line(26.0, -(8.571_43 + 1.071_428_6 * watt(&ours)) / 26.0));
    let _far = Sensor::start(&load, PACE, move |_| Some(line(230.0, watt(&theirs) / 230.0)));
    let _near = Sensor::start(&shunt, PACE, taken);
    daemon.until_samples("bench-shunt", 100);
    given.store(1000, Ordering::Relaxed);
    daemon.until_samples("bench-shunt", 200);
    bench.ampledger("stop").good();
    let report = bench.ampledger("show 1 --json").json();
    let found = &report["further"]["inverter"];
    let number = |name: &str| found[name].as_f64().unwrap_or_else(|| panic!("{name}: {found:#}"));
    assert!((number("slope") - 1.0714).abs() < 0.01, "{found:#}");
    assert!((number("idle_watt") - 8.57).abs() < 3.0, "{found:#}");
    assert!(number("pairs") >= 30.0, "{found:#}");
    assert_eq!(found["idle_expanded_watt"], json!(null), "neither meter is described");
    let doubts = found["doubts"].to_string();
    assert!(doubts.contains("no power") && doubts.contains("not stated"), "{doubts}");
    let highest = report["phases"].as_array().into_iter().flatten();
    let highest = highest.filter_map(|phase| phase["highest_current_ampere"].as_f64());
    let highest = highest.fold(0.0, f64::max);
    assert!((highest - 1080.0 / 26.0).abs() < 0.1, "the pack's own current: {highest} A");
    let kinds = report["anomalies"].to_string();
    assert!(!kinds.contains("ammeters_disagree"), "{kinds}");
}
