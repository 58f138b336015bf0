//! The import of a large CSV file, timed beside two databases that load the
//! same file in the same run: the `sqlite3` shell and DuckDB. Machines differ,
//! so the ratios are what counts. Ours also integrates, finds the phases and
//! looks for faults; the others only load.
//!
//! `cargo bench -p ampledger-tests --bench import`; `AMPLEDGER_READINGS` is the
//! size, 10 million for the full figures.

use std::process::{Command, Stdio};

// Shared with the tests, which may panic.
#[allow(clippy::expect_used)]
#[path = "../util/binaries.rs"]
mod binaries;
#[path = "import/log.rs"]
mod log;
#[path = "import/measure.rs"]
mod measure;
#[path = "import/programs.rs"]
mod programs;

use log::Written;
use programs::Program;

type Failure = Box<dyn std::error::Error>;

/// Readings in the file, if nothing else is asked for.
const READINGS: usize = 1_000_000;
/// Rounds, all programs in each.
const ROUNDS: usize = 5;

fn main() -> Result<(), Failure> {
    if measure::is_asked_for() {
        return measure::run();
    }
    let readings = readings()?;
    let folder = tempfile::tempdir()?;
    let file = folder.path().join("log.csv");
    let written = log::write(&file, readings)?;
    check(&programs::import(&file, &folder.path().join("checked.db")), &written)?;
    let mut programs = programs::all();
    for _ in 0..ROUNDS {
        for program in &mut programs {
            let round = tempfile::tempdir_in(folder.path())?;
            program.run(&file, &round.path().join("made.db"))?;
        }
    }
    print(&programs, &written);
    Ok(())
}

fn readings() -> Result<usize, Failure> {
    let number = match std::env::var("AMPLEDGER_READINGS") {
        Ok(text) => text.parse().map_err(|_| format!("AMPLEDGER_READINGS is no number: {text}"))?,
        Err(_) => READINGS,
    };
    if number < 1000 { Err("AMPLEDGER_READINGS is below 1000".into()) } else { Ok(number) }
}

/// A fast import that lost something is none: the report has to say what the
/// file was made from.
fn check(import: &[String], written: &Written) -> Result<(), Failure> {
    let (program, arguments) = import.split_first().ok_or("no command")?;
    let output = Command::new(program).args(arguments).stdin(Stdio::null()).output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into());
    }
    let report: serde_json::Value = serde_json::from_slice(&output.stdout)?;
    let ours = report["results"]["discharging_capacity_ah"]["value"].as_f64();
    let ours = ours.ok_or("the report has no discharging_capacity_ah")?;
    if (ours / written.discharged_ah - 1.0).abs() > 1e-9 {
        return Err(format!("{ours} Ah imported, {} Ah written", written.discharged_ah).into());
    }
    Ok(())
}

fn print(programs: &[Program], written: &Written) {
    let readings = written.readings as f64;
    println!(
        "{} readings in {} rows of {:.1} MB, medians of {ROUNDS} rounds",
        written.readings,
        written.rows,
        written.bytes as f64 / 1e6
    );
    println!(
        "{:<18} {:>15} {:>10} {:>10} {:>10} {:>10}",
        "", "readings/CPU s", "peak MB", "B/reading", "our speed", "our memory"
    );
    let ours = &programs[0];
    for program in programs {
        println!(
            "{:<18} {:>15.0} {:>10.1} {:>10.2} {:>9.2}x {:>9.2}x",
            program.name,
            readings / program.cpu().as_secs_f64(),
            program.peak_bytes() as f64 / 1e6,
            program.file_bytes() as f64 / readings,
            program.cpu().as_secs_f64() / ours.cpu().as_secs_f64(),
            ours.peak_bytes() as f64 / program.peak_bytes() as f64,
        );
    }
}
