//! A session as a plain SQLite file, which any SQLite tool reads: what the
//! table in the Battery Data Format and its description hold, in tables.

use std::io::{Read, Seek, Write};
use std::path::Path;

use rusqlite::types::Value as Cell;
use rusqlite::{Connection, params, params_from_iter};
use serde_json::Value;

use crate::exit::Failure;
use crate::origin::Origin;

/// What is written into the file about itself.
const SCHEMA: &str = "
    PRAGMA user_version = 1;
    CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT) STRICT;
    CREATE TABLE session (
        number INTEGER, uuid TEXT, pack TEXT, sources TEXT, opened_by TEXT, revision INTEGER,
        start_unix_time_second REAL, end_unix_time_second REAL, clock_synchronised INTEGER,
        cutoff_voltage_volt REAL, cutoff_rule TEXT, claim TEXT, pack_description TEXT
    ) STRICT;
    CREATE TABLE tag (key TEXT, value TEXT) STRICT;
    CREATE TABLE channel (
        column_name TEXT PRIMARY KEY, label TEXT, unit TEXT, ucum TEXT, machine_name TEXT,
        source TEXT, instrument TEXT, channel TEXT, note TEXT
    ) STRICT;
    CREATE TABLE marker (
        test_time_second REAL, unix_time_second REAL, kind TEXT, source TEXT, count INTEGER,
        text TEXT
    ) STRICT;
    CREATE TABLE phase (
        number INTEGER, kind TEXT, start_test_time_second REAL, end_test_time_second REAL,
        charge_ah REAL, energy_wh REAL, mean_current_ampere REAL, end_reason TEXT
    ) STRICT;
    CREATE TABLE result (
        name TEXT PRIMARY KEY, value REAL, unit TEXT, expanded_uncertainty REAL,
        coverage_factor REAL, status TEXT, reasons TEXT, method TEXT, method_source TEXT
    ) STRICT;
";

/// Writes a session into an empty file.
pub fn write(origin: &Origin<'_>, session: i64, file: &Path) -> Result<(), Failure> {
    let cannot = || Failure::io(format!("{} cannot be written", file.display()));
    let mut rows = tempfile::tempfile().map_err(cannot())?;
    let said = origin.rows(session, &mut rows)?;
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    let metadata: Value = serde_json::from_str(&said.metadata(session, &name)?)
        .map_err(|error| cannot()(error.into()))?;
    rows.flush().and_then(|()| rows.rewind()).map_err(cannot())?;
    let filled = Connection::open(file).and_then(|db| {
        // A file that is not whole never gets its name: nothing to come back to.
        db.execute_batch("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; BEGIN")?;
        db.execute_batch(SCHEMA)?;
        let columns = channels(&db, &metadata)?;
        samples(&db, &columns, rows)?;
        facts(&db, &metadata)?;
        figures(&db, &metadata)?;
        db.execute_batch("COMMIT")
    });
    filled.map_err(|error| cannot()(std::io::Error::other(error)))
}

/// Describes the columns of the samples; gives their names.
fn channels(db: &Connection, metadata: &Value) -> rusqlite::Result<Vec<String>> {
    let mut insert =
        db.prepare("INSERT INTO channel VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?;
    let mut names: Vec<String> = Vec::new();
    for column in metadata["columns"].as_array().into_iter().flatten() {
        let plain = text(&column["machine_name"])
            .unwrap_or_else(|| plain(&text(&column["label"]).unwrap_or_default()));
        let numbered = (2..).map(|n| format!("{plain}_{n}"));
        let mut free = std::iter::once(plain.clone()).chain(numbered);
        let name = free.find(|name| !names.contains(name)).unwrap_or(plain);
        insert.execute(params![
            name,
            text(&column["label"]),
            text(&column["unit"]),
            text(&column["ucum"]),
            text(&column["machine_name"]),
            text(&column["source"]),
            text(&column["instrument"]),
            text(&column["channel"]),
            text(&column["note"])
        ])?;
        names.push(name);
    }
    Ok(names)
}

/// A name that needs no quotes: `Voltage load / V` becomes `voltage_load_v`.
fn plain(label: &str) -> String {
    let parts = label.split(|c: char| !c.is_ascii_alphanumeric()).filter(|part| !part.is_empty());
    let name = parts.collect::<Vec<_>>().join("_").to_ascii_lowercase();
    if name.starts_with(|c: char| c.is_ascii_alphabetic()) { name } else { format!("c_{name}") }
}

/// The samples, one row each; what was not measured is NULL.
fn samples(db: &Connection, columns: &[String], rows: impl Read) -> rusqlite::Result<()> {
    let real: Vec<String> = columns.iter().map(|name| format!("\"{name}\" REAL")).collect();
    db.execute_batch(&format!("CREATE TABLE sample ({}) STRICT", real.join(", ")))?;
    let marks = vec!["?"; columns.len()].join(", ");
    let mut insert = db.prepare(&format!("INSERT INTO sample VALUES ({marks})"))?;
    let mut table = csv::Reader::from_reader(std::io::BufReader::new(rows));
    let mut record = csv::StringRecord::new();
    let unreadable = |e: csv::Error| rusqlite::Error::ToSqlConversionFailure(Box::new(e));
    while table.read_record(&mut record).map_err(unreadable)? {
        let cell = |text: &str| text.parse::<f64>().map_or(Cell::Null, Cell::Real);
        insert.execute(params_from_iter(record.iter().map(cell)))?;
    }
    Ok(())
}

/// Whose it is, and what happened.
fn facts(db: &Connection, metadata: &Value) -> rusqlite::Result<()> {
    let head = &metadata["session"];
    let pack = &metadata["pack"];
    db.execute(
        "INSERT INTO session VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)",
        params![
            head["id"].as_i64(),
            text(&head["uuid"]),
            text(&head["pack"]),
            text(&head["sources"]),
            text(&head["opened_by"]),
            head["revision"].as_i64(),
            head["started"]["unix_time_second"].as_f64(),
            head["ended"]["unix_time_second"].as_f64(),
            head["clock_synchronised"].as_bool(),
            head["cutoff_voltage_volt"].as_f64(),
            text(&head["cutoff_rule"]),
            text(&metadata["claim"]),
            text(pack),
        ],
    )?;
    let about = [
        ("what", Some("a session of Ampledger; docs/plain-sqlite.md describes it".to_owned())),
        ("sign", Some("positive current charges the pack".to_owned())),
        ("computed_by", text(&metadata["computed_by"])),
        ("computed_up_to", text(&metadata["computed_up_to"])),
        ("store_uuid", text(&metadata["store_uuid"])),
        ("sha256_of_the_bdf_csv", text(&metadata["sha256"])),
    ];
    for (key, value) in about {
        db.execute("INSERT INTO about VALUES (?1, ?2)", params![key, value])?;
    }
    for tag in head["tags"].as_array().into_iter().flatten() {
        let with = params![text(&tag["key"]), text(&tag["value"])];
        db.execute("INSERT INTO tag VALUES (?1, ?2)", with)?;
    }
    let mut insert = db.prepare("INSERT INTO marker VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?;
    for marker in metadata["markers"].as_array().into_iter().flatten() {
        insert.execute(params![
            marker["moment"]["test_time_second"].as_f64(),
            marker["moment"]["unix_time_second"].as_f64(),
            text(&marker["kind"]),
            text(&marker["source"]),
            marker["count"].as_i64(),
            text(&marker["text"])
        ])?;
    }
    Ok(())
}

/// What came out.
fn figures(db: &Connection, metadata: &Value) -> rusqlite::Result<()> {
    let mut insert = db.prepare("INSERT INTO phase VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)")?;
    for (number, phase) in (0i64..).zip(metadata["phases"].as_array().into_iter().flatten()) {
        insert.execute(params![
            number,
            text(&phase["kind"]),
            phase["start"]["test_time_second"].as_f64(),
            phase["end"]["test_time_second"].as_f64(),
            phase["charge_ah"].as_f64(),
            phase["energy_wh"].as_f64(),
            phase["mean_current_ampere"].as_f64(),
            text(&phase["end_reason"])
        ])?;
    }
    let mut insert =
        db.prepare("INSERT INTO result VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?;
    for (name, figure) in metadata["results"].as_object().into_iter().flatten() {
        let expanded = figure["expanded_uncertainty"].as_f64();
        let coverage = expanded.map(|_| figure["budget"]["coverage"].as_f64().unwrap_or(2.0));
        insert.execute(params![
            name,
            figure["value"].as_f64(),
            text(&figure["unit"]),
            expanded,
            coverage,
            text(&figure["status"]),
            text(&figure["reasons"]),
            text(&figure["method"]),
            text(&figure["method_source"])
        ])?;
    }
    Ok(())
}

/// As text: a word as it is, lists and objects as JSON, null as nothing.
fn text(value: &Value) -> Option<String> {
    match value {
        Value::Null => None,
        Value::String(text) => Some(text.clone()),
        other => Some(other.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_column_of_our_own_gets_a_name_that_needs_no_quotes() {
        assert_eq!(plain("Voltage load / V"), "voltage_load_v");
        assert_eq!(plain("Temperature T6 / °C"), "temperature_t6_c");
        assert_eq!(plain("2nd / A"), "c_2nd_a");
    }
}
