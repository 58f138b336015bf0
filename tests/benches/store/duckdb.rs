//! DuckDB on the same samples, one thread, through its own Python package. It
//! is left out with a word where it is not.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use ampledger_types::RunId;

use super::Failure;
use super::data::{CHANNELS, Profile, Source};

pub fn compare(folder: &Path, samples: usize) -> Result<(), Failure> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let usual = || root.join("target/test-tools/venv/bin/python");
    let python = std::env::var_os("AMPLEDGER_TEST_PYTHON").map_or_else(usual, PathBuf::from);
    let quiet = Command::new(&python)
        .args(["-c", "import duckdb, numpy"])
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .status();
    if !quiet.is_ok_and(|status| status.success()) {
        println!("skipped: no Python with DuckDB; tests/run sets it up where python3 is there");
        return Ok(());
    }
    let file = folder.join("samples.csv");
    let mut out = std::io::BufWriter::new(std::fs::File::create(&file)?);
    let mut source = Source::new(Profile::Fine, "bench-shunt");
    for _ in 0..samples {
        let given = source.next(RunId(1), 1).sample;
        let v = &given.values;
        writeln!(out, "{},{},{},{},{},{}", given.t_us, v[0], v[1], v[2], v[3], v[4])?;
    }
    out.flush()?;
    drop(out);
    let output = Command::new(&python)
        .arg(root.join("tests/python/duckdb_store.py"))
        .arg(folder.join("samples.duckdb"))
        .arg(&file)
        .output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into());
    }
    let said: serde_json::Value = serde_json::from_slice(&output.stdout)?;
    let number = |name: &str| said[name].as_f64().unwrap_or(f64::NAN);
    println!(
        "DuckDB: {:.3} bytes a reading; 5 h into columns {:.1} ms; least and greatest of one \
         channel in 2000 buckets {:.1} ms (processor time)",
        number("bytes") / (samples * CHANNELS) as f64,
        number("read_ms"),
        number("overview_ms")
    );
    Ok(())
}
