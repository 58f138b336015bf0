//! The main job over a serial line in scaled time: a whole discharge, with
//! figures against a closed form.

use std::time::Duration;

use ampledger_types::result::{EndReason, PhaseKind, SessionReport};

use crate::peers::{Cable, Sensor, line};
use crate::util::{Bench, sources};

/// Bench seconds per real second.
const RATE: f64 = 200.0;
const PACE: Duration = Duration::from_millis(10);

/// The load draws this much, A.
const LOAD_AMPERE: f64 = 10.0;
/// How long the pack rests before and after, and how long the load is on, in
/// seconds of the bench.
const REST_SECOND: f64 = 200.0;
const LOAD_SECOND: f64 = 1400.0;

/// Voltage under load after so many seconds: a straight line from 26.6 V, so
/// that every figure has a closed form. Cut-off at 20.0 V is passed at 1320 s.
fn loaded_volt(second: f64) -> f64 {
    26.6 - second / 200.0
}

/// The bench's pack: rests, gives a constant current, rests again.
fn pack(second: f64) -> Option<String> {
    let loaded = second - REST_SECOND;
    if loaded < 0.0 {
        Some(line(26.8, 0.0))
    } else if loaded < LOAD_SECOND {
        Some(line(loaded_volt(loaded), -LOAD_AMPERE))
    } else if loaded < LOAD_SECOND + 2.0 * REST_SECOND {
        Some(line(24.0, 0.0))
    } else {
        None
    }
}

fn discharged() -> SessionReport {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon_at_rate(RATE);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    bench.ampledger("start --pack GAL-07 --rated-ah 5 --cutoff-voltage 20").good();
    let sensor = Sensor::start(&cable, PACE, |second| pack(second * RATE));
    let sent = sensor.finish();
    daemon.until_samples("bench-shunt", sent);
    bench.ampledger("stop").good();
    let report = bench.ampledger("show last --json").json();
    assert!(daemon.stop().success());
    serde_json::from_value(report).expect("a session report")
}

/// Within `percent` of what the closed form says. Arrival times jitter by
/// some milliseconds, which the clock's rate makes seconds.
#[track_caller]
fn near(what: &str, seen: Option<f64>, expected: f64, percent: f64) {
    let seen = seen.unwrap_or_else(|| panic!("{what} is missing, {expected} expected"));
    let off = 100.0 * (seen - expected).abs() / expected.abs();
    assert!(off <= percent, "{what}: {seen}, expected {expected}, {off:.2} % off");
}

#[test]
fn a_whole_discharge_gives_the_figures_of_its_closed_form() {
    let report = discharged();
    let hours = LOAD_SECOND / 3600.0;
    let to_cutoff_hours = (26.6 - 20.0) * 200.0 / 3600.0;
    let mean_volt = (loaded_volt(0.0) + loaded_volt(LOAD_SECOND)) / 2.0;
    let results = &report.results;
    near("delivered", results.discharging_capacity_ah.value, LOAD_AMPERE * hours, 1.0);
    near("energy", results.discharging_energy_wh.value, LOAD_AMPERE * mean_volt * hours, 1.0);
    near("to cut-off", results.capacity_to_cutoff_ah.value, LOAD_AMPERE * to_cutoff_hours, 1.0);
    assert_eq!(results.charging_capacity_ah.value, Some(0.0));

    let kinds: Vec<PhaseKind> = report.phases.iter().map(|p| p.kind).collect();
    assert_eq!(
        kinds,
        [PhaseKind::Rest, PhaseKind::Discharge, PhaseKind::Rest],
        "{:#?}",
        report.phases
    );
    let discharge = &report.phases[1];
    near("mean current", discharge.mean_current_ampere, -LOAD_AMPERE, 0.5);
    assert_eq!(discharge.end_reason, Some(EndReason::CutoffVoltage));
    assert!(report.claim.contains("Ah"), "{}", report.claim);
}
