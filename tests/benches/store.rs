//! The store beside what others would have used: plain rows in SQLite, the
//! `sqlite3` shell, DuckDB and InfluxDB, all on the same data in the same run.
//! Machines differ, so ratios are what counts. The sizes, bytes written and peak
//! memory are held to their bounds by tests as well (`tests/footprint.rs`).
//!
//! `cargo bench -p ampledger-tests --bench store`; `AMPLEDGER_READINGS` is the
//! size, 10 million for the full figures.

// Shared with the tests, which may panic.
#[allow(clippy::expect_used)]
#[path = "../util/binaries.rs"]
mod binaries;
#[path = "store/clock.rs"]
mod clock;
#[path = "store/daemon.rs"]
mod daemon;
#[path = "store/data.rs"]
mod data;
#[path = "store/duckdb.rs"]
mod duckdb;
#[path = "store/files.rs"]
mod files;
#[path = "store/fill.rs"]
mod fill;
#[path = "store/growth.rs"]
mod growth;
#[path = "store/influx.rs"]
mod influx;
#[path = "store/live.rs"]
mod live;
#[path = "store/log.rs"]
mod log;
#[path = "store/measure.rs"]
mod measure;
#[path = "store/others.rs"]
mod others;
#[path = "store/peers.rs"]
mod peers;
#[path = "store/programs.rs"]
mod programs;
#[path = "store/read.rs"]
mod read;
#[path = "store/rows.rs"]
mod rows;
#[path = "store/table.rs"]
mod table;

use std::path::Path;

use ampledger_store::Reader;

use data::{CHANNELS, Profile};
use duckdb::DuckDb;
use peers::Peers;
use table::{Figure, Goal, Table};

type Failure = Box<dyn std::error::Error>;

/// Readings, if nothing else is asked for.
const READINGS: usize = 1_000_000;
const MEGABYTE: f64 = 1e6;
/// Seconds of recording live, and what it may write against a row a sample.
const LIVE_SECOND: usize = 1500;
const WRITTEN: Goal = Goal::Times(3.0, 2.0);

fn main() -> Result<(), Failure> {
    if measure::is_asked_for() {
        return measure::run();
    }
    let readings = readings()?;
    let peers = Peers::set_up()?;
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR"))?;
    let mut table = Table::begin(&format!(
        "{readings} readings in samples of {CHANNELS}, medians of {} rounds",
        clock::ROUNDS
    ));
    at_rest(&mut table, &peers, folder.path(), readings / CHANNELS)?;
    files::compare(&mut table, &peers, folder.path(), readings)?;
    growth::compare(&mut table, folder.path(), readings)?;
    let written = live::written(folder.path(), LIVE_SECOND)?;
    table.add(&Figure {
        what: "bytes written a reading, 4 sources at 10 Hz",
        against: "a row a sample",
        unit: "",
        ours: written.ours,
        theirs: Some(written.rows),
        goal: WRITTEN,
    });
    daemon::compare(&mut table, folder.path())?;
    table.end();
    Ok(())
}

fn readings() -> Result<usize, Failure> {
    let number = match std::env::var("AMPLEDGER_READINGS") {
        Ok(text) => text.parse().map_err(|_| format!("AMPLEDGER_READINGS is no number: {text}"))?,
        Err(_) => READINGS,
    };
    match number {
        900_000.. => Ok(number),
        _ => Err("AMPLEDGER_READINGS must be 900000 (5 hours) or more".into()),
    }
}

/// Sizes, and reading what lies there.
fn at_rest(table: &mut Table, peers: &Peers, folder: &Path, samples: usize) -> Result<(), Failure> {
    let folder = tempfile::tempdir_in(folder)?;
    let at = |name: &str| folder.path().join(name);
    let rows = fill::rows(&at("rows.db"), samples)?;
    let duckdb = match &peers.duckdb {
        Some(python) => {
            fill::csv(&at("samples.csv"), samples)?;
            let duckdb = DuckDb::create(python, &at("samples.duckdb"))?;
            duckdb.ask(&format!("load {}", at("samples.csv").display()))?;
            Some(duckdb)
        }
        None => None,
    };
    let mut others = vec![("a row a sample", Goal::Times(15.0, 10.0), rows.bytes()?)];
    if let Some(influxd) = &peers.influxd {
        let bytes = influx::bytes(influxd, folder.path(), samples)?;
        others.push(("InfluxDB 1.6, compacted", Goal::Times(11.0, 8.0), bytes));
    }
    if let Some(duckdb) = &duckdb {
        others.push(("DuckDB file", Goal::Times(1.6, 1.3), duckdb.ask("bytes")?));
    }
    sizes(table, folder.path(), samples, &others)?;

    let (run, _) = fill::store(&at("read.db"), Profile::Fine, samples)?;
    let reader = Reader::open(&at("read.db"))?;
    read::five_hours(table, &reader, run, (&rows, duckdb.as_ref()))?;
    read::overviews(table, &reader, &read::everything(run, samples), duckdb.as_ref())
}

fn sizes(
    table: &mut Table,
    folder: &Path,
    samples: usize,
    others: &[(&str, Goal, f64)],
) -> Result<(), Failure> {
    let per = |bytes: f64| bytes / (samples * CHANNELS) as f64;
    let mut empty = 0.0;
    for (profile, aim, floor) in [
        (Profile::Fine, 0.9, 0.9),
        (Profile::Coarse, 0.6, 0.8),
        (Profile::Raw, 1.2, 1.2),
        (Profile::Rest, 0.45, 0.6),
    ] {
        let path = folder.join(format!("{profile:?}.db"));
        fill::store(&path, profile, samples)?;
        let bytes = fill::bytes(&path)?;
        let what = format!("bytes a reading, {} profile", profile.name());
        let mut put = |what: &str, against, ours, theirs: Option<f64>, goal| {
            let (ours, theirs, unit) = (per(ours), theirs.map(per), "B");
            table.add(&Figure { what, against, unit, ours, theirs, goal });
        };
        put(&what, "itself", bytes.chunks, None, Goal::AtMost(aim, floor));
        if profile == Profile::Fine {
            for (against, goal, theirs) in others {
                put(&what, against, bytes.chunks, Some(*theirs), *goal);
            }
        }
        put("  the minutes beside them", "", bytes.minutes, None, Goal::Told);
        empty = bytes.empty;
    }
    let (what, against, unit, theirs) = ("an empty store, not counted above", "", "kB", None);
    table.add(&Figure { what, against, unit, ours: empty / 1e3, theirs, goal: Goal::Told });
    Ok(())
}
