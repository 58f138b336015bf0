//! What the store is compared with, where it can be had. The script of the same
//! name sets it up and says where it is.

use std::path::PathBuf;
use std::process::{Command, Stdio};

use super::Failure;
use super::binaries;

/// Programs of others; `None` where one is not here, which was said.
pub struct Peers {
    /// A Python with DuckDB.
    pub duckdb: Option<PathBuf>,
    /// InfluxDB's server.
    pub influxd: Option<PathBuf>,
    /// SQLite's shell.
    pub sqlite3: Option<PathBuf>,
}

impl Peers {
    pub fn set_up() -> Result<Peers, Failure> {
        let script = binaries::root().join("tests/benches/store/peers");
        let output = Command::new("bash")
            .arg(script)
            .stdin(Stdio::null())
            .stderr(Stdio::inherit())
            .output()?;
        let said = String::from_utf8(output.stdout)?;
        let path = |name: &str| {
            let mut found = said.lines().filter_map(|line| line.split_once(' '));
            found.find(|(word, _)| *word == name).map(|(_, path)| PathBuf::from(path))
        };
        Ok(Peers { duckdb: path("duckdb"), influxd: path("influxd"), sqlite3: path("sqlite3") })
    }
}
