//! The exported files, read by programs that are not ours: the Battery Data
//! Format's own validator (PyPI `batterydf`) and pandas.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::{Value, json};

use crate::peers::{Cable, line};
use crate::util::{Bench, Python, script, skip, sources};

/// The rows of a CSV file whose cells are all numbers; an empty one is NaN.
#[track_caller]
pub fn table(file: impl AsRef<Path>) -> Vec<BTreeMap<String, f64>> {
    let text = std::fs::read_to_string(file).expect("the export");
    let mut lines = text.lines();
    let head: Vec<&str> = lines.next().expect("a header").split(',').collect();
    let number = |cell: &str| if cell.is_empty() { f64::NAN } else { cell.parse().expect(cell) };
    let row = |line: &str| -> BTreeMap<String, f64> {
        let cells: Vec<f64> = line.split(',').map(number).collect();
        assert_eq!(cells.len(), head.len(), "{line}");
        head.iter().map(|name| (*name).to_owned()).zip(cells).collect()
    };
    lines.map(row).collect()
}

/// A session of GAL-07 with a hundred readings, exported.
fn exported() -> (Bench, PathBuf) {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    bench.ampledger("start --pack GAL-07 --rated-ah 60 --tag load=lamp").good();
    for i in 0..100 {
        cable.send(line(26.4 - f64::from(i) * 0.01, -12.1).as_bytes());
    }
    daemon.until_samples("bench-shunt", 100);
    bench.ampledger("stop").good();
    let file = bench.path("Yard__GAL-07__20260302_001.bdf.csv");
    let path = file.to_str().expect("a path");
    bench.ampledger_with(&["export", "last", "--format", "bdf-csv", "--output", path]).good();
    assert!(daemon.stop().success());
    (bench, file)
}

#[test]
fn the_export_has_the_formats_labels_signs_and_every_reading() {
    // Labels: Battery Data Format, ontology 1.3.0; required columns first.
    let (_bench, file) = exported();
    let rows = table(&file);
    assert_eq!(rows.len(), 100);
    let column = |name: &str| -> Vec<f64> { rows.iter().map(|row| row[name]).collect() };
    assert!(column("Current / A").iter().all(|a| *a == -12.1));
    assert_eq!(column("Voltage / V")[1], 26.39);
    assert!(column("Test Time / s").is_sorted(), "test time does not decrease");
    assert!(column("Unix Time / s").iter().all(|t| *t > 1.6e9));
}

#[test]
fn beside_the_table_lies_what_it_is_about() {
    let (_bench, file) = exported();
    let folder = file.parent().expect("a folder");
    let beside: Vec<PathBuf> = std::fs::read_dir(folder)
        .expect("the folder")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|e| e == "json"))
        .collect();
    assert_eq!(beside.len(), 1, "{beside:?}");
    let text = std::fs::read_to_string(&beside[0]).expect("the metadata");
    let meta: Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(meta["session"]["pack"], json!("GAL-07"), "{meta:#}");
    assert_eq!(meta["session"]["tags"][0]["key"], json!("load"));
    for part in ["phases", "results", "markers"] {
        assert!(!meta[part].is_null(), "{part} is missing: {meta:#}");
    }
}

#[test]
fn the_formats_own_validator_takes_the_export() {
    let Some(python) = Python::Readers.interpreter() else { return };
    let (_bench, file) = exported();
    // Exit 0 valid, 1 invalid, 2 unreadable (batterydf 0.1.0, `bdf validate`).
    let bdf = python.with_file_name("bdf");
    let output = Command::new(bdf)
        .args(["validate", "--strict"])
        .arg(&file)
        .env("COLUMNS", "1000")
        .output()
        .expect("the validator");
    let said = String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}");
}

#[test]
fn pandas_reads_the_export_and_finds_the_same_amp_hours() {
    let Some(python) = Python::Readers.interpreter() else { return };
    let (bench, file) = exported();
    // The trapezoid rule, by numpy: an independent hand on the same rows.
    let script = "
import sys, numpy, pandas
t = pandas.read_csv(sys.argv[1])
assert all(d.kind in 'fi' for d in t.dtypes), t.dtypes
print(-numpy.trapezoid(t['Current / A'], t['Test Time / s']) / 3600)
";
    let output = Command::new(python).args(["-c", script]).arg(&file).output().expect("pandas");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{said}");
    let theirs: f64 = String::from_utf8_lossy(&output.stdout).trim().parse().expect("a number");
    let store = bench.store();
    let store = store.to_str().expect("a path");
    let report = bench.ampledger_with(&["show", "last", "--json", "--store", store]).json();
    let ours = report["results"]["discharging_capacity_ah"]["value"].as_f64().expect("a figure");
    // The file's times are rounded; the sum over 100 rows shows no more.
    assert!((ours - theirs).abs() <= 1e-6 * theirs.abs().max(1e-3), "{ours} and {theirs}");
}

#[test]
fn an_export_to_an_existing_file_does_not_leave_half_of_one() {
    let (bench, file) = exported();
    let before = std::fs::read(&file).expect("the first export");
    let store = bench.store();
    let store = store.to_str().expect("a path");
    let nowhere = bench.path("missing-folder/x.bdf.csv");
    let nowhere = nowhere.to_str().expect("a path");
    let run = bench.ampledger_with(&[
        "export", "last", "--format", "bdf-csv", "--output", nowhere, "--store", store,
    ]);
    assert_ne!(run.code(), 0);
    assert!(run.err().contains("missing-folder"), "{}", run.err());
    assert_eq!(std::fs::read(&file).expect("still there"), before);
}

#[test]
fn a_plain_sqlite_file_is_read_by_the_shell_and_by_python() {
    let (bench, csv) = exported();
    let (store, file) = (bench.store(), bench.path("gal-07.db"));
    let (store, path) = (store.to_str().expect("a path"), file.to_str().expect("a path"));
    let arguments = ["export", "last", "--format", "sqlite", "--output", path, "--store", store];
    bench.ampledger_with(&arguments).good();
    bench.ampledger_with(&arguments).fails_with(4);
    let report = bench.ampledger_with(&["show", "last", "--json", "--store", store]).json();

    let Ok(shell) = Command::new("sqlite3").arg("-readonly").arg(&file).arg(".dump").output()
    else {
        return skip("there is no sqlite3 shell");
    };
    let dumped = String::from_utf8_lossy(&shell.stdout).into_owned();
    assert!(shell.status.success() && !dumped.contains("ERROR"), "{dumped}");
    let inserts = dumped.lines().filter(|line| line.starts_with("INSERT INTO sample"));
    assert_eq!(inserts.count(), 100, "{dumped}");

    let said = script(Path::new("python3"), "read_plain.py", &[path]);
    let read: Value = serde_json::from_str(&said).expect("JSON");
    let expected: f64 = table(&csv).iter().map(|row| row["Voltage / V"]).sum();
    let sum = read["sums"]["voltage_volt"].as_f64().expect("a sum");
    assert!((sum - expected).abs() < 1e-9, "{sum} {expected}");
    assert_eq!(read["samples"], 100);
    assert_eq!(read["channels"]["current_ampere"], "A", "{read:#}");
    assert_eq!(
        (&read["session"]["pack"], &read["tags"]["load"]),
        (&json!("GAL-07"), &json!("lamp"))
    );
    assert_eq!(read["session"]["claim"], report["claim"]);
    for name in ["main_discharge_ah", "capacity_to_cutoff_ah"] {
        let (found, figure) = (&read["results"][name], &report["results"][name]);
        for part in ["value", "unit", "status", "method", "expanded_uncertainty"] {
            assert_eq!(found[part], figure[part], "{name} {part}");
        }
        let are_stated = ["coverage_factor", "expanded_uncertainty"].map(|p| !found[p].is_null());
        assert_eq!(are_stated[0], are_stated[1], "{name}: a factor of no uncertainty");
    }
}
