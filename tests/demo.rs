//! The demo: what a newcomer runs first.

use std::time::{Duration, Instant};

use crate::util::Bench;

/// Processes whose command line holds `what` (proc(5), `cmdline`).
fn processes_with(what: &str) -> Vec<String> {
    let entries = std::fs::read_dir("/proc").expect("the kernel's list of processes");
    let lines = entries.filter_map(|entry| {
        let bytes = std::fs::read(entry.ok()?.path().join("cmdline")).ok()?;
        Some(String::from_utf8_lossy(&bytes).replace('\0', " "))
    });
    lines.filter(|line| line.contains(what)).collect()
}

#[test]
fn the_demo_ends_within_half_a_minute_and_leaves_nothing_running() {
    let bench = Bench::new("");
    let folder = bench.path("demo");
    let begin = Instant::now();
    let run = bench.ampledger_with(&["demo", "--dir", folder.to_str().expect("a path")]).good();
    let took = begin.elapsed();
    assert!(took < Duration::from_secs(30), "{took:?}");
    let out = run.out();
    assert!(out.contains("GAL-07") && out.contains("Ah"), "the claim is printed:\n{out}");
    assert!(out.contains(".bdf.csv"), "where the files are is said:\n{out}");
    let told = out.split_once("The protection").expect("the demo's story").0;
    assert!(!told.contains("dark"), "dark before the protection tripped:\n{out}");
    let left = processes_with(&bench.path("").display().to_string());
    assert_eq!(left, Vec::<String>::new());
    let exported = std::fs::read_dir(&folder).expect("the demo's folder");
    let names: Vec<String> = exported
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    assert!(names.iter().any(|name| name.ends_with(".bdf.csv")), "{names:?}");
    assert!(names.iter().any(|name| name.ends_with(".json")), "{names:?}");
}
