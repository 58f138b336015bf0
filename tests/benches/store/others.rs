//! The others, reading a CSV file into a database or writing one out of it: the
//! `sqlite3` shell and DuckDB.

use std::path::Path;

use super::measure::{Took, measured};
use super::programs::text;
use super::{Failure, binaries};

/// The table that the others load into.
const TABLE: &str = "CREATE TABLE reading (time_s DOUBLE, voltage_v DOUBLE, current_a DOUBLE, \
     temperature_degc DOUBLE, power_w DOUBLE, discharging_capacity_ah DOUBLE)";

/// The shell loads the file.
pub fn shell_import(shell: &Path, file: &Path, database: &Path) -> Vec<String> {
    let load = format!(".import --csv --skip 1 {} reading", file.display());
    vec![text(shell), text(database), format!("{TABLE};"), load]
}

/// The shell loads what we export, all of its columns.
pub fn shell_import_same(
    shell: &Path,
    file: &Path,
    database: &Path,
    columns: usize,
) -> Vec<String> {
    let columns: Vec<String> = (0..columns).map(|column| format!("c{column} DOUBLE")).collect();
    let table = format!("CREATE TABLE reading ({});", columns.join(", "));
    let load = format!(".import --csv --skip 1 {} reading", file.display());
    vec![text(shell), text(database), table, load]
}

/// The shell writes it out.
pub fn shell_export(shell: &Path, database: &Path, file: &Path) -> Vec<String> {
    let to = format!(".once {}", file.display());
    let words = [".headers on", ".mode csv", &to, "SELECT * FROM reading;"];
    let words = words.into_iter().map(str::to_owned);
    [text(shell), text(database)].into_iter().chain(words).collect()
}

/// DuckDB loads the file on one thread. What Python takes to begin is measured
/// beside it and taken off.
pub fn duckdb_import(python: &Path, file: &Path, database: &Path) -> Result<Took, Failure> {
    let script = binaries::root().join("tests/python/duckdb_copy.py");
    let empty = database.with_extension("empty");
    let _ = std::fs::remove_file(&empty);
    let begin = vec![text(python), text(&script), text(&empty), TABLE.to_owned()];
    let mut whole = vec![text(python), text(&script), text(database), TABLE.to_owned()];
    whole.push(text(file));
    let (begin, whole) = (measured(&begin)?, measured(&whole)?);
    Ok(Took { cpu: whole.cpu.saturating_sub(begin.cpu), ..whole })
}
