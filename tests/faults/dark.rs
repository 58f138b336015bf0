//! A source that goes dark under load, and what may have been changed while
//! nobody could see it: the pack, or the meter.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI32, Ordering};

use ampledger_types::api::SourceState;
use serde_json::{Value, json};

use crate::peers::{Cable, Manners, Scpi, Sensor, line};
use crate::util::{Bench, sources, until};
use crate::yard::{PACE, Yard};

/// A meter that is described: without that nothing is proven.
const DESCRIBED: &str = "
[sources.bench-shunt.instrument]
serial_number = \"1207\"
powered_by = \"something-else\"
voltage_sensed_at = \"pack-terminals\"
reading = \"point-sample\"
accuracy.current_ampere = { gain_percent = 0.1, offset = 0.005, resolution = 0.001, range = 200.0 }
accuracy.voltage_volt = { gain_percent = 0.05, offset = 0.005, resolution = 0.001, range = 80.0 }
";

#[test]
fn a_source_that_goes_dark_under_load_keeps_its_session_and_its_end_is_inferred() {
    let mut yard = Yard::at_rate(100.0, "");
    let pack = "--pack GAL-07 --chemistry lithium-iron-phosphate --cells 8";
    yard.bench.ampledger(&format!("start {pack} --rated-ah 60 --cutoff-voltage 20")).good();
    yard.read_for(25.4, -12.0, 100);
    yard.read_for(20.3, -12.0, 30);
    yard.fall_silent();
    yard.daemon.until("dark", "bench-shunt", |s| s.state == SourceState::Dark);
    let sentence = until("it is said", || {
        let said = yard.daemon.status().open_sessions.first().map(|open| open.sentence.clone());
        said.filter(|sentence| sentence.contains("went dark under load"))
    });
    assert!(sentence.contains("at 20.3 V: probable protection trip"), "{sentence}");
    let listed = yard.bench.ampledger("sources");
    assert!(listed.out().contains("has been dark since"), "{}", listed.out());
    assert!(listed.out().contains("last 20.3 V"), "{}", listed.out());
    yard.bench.ampledger("stop").good();
    let report = yard.bench.ampledger("show last --json").json();
    let discharge = &report["phases"].as_array().expect("phases")[0];
    assert_eq!(discharge["end_reason"], json!("dark_under_load"), "{report:#}");
    assert_eq!(report["results"]["capacity_to_cutoff_ah"]["value"], Value::Null, "{report:#}");
}

#[test]
fn a_pulled_cable_of_a_meter_that_the_pack_does_not_power_is_no_trip() {
    let mut yard = Yard::at_rate(100.0, DESCRIBED);
    yard.bench.ampledger("start --pack GAL-12 --rated-ah 60").good();
    yard.read_for(25.8, -12.0, 100);
    yard.fall_silent();
    yard.cable.unplug();
    let sentence = until("it is said", || {
        let said = yard.daemon.status().open_sessions.first().map(|open| open.sentence.clone());
        said.filter(|sentence| sentence.contains("was last read under load"))
    });
    let lost = "GAL-12 was last read under load at 25.8 V: the connection to bench-shunt was lost.";
    assert!(sentence.starts_with(lost), "{sentence}");
    yard.cable.plug();
    yard.read_for(25.7, -12.0, 100);
    yard.bench.ampledger("stop").good();
    let said = yard.markers(1);
    let lost = "readings stopped under load, last −12.0 A at 25.8 V: \
                the connection to bench-shunt was lost";
    let back = "readings are back: −12.0 A at 25.7 V, about what they were";
    for marker in [lost, back] {
        assert!(said.iter().any(|text| text == marker), "{said:#?}");
    }
    assert!(!said.iter().any(|text| text.contains("trip")), "{said:#?}");
}

#[test]
fn a_charge_whose_cable_was_pulled_is_not_proven_and_its_silence_is_told() {
    let mut yard = Yard::at_rate(100.0, DESCRIBED);
    yard.bench.ampledger("start --pack GAL-12 --rated-ah 60").good();
    yard.read_for(26.4, 0.0, 30);
    yard.read_for(27.1, 15.0, 100);
    yard.fall_silent();
    yard.cable.unplug();
    let sentence = until("it is said", || {
        let said = yard.daemon.status().open_sessions.first().map(|open| open.sentence.clone());
        said.filter(|sentence| sentence.contains("has been dark for"))
    });
    assert!(sentence.contains(" while charging: last 27.1 V."), "{sentence}");
    yard.bench.ampledger("stop").good();
    let report = yard.bench.ampledger("show last --json").json();
    let charged = &report["results"]["charging_capacity_ah"];
    assert_eq!(charged["status"], json!("provisional"), "{report:#}");
    let reasons = charged["reasons"].to_string();
    assert!(reasons.contains("the source went dark while charging: at most"), "{reasons}");
    let odd = report["anomalies"].as_array().expect("what is odd");
    assert!(odd.iter().any(|one| one["kind"] == json!("gap")), "{report:#}");
}

#[test]
fn a_pack_whose_protection_tripped_is_not_said_to_rest() {
    // One sensor without a pause: a pause at this rate could be a dark end.
    let yard = Yard::at_rate(20.0, DESCRIBED);
    yard.bench.ampledger("start --pack GAL-12 --rated-ah 60 --cutoff-voltage 24").good();
    let _sensor = Sensor::start(&yard.cable, PACE, |t| {
        Some(match t {
            ..2.0 => line(25.4, -12.0),
            ..3.0 => line(23.4, -12.0),
            _ => line(0.02, 0.0),
        })
    });
    let sentence = until("it is said", || {
        let said = yard.daemon.status().open_sessions.first().map(|open| open.sentence.clone());
        said.filter(|sentence| sentence.contains("It has been at 0.020 V for "))
    });
    let tripped = "GAL-12 lost current and voltage at 23.4 V: probable protection trip";
    assert!(sentence.starts_with(tripped), "{sentence}");
    assert!(sentence.contains(" of 60 Ah to 24.0 V, "), "{sentence}");
    assert!(!sentence.contains("rest"), "{sentence}");
}

/// The bench's clock runs so fast that hiccups of this machine are no dark
/// stretch.
const RATE: f64 = 60.0;

/// What the charger, and then the load, do with the pack; nought while told so.
#[derive(Clone, Default)]
struct Script {
    silent: Arc<AtomicBool>,
    /// Above nought there is a load; that is the voltage, mV.
    loaded: Arc<AtomicI32>,
}

impl Script {
    /// A charge that shows the pack full: 29.2 V held while the current tapers
    /// to 1.5 A; then rest until there is a load.
    fn read(&self, second: f64, odd: bool) -> String {
        let flutter = if odd { 0.001 } else { 0.0 };
        if self.silent.load(Ordering::Relaxed) {
            return String::new();
        }
        let millivolt = self.loaded.load(Ordering::Relaxed);
        if millivolt > 0 {
            return line(f64::from(millivolt) / 1000.0 + flutter, -12.0 - flutter);
        }
        if second > 1020.0 {
            return line(27.0 + flutter, 0.0);
        }
        let ampere = (24.0 * (-second / 280.0).exp()).max(1.5);
        line(29.2 + flutter, ampere + flutter)
    }
}

/// Why a discharge after that charge is not proven, with this done in between.
fn reasons_after(between: impl FnOnce(&Yard, &Script)) -> String {
    let yard = Yard::at_rate(RATE, DESCRIBED);
    let script = Script::default();
    let (played, mut odd) = (script.clone(), false);
    let sensor = Sensor::start(&yard.cable, PACE, move |t| {
        odd = !odd;
        Some(played.read(t * RATE, odd))
    });
    until("it rests", || {
        let latest = yard.daemon.source("bench-shunt").latest;
        latest.iter().any(|r| (26.9..27.1).contains(&r.value)).then_some(())
    });
    between(&yard, &script);
    let pack = "--pack GAL-07 --chemistry lithium-iron-phosphate --cells 8 --rated-ah 60";
    let volts = "--charge-voltage 29.2 --cutoff-voltage 25.7";
    yard.bench.ampledger(&format!("start {pack} {volts}")).good();
    for millivolt in [25_900, 25_600] {
        script.loaded.store(millivolt, Ordering::Relaxed);
        yard.daemon.until_samples("bench-shunt", sensor.sent() + 50);
    }
    yard.bench.ampledger("stop").good();
    let report = yard.bench.ampledger("show last --json").json();
    report["results"]["capacity_to_cutoff_ah"]["reasons"].to_string()
}

#[test]
fn a_charge_in_sight_is_held_to_be_of_the_same_pack() {
    let reasons = reasons_after(|_, _| {});
    assert!(!reasons.contains("could have been swapped"), "{reasons}");
    assert!(!reasons.contains("no charge before"), "it was found: {reasons}");
}

#[test]
fn a_pack_that_could_have_been_swapped_in_the_dark_is_not_called_full() {
    let reasons = reasons_after(|yard, script| {
        script.silent.store(true, Ordering::Relaxed);
        let begin = yard.daemon.status().clock.unix_time_second;
        until("it was dark for five minutes", || {
            (yard.daemon.status().clock.unix_time_second > begin + 300.0).then_some(())
        });
        script.silent.store(false, Ordering::Relaxed);
        let seen = yard.daemon.source("bench-shunt").counters.samples;
        yard.daemon.until_samples("bench-shunt", seen + 5);
    });
    assert!(reasons.contains("the pack could have been swapped"), "{reasons}");
}

#[test]
fn a_meter_that_takes_over_on_a_line_has_nothing_of_the_formers_calibration() {
    let bench = Bench::new(&sources::scpi("load"));
    let cable = Cable::plugged(bench.path("load"));
    let load = Scpi::start(&cable, Manners::default());
    let daemon = bench.daemon();
    daemon.until_samples("load", 3);
    // It reads a tenth too much.
    let points = "--point 0=0 --point=-12.1=-11";
    bench.ampledger(&format!("calibrate load {points}")).good();
    let mean = |bench: &Bench| {
        bench.ampledger("start --pack GAL-07 --rated-ah 60").good();
        daemon.until_samples("load", daemon.source("load").counters.samples + 80);
        bench.ampledger("stop").good();
        let report = bench.ampledger("show last --json").json();
        let used = report["calibrations"].as_array().map_or(0, Vec::len);
        (report["phases"][0]["mean_current_ampere"].as_f64().expect("a mean"), used)
    };
    let (ampere, used) = mean(&bench);
    assert!((ampere + 11.0).abs() < 0.01 && used == 1, "{ampere} A, {used}");
    cable.unplug();
    load.behave(|m| m.serial_number = "9999".to_owned());
    cable.plug();
    daemon.until("the new one is known", "load", |s| {
        s.identity.as_ref().is_some_and(|who| who.contains("9999"))
    });
    let (ampere, used) = mean(&bench);
    assert!((ampere + 12.1).abs() < 0.01 && used == 0, "{ampere} A, {used}");
}
