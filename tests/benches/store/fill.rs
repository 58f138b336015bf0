//! Fills a store as an import does, beside plain rows and a CSV file of the same
//! samples.

use std::io::Write;
use std::path::Path;
use std::time::Duration;

use ampledger_store::{Batch, NewRun, Store};
use ampledger_types::RunId;

use super::data::{Profile, Source};
use super::rows::Rows;
use super::{Failure, clock};

/// Samples given at once, as an import does.
const PART: usize = 8192;

/// Fills a store; gives back its run and the processor time that the store took.
pub fn store(path: &Path, profile: Profile, samples: usize) -> Result<(RunId, Duration), Failure> {
    let mut store = Store::open(path)?;
    store.begin_whole()?;
    let run = store.begin_run(&NewRun {
        boot_id: "bench".to_owned(),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: "bench".to_owned(),
        replay_of: None,
    })?;
    let mut source = Source::new(profile, "bench-shunt");
    let (mut left, mut took) = (samples, Duration::ZERO);
    while left > 0 {
        let next = store.recorded_up_to() + 1;
        let part = (next..).take(left.min(PART)).map(|seq| source.next(run.id, seq)).collect();
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
    Ok((run.id, took))
}

/// Fills plain rows.
pub fn rows(path: &Path, samples: usize) -> Result<Rows, Failure> {
    let mut rows = Rows::create(path, "NORMAL")?;
    let mut source = Source::new(Profile::Fine, "bench-shunt");
    let mut left = samples;
    while left > 0 {
        let part: Vec<_> = (0..left.min(PART)).map(|_| source.next(RunId(1), 1)).collect();
        rows.append(1, &part)?;
        left -= part.len();
    }
    Ok(rows)
}

/// Writes them as CSV.
pub fn csv(path: &Path, samples: usize) -> Result<(), Failure> {
    let mut out = std::io::BufWriter::new(std::fs::File::create(path)?);
    writeln!(out, "t_us,voltage,current,celsius,watt,ah")?;
    let mut source = Source::new(Profile::Fine, "bench-shunt");
    for _ in 0..samples {
        let given = source.next(RunId(1), 1).sample;
        let v = &given.values;
        writeln!(out, "{},{},{},{},{},{}", given.t_us, v[0], v[1], v[2], v[3], v[4])?;
    }
    Ok(out.flush()?)
}

/// What samples take at rest, bytes, beyond what an empty store does.
pub struct Bytes {
    /// In chunks, with the summaries of hours.
    pub chunks: f64,
    /// In the table of minutes.
    pub minutes: f64,
    /// An empty store.
    pub empty: f64,
}

/// Takes a store apart: it has no minutes afterwards.
pub fn bytes(path: &Path) -> Result<Bytes, Failure> {
    let none = path.with_extension("empty");
    store(&none, Profile::Fine, 0)?;
    let empty = at_rest(&none, "VACUUM")?;
    let whole = at_rest(path, "VACUUM")?;
    let chunks = at_rest(path, "DELETE FROM minute; VACUUM")?;
    Ok(Bytes { chunks: chunks - empty, minutes: whole - chunks, empty })
}

fn at_rest(path: &Path, first: &str) -> Result<f64, Failure> {
    let db = rusqlite::Connection::open(path)?;
    db.execute_batch(first)?;
    db.pragma_update_and_check(None, "wal_checkpoint", "TRUNCATE", |_| Ok(()))?;
    Ok(std::fs::metadata(path)?.len() as f64)
}
