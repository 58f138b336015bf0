//! A claim with its evidence, as people get it: from a log and from a store file.

use std::fmt::Write as _;

use serde_json::{Value, json};

use crate::util::{Bench, Run};

const PACK: &str = "--pack GAL-07 --rated-ah 60 --rated-current 12 --rated-to-voltage 20 --cells 8 \
                    --chemistry lithium-iron-phosphate --charge-voltage 29.2 --cutoff-voltage 20";
const METER: &str = "--current-gain 0.25 --current-offset 0.01 --current-resolution 0.001 \
                     --voltage-gain 0.1 --voltage-offset 0.005 --powered-by something-else \
                     --sensed-at pack-terminals --ahead nothing --reading average";

/// A log of GAL-07: charged with a taper, rested, emptied to 20 V at 12 A.
fn log() -> String {
    let mut text = "time_s,current_A,voltage_V\n".to_owned();
    let mut second = 0_u32;
    let mut hold = |lasts: u32, at: &dyn Fn(f64) -> (f64, f64)| {
        for s in (0..lasts).step_by(5) {
            let (ampere, volt) = at(f64::from(s));
            writeln!(text, "{second},{ampere:.5},{volt:.4}").expect("a string");
            second += 5;
        }
    };
    hold(1800, &|s| (20.0, 26.6 + 2.6 * s / 1800.0));
    hold(1800, &|s| (20.0 - 18.1 * s / 1800.0, 29.2));
    hold(600, &|s| (1.9 - 1e-4 * s, 29.2));
    hold(3660, &|_| (0.0, 26.8));
    hold(17_240, &|s| (-12.0, 26.4 - 6.4 * s / 17_220.0));
    hold(120, &|_| (0.0, 23.0));
    text
}

fn import(bench: &Bench, options: &str) -> Run {
    let file = bench.write("run.csv", log().as_bytes());
    let store = bench.store();
    let mut arguments = vec!["import", file.to_str().expect("a path")];
    arguments.extend(["--store", store.to_str().expect("a path")]);
    arguments.extend(options.split_whitespace());
    bench.ampledger_with(&arguments)
}

fn show(bench: &Bench, options: &[&str]) -> Run {
    let store = bench.store();
    let arguments = ["show", "last", "--store", store.to_str().expect("a path")];
    bench.ampledger_with(&[&arguments[..], options].concat())
}

#[test]
fn a_log_with_a_described_meter_is_proven_and_without_one_says_what_is_lacking() {
    let bench = Bench::new("");
    let proven = import(&bench, &format!("{PACK} {METER}")).good();
    assert!(proven.out().contains("Proven: full at start (charged to 29.2 V"), "{}", proven.out());
    let bench = Bench::new("");
    let report = import(&bench, &format!("{PACK} --json")).json();
    let figure = &report["results"]["capacity_to_cutoff_ah"];
    assert_eq!(figure["status"], json!("provisional"));
    assert_eq!(figure["expanded_uncertainty"], Value::Null);
    let lacking = figure["uncertainty_lacking"].to_string();
    assert!(lacking.contains("gain accuracy for the current is not stated"), "{lacking}");
}

#[test]
fn evidence_and_budget_are_shown_and_all_of_it_is_in_the_json() {
    let bench = Bench::new("");
    import(&bench, &format!("{PACK} {METER} --limit used")).good();
    let said = show(&bench, &["--evidence", "--budget"]).good().out();
    for words in ["tapered to 1.84 A = C/33", "custody", "gain of the current", "together u ="] {
        assert!(said.contains(words), "{words} in {said}");
    }
    let report = show(&bench, &["--json"]).json();
    let figure = &report["results"]["capacity_to_cutoff_ah"];
    let evidence = figure["evidence"].as_array().expect("evidence");
    assert!(evidence.len() > 10 && evidence.iter().all(|f| f["standing"] == json!("met")));
    let squares: f64 = figure["budget"]["terms"]
        .as_array()
        .expect("terms")
        .iter()
        .map(|term| term["standard"].as_f64().expect("a number").powi(2))
        .sum();
    let expanded = figure["expanded_uncertainty"].as_f64().expect("an uncertainty");
    assert!((2.0 * squares.sqrt() - expanded).abs() < 1e-9, "JCGM 100, 5.1.2 and 6.2.1");
    assert_eq!(report["verdict"]["decision"], json!("not_decided"));
    let reasons = report["verdict"]["reasons"].to_string();
    assert!(reasons.contains("temperature of the pack is not known"), "{reasons}");
}

#[test]
fn an_instrument_file_says_the_same_as_the_options() {
    let bench = Bench::new("");
    let file = "powered_by = \"something-else\"\nvoltage_sensed_at = \"pack-terminals\"\n\
                draws_ahead_of_sensor = \"nothing\"\nreading = \"average\"\n\
                [accuracy.current_ampere]\ngain_percent = 0.25\noffset = 0.01\n\
                resolution = 0.001\n[accuracy.voltage_volt]\ngain_percent = 0.1\noffset = 0.005\n";
    let path = bench.write("shunt.toml", file.as_bytes());
    let by_file = import(&bench, &format!("{PACK} --json --instrument {}", path.display())).json();
    let by_options = import(&bench, &format!("{PACK} --json {METER}")).json();
    assert_eq!(by_file["results"], by_options["results"]);
    let wrong = bench.write("wrong.toml", b"powered_bye = \"something-else\"\n");
    let run = import(&bench, &format!("{PACK} --instrument {}", wrong.display())).fails_with(2);
    assert!(run.err().contains("powered_bye"), "{}", run.err());
}
