//! Imported logs, held against programs that are not ours: a simulator whose
//! own totals have to come out (PyBaMM), the Battery Data Format's validator
//! (PyPI `batterydf`), and the integrals of scipy, numpy and DuckDB.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{SystemTime, UNIX_EPOCH};

use serde_json::Value;

use crate::util::{Bench, Python, rounds, script};

/// Says something in the log whether the test fails or not: what a passing
/// test prints by the usual way is not shown.
fn log(text: &str) {
    writeln!(std::io::stderr(), "{text}").expect("standard error");
}

/// Where the fresh runs begin: another place each time, or `AMPLEDGER_SEED`.
fn first_seed() -> u64 {
    match std::env::var("AMPLEDGER_SEED") {
        Ok(text) => text.parse().expect("AMPLEDGER_SEED is no number"),
        Err(_) => {
            let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("a clock");
            u64::from(now.subsec_nanos())
        }
    }
}

fn text(path: &Path) -> &str {
    path.to_str().expect("a path")
}

fn read_json(path: &Path) -> Value {
    let text = std::fs::read_to_string(path).expect("the file");
    serde_json::from_str(&text).expect("JSON")
}

/// A figure of a report.
#[track_caller]
fn figure(report: &Value, name: &str) -> f64 {
    let value = &report["results"][name]["value"];
    value.as_f64().unwrap_or_else(|| panic!("no {name}: {report:#}"))
}

fn differ(ours: f64, theirs: f64) -> f64 {
    if theirs == 0.0 { ours.abs() } else { (ours / theirs - 1.0).abs() }
}

/// What `ampledger import` says about a simulated pack.
fn import_simulated(bench: &Bench, rows: &Path, about: &Value) -> Value {
    let number = |key: &str| about[key].as_f64().expect(key).to_string();
    let sign = about["current_sign"].as_str().expect("a sign");
    let store = bench.path(&format!("{}.db", about["seed"]));
    let run = bench.ampledger_with(&[
        "import",
        text(rows),
        "--store",
        text(&store),
        "--pack",
        "SIMULATED",
        "--rated-ah",
        &number("rated_ah"),
        "--cutoff-voltage",
        &number("cutoff_volt"),
        "--current-sign",
        sign,
        "--json",
    ]);
    run.json()
}

#[test]
fn a_simulators_own_totals_are_found_in_its_rows() {
    // PyBaMM integrates charge and energy inside its solver; we see only rows.
    let Some(python) = Python::Simulator.interpreter() else { return };
    let bench = Bench::new("");
    let (first, count) = (first_seed(), rounds(2));
    log(&format!("simulated packs: AMPLEDGER_SEED={first}, {count} of them"));
    let folder = bench.path("");
    script(&python, "simulate_pack.py", &[text(&folder), &first.to_string(), &count.to_string()]);
    for seed in first..first + u64::from(count) {
        let about = read_json(&bench.path(&format!("{seed}.json")));
        let report = import_simulated(&bench, &bench.path(&format!("{seed}.csv")), &about);
        for (name, total) in [
            ("discharging_capacity_ah", "discharged_ah"),
            ("discharging_energy_wh", "discharged_wh"),
            ("charging_capacity_ah", "charged_ah"),
            ("charging_energy_wh", "charged_wh"),
            ("capacity_to_cutoff_ah", "to_cutoff_ah"),
            ("energy_to_cutoff_wh", "to_cutoff_wh"),
        ] {
            let theirs = about["totals"][total].as_f64().expect(total);
            let ours = figure(&report, name);
            let off = differ(ours, theirs);
            assert!(off <= 1e-4, "{name}: {ours}, the simulator {theirs}\n{about:#}\n{report:#}");
        }
    }
}

/// A log of a rest, a discharge of GAL-07, a rest and a charge, as another
/// program may have written it; uneven steps of about a second, one of them 45.
fn log_of_gal_07() -> String {
    let mut state = 1u64;
    let mut noise = |steps: u64| {
        // Knuth's MMIX generator, The Art of Computer Programming, vol. 2, 3.3.4.
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 33) % steps) as f64
    };
    let mut out = "time_s,current_A,voltage_V,temperature_degC\n".to_owned();
    let mut t_us = 0.0;
    for (rows, ampere, volt, slope) in [
        (60, 0.0, 26.9, 0.0),
        (4000, -12.1, 26.6, -1.7e-3),
        (900, 0.0, 23.1, 2e-3),
        (1200, 6.0, 25.2, 1e-3),
        (60, 0.0, 26.4, 0.0),
    ] {
        for row in 0..rows {
            let wander = if ampere == 0.0 { 0.0 } else { noise(9) * 1e-3 };
            let volts = volt + slope * f64::from(row) + noise(5) * 1e-3;
            let celsius = 22.0 + noise(3) * 0.1;
            let amps = ampere + wander;
            writeln!(out, "{:.6},{amps:.3},{volts:.3},{celsius:.1}", t_us * 1e-6).expect("text");
            t_us += 1e6 + noise(100_000);
            if ampere < 0.0 && row == 2000 {
                t_us += 45e6;
            }
        }
    }
    out
}

/// Imports a file into a store of its own and gives what is said of it.
#[track_caller]
fn import(bench: &Bench, file: &Path, store: &Path) -> Value {
    let settings = "--pack GAL-07 --rated-ah 60 --cutoff-voltage 20 \
                    --current-sign charging-positive --json";
    let mut arguments = vec!["import", text(file), "--store", text(store)];
    arguments.extend(settings.split_whitespace());
    bench.ampledger_with(&arguments).json()
}

/// The log, imported and exported: what is said of it, and the export.
fn brought_out() -> (Bench, Value, PathBuf) {
    let bench = Bench::new("");
    let log = bench.write("from-elsewhere.csv", log_of_gal_07().as_bytes());
    let store = bench.path("imported.db");
    let report = import(&bench, &log, &store);
    let file = bench.path("Yard__GAL-07__20260302_001.bdf.csv");
    let export =
        ["export", "last", "--format", "bdf-csv", "--output", text(&file), "--store", text(&store)];
    bench.ampledger_with(&export).good();
    (bench, report, file)
}

#[test]
fn the_formats_own_validator_takes_the_export_of_an_imported_log() {
    // PyPI `batterydf` 0.1.0: `bdf validate` exits 0 valid, 1 invalid, 2 unreadable.
    let Some(python) = Python::Readers.interpreter() else { return };
    let (_bench, _, file) = brought_out();
    let output = Command::new(python.with_file_name("bdf"))
        .args(["validate", "--strict"])
        .arg(&file)
        .env("COLUMNS", "1000")
        .output()
        .expect("the validator");
    let said = String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}");
}

/// Net charge and energy by phase, as one of the readers has them.
fn by_phase(reader: &Value, name: &str) -> Vec<f64> {
    let phases = reader["phases"].as_array().expect("phases");
    phases.iter().map(|phase| phase[name].as_f64().expect("a figure")).collect()
}

#[test]
fn four_programs_find_our_figures_in_an_export_phase_by_phase() {
    // Charge: `numpy.trapezoid` over what pandas and pyarrow read,
    // `scipy.integrate.trapezoid`, and the trapezoid in DuckDB's SQL. Energy:
    // the product of two lines, by the same formula in numpy and SQL, and by
    // `scipy.integrate.simpson`, which is exact for it.
    let Some(python) = Python::Readers.interpreter() else { return };
    let (bench, report, file) = brought_out();
    let said = bench.write("report.json", report.to_string().as_bytes());
    let out = script(&python, "integrals.py", &[&file, &said]);
    let readers: Value = serde_json::from_str(&out).expect("JSON");
    let phases = report["phases"].as_array().expect("phases");
    let kinds: Vec<&str> = phases.iter().filter_map(|phase| phase["kind"].as_str()).collect();
    assert_eq!(kinds, ["rest", "discharge", "rest", "charge", "rest"], "{report:#}");
    for reader in ["pandas", "pyarrow", "scipy", "duckdb"] {
        let theirs = &readers[reader];
        assert_eq!(theirs["rows"], log_of_gal_07().lines().count() - 1, "{reader}");
        for (ours, name) in [("charge_ah", "ah"), ("energy_wh", "wh")] {
            for (phase, theirs) in phases.iter().zip(by_phase(theirs, name)) {
                let ours = phase[ours].as_f64().expect("a figure");
                assert!(differ(ours, theirs) <= 1e-12, "{reader}: {theirs}, {phase:#}");
            }
        }
        let given = -by_phase(theirs, "ah")[1];
        assert!(differ(figure(&report, "discharging_capacity_ah"), given) <= 1e-12, "{reader}");
    }
}

/// What must not change on the way out and in again: every figure and phase.
fn digits(report: &Value) -> Value {
    let results = report["results"].as_object().expect("results");
    let figures: Vec<_> = results.iter().map(|(name, figure)| (name, &figure["value"])).collect();
    serde_json::json!([figures, report["phases"]])
}

#[test]
fn a_log_brought_out_and_in_again_gives_the_same_digits() {
    let (bench, report, file) = brought_out();
    assert!(figure(&report, "capacity_to_cutoff_ah") > 12.0, "{report:#}");
    let again = import(&bench, &file, &bench.path("again.db"));
    assert_eq!(digits(&again), digits(&report));
}

#[test]
fn parquet_that_pyarrow_wrote_gives_the_same_digits() {
    let Some(python) = Python::Readers.interpreter() else { return };
    let (bench, report, file) = brought_out();
    let parquet = bench.path("GAL-07.bdf.parquet");
    script(&python, "to_parquet.py", &[&file, &parquet]);
    let again = import(&bench, &parquet, &bench.path("again.db"));
    assert_eq!(digits(&again), digits(&report));
}
