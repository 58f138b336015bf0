//! CSV in and out: the import of a wide file and the export of five hours, with
//! the memory both take. Ours also judges the session, and writes running
//! totals and checksums; the others only load and write.

use std::path::{Path, PathBuf};

use super::clock::{Contender, medians};
use super::duckdb::DuckDb;
use super::log::{self, Written};
use super::measure::measured;
use super::others;
use super::peers::Peers;
use super::programs;
use super::table::{Figure, Goal, Table};
use super::{Failure, MEGABYTE};

/// Readings of five hours.
const FIVE_HOURS: usize = 900_000;
/// Peak memory at any size: the aim, and what it must stay below.
const MEMORY: Goal = Goal::AtMost(16.0, 32.0);

pub fn compare(
    table: &mut Table,
    peers: &Peers,
    folder: &Path,
    readings: usize,
) -> Result<(), Failure> {
    let folder = tempfile::tempdir_in(folder)?;
    let file = folder.path().join("log.csv");
    check(
        &programs::import(&file, &folder.path().join("checked.db")),
        &log::write(&file, readings)?,
    )?;
    import(table, peers, &file)?;
    let few = folder.path().join("few.csv");
    log::write(&few, readings / 10)?;
    memory(table, folder.path(), [(readings / 10, few), (readings, file)])?;
    let session = folder.path().join("session.csv");
    log::write(&session, FIVE_HOURS)?;
    export(table, peers, folder.path(), &session)
}

/// A fast import that lost something is none: the report has to say what the
/// file was made from.
fn check(import: &[String], written: &Written) -> Result<(), Failure> {
    let report = programs::answer(import)?;
    let ours = report["results"]["discharging_capacity_ah"]["value"].as_f64();
    let ours = ours.ok_or("the report has no discharging_capacity_ah")?;
    if (ours / written.discharged_ah - 1.0).abs() > 1e-9 {
        return Err(format!("{ours} Ah imported, {} Ah written", written.discharged_ah).into());
    }
    Ok(())
}

/// Puts the median of each after the first, which is ours, into the table.
fn put(
    table: &mut Table,
    what: &str,
    goals: &[(&str, Goal)],
    contenders: &mut [Contender<'_>],
) -> Result<(), Failure> {
    let found = medians(contenders)?;
    for ((against, goal), theirs) in goals.iter().zip(&found[1..]) {
        let (ours, theirs, unit) = (found[0], Some(*theirs), "CPU ms");
        table.add(&Figure { what, against, unit, ours, theirs, goal: *goal });
    }
    Ok(())
}

fn import(table: &mut Table, peers: &Peers, file: &Path) -> Result<(), Failure> {
    let folder = tempfile::tempdir_in(file.parent().unwrap_or(file))?;
    let database = || {
        let path = folder.path().join("made.db");
        let _ = std::fs::remove_file(&path);
        path
    };
    let ours = || Ok(measured(&programs::import(file, &database()))?.cpu.as_secs_f64() * 1e3);
    let (mut goals, mut contenders) = (Vec::new(), vec![Box::new(ours) as Contender<'_>]);
    if let Some(shell) = &peers.sqlite3 {
        goals.push(("sqlite3 .import", Goal::Times(5.0, 2.5)));
        contenders.push(Box::new(|| {
            let words = others::shell_import(shell, file, &database());
            Ok(measured(&words)?.cpu.as_secs_f64() * 1e3)
        }));
    }
    if let Some(python) = &peers.duckdb {
        goals.push(("DuckDB COPY, one thread", Goal::Times(1.0, 0.6)));
        contenders.push(Box::new(|| {
            let took = others::duckdb_import(python, file, &database())?;
            Ok(took.cpu.as_secs_f64() * 1e3)
        }));
    }
    put(table, "import of a wide CSV", &goals, &mut contenders)
}

/// What the others export: the five quantities that they were given, or all the
/// columns that ours writes, running totals too.
fn export(table: &mut Table, peers: &Peers, folder: &Path, file: &Path) -> Result<(), Failure> {
    let (store, to) = (folder.join("session.db"), folder.join("out.csv"));
    programs::answer(&programs::import(file, &store))?;
    let made = folder.join("made.csv");
    measured(&programs::export(&store, &made))?;
    let ours = || Ok(measured(&programs::export(&store, &to))?.cpu.as_secs_f64() * 1e3);
    let (mut goals, mut contenders) = (Vec::new(), vec![Box::new(ours) as Contender<'_>]);
    let (rows, same) = (folder.join("rows.db"), folder.join("same.db"));
    if let Some(shell) = &peers.sqlite3 {
        let columns = std::fs::read_to_string(&made)?
            .lines()
            .next()
            .map_or(0, |head| head.split(',').count());
        measured(&others::shell_import(shell, file, &rows))?;
        measured(&others::shell_import_same(shell, &made, &same, columns))?;
        goals.push(("sqlite3 .mode csv", Goal::Times(5.0, 3.0)));
        goals.push(("sqlite3, the same columns", Goal::Told));
        for database in [&rows, &same] {
            let words = others::shell_export(shell, database, &to);
            contenders.push(Box::new(move || Ok(measured(&words)?.cpu.as_secs_f64() * 1e3)));
        }
    }
    if let Some(python) = &peers.duckdb {
        let words = [("log", file), ("same", made.as_path())];
        let goal = [Goal::Times(2.5, 1.5), Goal::Told];
        let name = ["DuckDB COPY TO, one thread", "DuckDB, the same columns"];
        for (((word, file), goal), name) in words.into_iter().zip(goal).zip(name) {
            let duckdb = DuckDb::create(python, &folder.join(word))?;
            duckdb.ask(&format!("{word} {}", file.display()))?;
            goals.push((name, goal));
            let to = to.display().to_string();
            contenders.push(Box::new(move || duckdb.ask(&format!("export {to}"))));
        }
    }
    put(table, "export of 5 h as CSV", &goals, &mut contenders)
}

/// A small and a large file: neither may need more than the bound.
fn memory(table: &mut Table, folder: &Path, files: [(usize, PathBuf); 2]) -> Result<(), Failure> {
    for (readings, file) in files {
        let (store, to) = (folder.join(format!("{readings}.db")), folder.join("out.csv"));
        for (name, words) in
            [("import", programs::import(&file, &store)), ("export", programs::export(&store, &to))]
        {
            let what = format!("peak memory, {name} of {readings} readings");
            let ours = measured(&words)?.peak_bytes as f64 / MEGABYTE;
            let (against, unit, goal) = ("itself", "MB", MEMORY);
            table.add(&Figure { what: &what, against, unit, ours, theirs: None, goal });
        }
    }
    Ok(())
}
