//! Finished logs from elsewhere, against figures that others published and
//! that a simulator worked out beside its own equations.

use std::path::{Path, PathBuf};

use ampledger_store::Reader;
use serde_json::Value;

use crate::util::{Bench, binary, rounds, until};

/// Publisher's capacity of five measured discharges to 2.7 V, Ah. Saha and
/// Goebel 2007, Battery Data Set, NASA Prognostics Data Repository (its README:
/// the capacity is "for discharge till 2.7V").
const MEASURED: [(&str, f64); 5] = [
    ("nasa-b0005-discharge-001.csv", 1.856_487_421),
    ("nasa-b0005-discharge-168.csv", 1.325_079_329),
    ("nasa-b0006-discharge-001.csv", 2.035_337_591),
    ("nasa-b0007-discharge-050.csv", 1.800_243_218),
    ("nasa-b0018-discharge-001.csv", 1.855_004_521),
];

fn import(bench: &Bench, file: &Path, options: &str) -> Value {
    let store = bench.store();
    let mut arguments = vec!["import", file.to_str().expect("a path"), "--json"];
    arguments.extend(["--store", store.to_str().expect("a path")]);
    arguments.extend(options.split_whitespace());
    bench.ampledger_with(&arguments).good().json()
}

fn value(report: &Value, figure: &str) -> f64 {
    report["results"][figure]["value"].as_f64().unwrap_or_else(|| panic!("{report:#}"))
}

fn simulated(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../analysis/methods/tests/data").join(name)
}

#[test]
fn measured_discharges_give_the_publishers_capacity() {
    // Others' data: read where it is, never part of the project.
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/facts/reference-runs");
    let folder = std::env::var_os("AMPLEDGER_REFERENCE_RUNS").map_or(beside, PathBuf::from);
    if !folder.is_dir() {
        println!("skipped: the measured discharges are not here (AMPLEDGER_REFERENCE_RUNS)");
        return;
    }
    let bench = Bench::new("");
    for (name, published) in MEASURED {
        let options = "--rated-ah 2 --cutoff-voltage 2.7 --cutoff-rule first-below \
                       --current-sign discharging-positive";
        let report = import(&bench, &folder.join(name), options);
        let ours = value(&report, "capacity_to_cutoff_ah");
        assert!((ours / published - 1.0).abs() < 5e-5, "{name}: {ours} for {published}");
    }
}

#[test]
fn simulated_packs_give_the_simulators_totals_and_list_their_gaps() {
    // PyBaMM 26.10.1.1; totals integrated by its solver beside the cell equations.
    let cases = [
        ("lfp-4s-cc-1s", "101.2", "10.0", 90.728_249_701, 1_148.992_342_25, 0),
        ("nmc-14s-cp-irregular", "50", "35", 51.033_713_11, 2_625.057_588, 2),
    ];
    let bench = Bench::new("");
    for (name, rated, cutoff, ah, wh, gaps) in cases {
        let options = format!(
            "--pack {name} --rated-ah {rated} --cutoff-voltage {cutoff} \
             --current-sign discharging-positive"
        );
        let report = import(&bench, &simulated(&format!("{name}.csv")), &options);
        for (figure, theirs) in [("discharging_capacity_ah", ah), ("discharging_energy_wh", wh)] {
            let ours = value(&report, figure);
            assert!((ours / theirs - 1.0).abs() < 1e-5, "{name}: {ours} for {theirs}");
        }
        let listed: usize = report["phases"]
            .as_array()
            .expect("phases")
            .iter()
            .map(|phase| phase["gaps"].as_array().map_or(0, Vec::len))
            .sum();
        assert_eq!(listed, gaps, "{name}");
    }
}

#[test]
fn imported_exported_imported_gives_the_same_digits() {
    let bench = Bench::new("");
    let options = "--pack P --rated-ah 50 --cutoff-voltage 35";
    let first = format!("{options} --current-sign discharging-positive");
    let first = import(&bench, &simulated("nmc-14s-cp-irregular.csv"), &first);
    let file = bench.path("again.bdf.csv");
    let store = bench.store();
    let paths = [file.to_str().expect("a path"), store.to_str().expect("a path")];
    let export = ["export", "1", "--format", "bdf-csv", "--output", paths[0], "--store", paths[1]];
    bench.ampledger_with(&export).good();
    let second = import(&bench, &file, options);
    for figure in ["discharging_capacity_ah", "discharging_energy_wh", "capacity_to_cutoff_ah"] {
        assert_eq!(value(&first, figure), value(&second, figure), "{figure}");
    }
    assert_eq!(first["phases"], second["phases"]);
    // Our own running totals stand in the file as a counter: they must agree.
    let kinds: Vec<&Value> =
        second["anomalies"].as_array().expect("anomalies").iter().map(|a| &a["kind"]).collect();
    assert!(!kinds.iter().any(|kind| *kind == "counter_disagrees"), "{kinds:?}");
}

#[test]
fn an_imported_session_is_shown_listed_and_exported_without_a_daemon() {
    let bench = Bench::new("");
    let rows: String = (0..=100).map(|t| format!("{t},26,-36\n")).collect();
    let file = bench.write("old-run.csv", format!("time_s,voltage_V,current_A\n{rows}").as_bytes());
    let report = import(&bench, &file, "--pack GAL-07 --rated-ah 60 --cutoff-voltage 20");
    assert!((value(&report, "discharging_capacity_ah") - 1.0).abs() < 1e-12);
    assert_eq!(report["results"]["capacity_to_cutoff_ah"]["value"], Value::Null);
    let store = bench.store();
    let store = store.to_str().expect("a path");
    let shown = bench.ampledger_with(&["show", "GAL-07", "--store", store, "--json"]).good().json();
    assert_eq!(shown["results"], report["results"]);
    let listed = bench.ampledger_with(&["sessions", "--store", store, "--json"]).good().json();
    assert_eq!(listed.as_array().map(Vec::len), Some(1));
}

#[test]
fn a_file_that_is_not_understood_leaves_the_store_as_it_was() {
    let bench = Bench::new("");
    let good = bench.write("a.csv", b"time_s,voltage_V,current_A\n0,26,-1\n1,26,-1\n");
    import(&bench, &good, "");
    let before = std::fs::read(bench.store()).expect("the store");
    let bad = bench.write("b.csv", b"Zeit;Strom\nfoo;bar\n");
    let store = bench.store();
    let arguments =
        ["import", bad.to_str().expect("a path"), "--store", store.to_str().expect("a path")];
    let run = bench.ampledger_with(&arguments).fails_with(4);
    assert!(run.err().contains("b.csv") && run.err().contains("--map"), "{}", run.err());
    assert_eq!(std::fs::read(bench.store()).expect("the store"), before);
}

#[test]
fn an_import_that_is_killed_midway_leaves_nothing_and_can_be_given_again() {
    let bench = Bench::new("");
    let mut text = String::from("time_s,voltage (V),current_A\n");
    for i in 0..400_000 {
        let line = format!("{},{:.3},-12.1\n", i, 26.4 - f64::from(i % 1000) * 1e-3);
        text.push_str(&line);
    }
    let file = bench.write("GAL-07.csv", text.as_bytes());
    let begun = |bench: &Bench| {
        let mut command = std::process::Command::new(binary("ampledger"));
        let command = command.arg("import").arg(&file).arg("--store").arg(bench.store());
        command.args(["--pack", "GAL-07", "--json"]).stdout(std::process::Stdio::null());
        command.spawn().expect("ampledger cannot be run")
    };
    for round in 0..rounds(3) {
        let mut import = begun(&bench);
        // At another moment each time: when it has read so much of the file.
        let part = text.len() as u64 * u64::from(round + 1) / u64::from(rounds(3) + 1);
        until("it has read a part", || (read_by(import.id()) > part).then_some(()));
        import.kill().expect("it cannot be killed");
        let status = import.wait().expect("its end");
        assert!(status.code().is_none(), "it was over before it was killed: {status}");
        let reader = Reader::open(&bench.store()).expect("a store");
        assert_eq!(reader.recorded_up_to(), Ok(0));
        assert!(reader.sessions().expect("sessions").is_empty());
        assert!(
            reader.runs().expect("runs").is_empty() && reader.packs().expect("packs").is_empty()
        );
    }
    assert!(begun(&bench).wait().expect("its end").success());
    let reader = Reader::open(&bench.store()).expect("a store");
    assert_eq!(reader.recorded_up_to(), Ok(400_000));
    assert_eq!(reader.sessions().expect("sessions").len(), 1);
}

/// Bytes that a process has read so far (proc_pid_io(5)).
fn read_by(process: u32) -> u64 {
    let text = std::fs::read_to_string(format!("/proc/{process}/io")).unwrap_or_default();
    let line = text.lines().find_map(|line| line.strip_prefix("rchar: "));
    line.and_then(|number| number.parse().ok()).unwrap_or(0)
}
