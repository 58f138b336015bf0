//! The store beside plain rows in SQLite and beside DuckDB: bytes at rest and
//! written, reading a session, overviews, growth. Sizes, bytes written and
//! memory are held to a bound; times are printed as ratios.
//!
//! `cargo bench -p ampledger-tests --bench store`; `AMPLEDGER_READINGS` is the
//! size, 10 million for the full figures.

#[path = "store/clock.rs"]
mod clock;
#[path = "store/data.rs"]
mod data;
#[path = "store/duckdb.rs"]
mod duckdb;
#[path = "store/live.rs"]
mod live;
#[path = "store/rows.rs"]
mod rows;

use std::ops::ControlFlow;
use std::path::Path;

use ampledger_store::{Batch, NewRun, Range, Reader, Store, Stretch, overview_width_us};
use ampledger_types::{Bound, Quantity, RunId};

use data::{CHANNELS, DISCHARGE, Profile, Source};
use rows::Rows;

type Failure = Box<dyn std::error::Error>;

/// Readings, if nothing else is asked for.
const READINGS: usize = 1_000_000;
/// Samples given at once, as an import does.
const PART: usize = 8192;
/// Microseconds of a discharge.
const FIVE_HOURS_US: i64 = 18_000_000_000;

fn main() -> Result<(), Failure> {
    let samples = readings()? / CHANNELS;
    let folder = tempfile::tempdir()?;
    println!("{} readings a store, in samples of {CHANNELS}", samples * CHANNELS);
    sizes(folder.path(), samples)?;
    let (path, run) = fill(folder.path(), Profile::Fine, samples)?;
    let mut rows = Rows::create(&folder.path().join("rows.db"), "NORMAL")?;
    let mut source = Source::new(Profile::Fine, "bench-shunt");
    let mut left = samples;
    while left > 0 {
        let part: Vec<_> = (0..left.min(PART)).map(|_| source.next(run, 1)).collect();
        rows.append(1, &part)?;
        left -= part.len();
    }
    reading(&path, run, &rows)?;
    overview(&path, run, samples)?;
    duckdb::compare(folder.path(), samples)?;
    live::compare(folder.path())?;
    println!("peak memory of this bench: {:.1} MB", clock::peak_bytes()? as f64 / 1e6);
    Ok(())
}

fn readings() -> Result<usize, Failure> {
    match std::env::var("AMPLEDGER_READINGS") {
        Ok(text) => Ok(text.parse().map_err(|_| format!("AMPLEDGER_READINGS: {text}"))?),
        Err(_) => Ok(READINGS),
    }
}

fn begin_run(store: &mut Store) -> Result<RunId, Failure> {
    let run = store.begin_run(&NewRun {
        boot_id: "bench".to_owned(),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: "bench".to_owned(),
        replay_of: None,
    })?;
    Ok(run.id)
}

/// Fills a store as an import does.
fn fill(
    folder: &Path,
    profile: Profile,
    samples: usize,
) -> Result<(std::path::PathBuf, RunId), Failure> {
    let path = folder.join(format!("{profile:?}.db"));
    let mut store = Store::open(&path)?;
    store.begin_whole()?;
    let run = begin_run(&mut store)?;
    let mut source = Source::new(profile, "bench-shunt");
    let (mut left, mut took) = (samples, std::time::Duration::ZERO);
    while left > 0 {
        let next = store.recorded_up_to() + 1;
        let part = (next..).take(left.min(PART)).map(|seq| source.next(run, seq)).collect();
        let batch = Batch { samples: part, ..Batch::default() };
        let begin = clock::cpu()?;
        store.append(&batch)?;
        took += clock::cpu()? - begin;
        left -= batch.samples.len();
    }
    let begin = clock::cpu()?;
    store.seal()?;
    store.finish_whole()?;
    took += clock::cpu()? - begin;
    let rate = (samples * CHANNELS) as f64 / took.as_secs_f64() / 1e6;
    println!("{profile:?}: {rate:.1} million readings a CPU second go in");
    drop(store);
    Ok((path, run))
}

/// Bytes a reading takes in the file, and what of it is for what.
fn sizes(folder: &Path, samples: usize) -> Result<(), Failure> {
    let bounds =
        [(Profile::Fine, 0.90), (Profile::Coarse, 0.8), (Profile::Raw, 1.2), (Profile::Rest, 0.6)];
    for (profile, bound) in bounds {
        let folder = tempfile::tempdir_in(folder)?;
        let (path, _) = fill(folder.path(), profile, samples)?;
        let per = |bytes: u64| bytes as f64 / (samples * CHANNELS) as f64;
        let whole = std::fs::metadata(&path)?.len();
        let db = rusqlite::Connection::open(&path)?;
        db.execute_batch("DELETE FROM minute; DELETE FROM hour; VACUUM")?;
        db.pragma_update_and_check(None, "wal_checkpoint", "TRUNCATE", |_| Ok(()))?;
        let chunks = std::fs::metadata(&path)?.len();
        println!(
            "{profile:?}: {:.3} bytes a reading in chunks, {:.3} in minutes and hours",
            per(chunks),
            per(whole - chunks)
        );
        if per(chunks) > bound {
            return Err(format!("{profile:?} takes more than {bound} bytes a reading").into());
        }
    }
    Ok(())
}

fn reading(path: &Path, run: RunId, rows: &Rows) -> Result<(), Failure> {
    let reader = Reader::open(path)?;
    let at = |t_us| Bound { run, t_us };
    let range = Range {
        sources: vec!["bench-shunt".to_owned()],
        from: at(0),
        to: Some(at(FIVE_HOURS_US)),
        up_to: None,
    };
    let mut found = 0;
    let ours = clock::milliseconds(|| {
        found = 0;
        Ok(reader.columns(
            &range,
            |_| true,
            |block| {
                found += std::hint::black_box(block).t_us.len();
                ControlFlow::Continue(())
            },
        )?)
    })?;
    let one = clock::milliseconds(|| {
        let wanted = |channel: &ampledger_types::Channel| channel.quantity == Quantity::Voltage;
        Ok(reader.columns(&range, wanted, |block| {
            std::hint::black_box(block);
            ControlFlow::Continue(())
        })?)
    })?;
    let each = clock::milliseconds(|| {
        Ok(reader.samples(&range, |sample| {
            std::hint::black_box(sample);
            ControlFlow::Continue(())
        })?)
    })?;
    let theirs = clock::milliseconds(|| {
        rows.columns(0, FIVE_HOURS_US)?;
        Ok(())
    })?;
    println!("5 h of {CHANNELS} channels, {found} samples, into columns: {ours:.1} ms");
    println!("  one channel {one:.1} ms; sample by sample {each:.1} ms");
    println!("  a row a sample takes {theirs:.1} ms: ours is {:.1} times as fast", theirs / ours);
    Ok(())
}

fn overview(path: &Path, run: RunId, samples: usize) -> Result<(), Failure> {
    let reader = Reader::open(path)?;
    let discharges = samples.div_ceil(DISCHARGE) as i64;
    let to_t_us = discharges * 21_600_000_000 - 1;
    let stretch = Stretch { source: "bench-shunt".to_owned(), run, from_t_us: 0, to_t_us };
    for width in [overview_width_us(to_t_us, 2000), to_t_us / 2000] {
        let mut buckets = 0;
        let took = clock::milliseconds(|| {
            buckets = reader.overview(&stretch, width)?.first().map_or(0, |one| one.buckets.len());
            Ok(())
        })?;
        println!(
            "overview of {samples} samples of {CHANNELS} channels in {buckets} buckets of {:.1} s: \
             {took:.2} ms",
            width as f64 / 1e6
        );
    }
    Ok(())
}
