//! The programs that read the file into a database of their own, ours first. A
//! program that is not on this machine is left out with a word.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use super::measure::{Took, measured};
use super::{Failure, binaries};

/// The table that the others load into.
const TABLE: &str = "CREATE TABLE reading (time_s DOUBLE, voltage_v DOUBLE, current_a DOUBLE, \
                     temperature_degc DOUBLE, power_w DOUBLE, discharging_capacity_ah DOUBLE)";

/// Reads the first file into a database at the second path.
type Load = Box<dyn Fn(&Path, &Path) -> Result<Took, Failure>>;

/// A program and what it took.
pub struct Program {
    pub name: &'static str,
    load: Load,
    rounds: Vec<(Took, u64)>,
}

impl Program {
    fn new(
        name: &'static str,
        load: impl Fn(&Path, &Path) -> Result<Took, Failure> + 'static,
    ) -> Program {
        Program { name, load: Box::new(load), rounds: Vec::new() }
    }

    /// One round.
    pub fn run(&mut self, file: &Path, database: &Path) -> Result<(), Failure> {
        let took = (self.load)(file, database)?;
        self.rounds.push((took, std::fs::metadata(database)?.len()));
        Ok(())
    }

    pub fn cpu(&self) -> Duration {
        median(self.rounds.iter().map(|(took, _)| took.cpu))
    }

    pub fn peak_bytes(&self) -> u64 {
        median(self.rounds.iter().map(|(took, _)| took.peak_bytes))
    }

    pub fn file_bytes(&self) -> u64 {
        median(self.rounds.iter().map(|(_, bytes)| *bytes))
    }
}

fn median<T: Ord + Copy>(values: impl Iterator<Item = T>) -> T {
    let mut values: Vec<T> = values.collect();
    values.sort_unstable();
    values[values.len() / 2]
}

/// Those that are here.
pub fn all() -> Vec<Program> {
    let ours = Program::new("ampledger import", |file, store| measured(&import(file, store)));
    [Some(ours), sqlite_shell(), duckdb()].into_iter().flatten().collect()
}

/// Our command.
pub fn import(file: &Path, store: &Path) -> Vec<String> {
    let settings = "--pack BENCH --rated-ah 50 --cutoff-voltage 10 \
                    --current-sign charging-positive --json";
    let program = binaries::binary("ampledger");
    let mut words = vec![text(&program), "import".into(), text(file), "--store".into()];
    words.push(text(store));
    words.extend(settings.split_whitespace().map(str::to_owned));
    words
}

fn sqlite_shell() -> Option<Program> {
    if !answers(Command::new("sqlite3").arg("-version")) {
        println!("skipped: the `sqlite3` shell is not here (Debian: sqlite3)");
        return None;
    }
    Some(Program::new("sqlite3 .import", |file, database| {
        let load = format!(".import --csv --skip 1 {} reading", file.display());
        measured(&["sqlite3".to_owned(), text(database), format!("{TABLE};"), load])
    }))
}

/// One thread, as the others have. What Python takes to begin is measured in
/// the same round and taken off the time.
fn duckdb() -> Option<Program> {
    let usual = || binaries::root().join("target/test-tools/venv/bin/python");
    let python = std::env::var_os("AMPLEDGER_TEST_PYTHON").map_or_else(usual, PathBuf::from);
    if !answers(Command::new(&python).args(["-c", "import duckdb"])) {
        println!("skipped: no Python with DuckDB; tests/run sets it up where python3 is there");
        return None;
    }
    let script = binaries::root().join("tests/python/duckdb_copy.py");
    Some(Program::new("DuckDB COPY", move |file, database| {
        let empty = database.with_extension("empty");
        let begin = vec![text(&python), text(&script), text(&empty), TABLE.to_owned()];
        let mut whole = vec![text(&python), text(&script), text(database), TABLE.to_owned()];
        whole.push(text(file));
        let (begin, whole) = (measured(&begin)?, measured(&whole)?);
        Ok(Took { cpu: whole.cpu.saturating_sub(begin.cpu), ..whole })
    }))
}

fn text(path: &Path) -> String {
    path.display().to_string()
}

fn answers(command: &mut Command) -> bool {
    let quiet = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    quiet.status().is_ok_and(|status| status.success())
}
