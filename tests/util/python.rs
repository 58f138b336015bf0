//! Python programs that are not ours, in the folders that `tests/run` sets up.
//! A test that needs one and has none says so and does nothing.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Command;

use super::{root, skip};

/// A folder of Python packages that `tests/run` sets up.
#[derive(Clone, Copy, Debug)]
pub enum Python {
    /// `batterydf`, pandas, pyarrow, scipy, DuckDB: `tests/requirements.txt`.
    Readers,
    /// PyBaMM: `tests/requirements-simulator.txt`.
    Simulator,
}

impl Python {
    /// Its interpreter; `None` where it is not set up, which is said.
    pub fn interpreter(self) -> Option<PathBuf> {
        let (variable, folder, packages) = match self {
            Python::Readers => ("AMPLEDGER_TEST_PYTHON", "venv", "batterydf, pandas and others"),
            Python::Simulator => ("AMPLEDGER_TEST_SIMULATOR", "simulator", "PyBaMM"),
        };
        let usual = || root().join("target/test-tools").join(folder).join("bin/python");
        let path = std::env::var_os(variable).map_or_else(usual, PathBuf::from);
        if !path.is_file() {
            skip(&format!(
                "no Python with {packages}; tests/run sets it up where python3 is there"
            ));
            return None;
        }
        Some(path)
    }
}

/// Runs a script of `tests/python/` and gives what it printed.
#[track_caller]
pub fn script<S: AsRef<OsStr>>(interpreter: &Path, name: &str, arguments: &[S]) -> String {
    let path = root().join("tests/python").join(name);
    let output = Command::new(interpreter)
        .arg(path)
        .args(arguments)
        .output()
        .unwrap_or_else(|e| panic!("{}: {e}", interpreter.display()));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{name}: {said}");
    String::from_utf8(output.stdout).expect("text")
}
