//! Recording live: four sources at 10 Hz, a commit a second with full
//! synchronisation, beside a row a sample.

use std::path::Path;

use ampledger_store::{Batch, Store};

use super::data::{CHANNELS, Profile, Source};
use super::rows::Rows;
use super::{Failure, begin_run, clock};

const SOURCES: usize = 4;
/// Seconds that are recorded.
const SECONDS: usize = 1500;
/// Rows take at least so many times as many bytes.
const LEAST_RATIO: f64 = 2.0;

pub fn compare(folder: &Path) -> Result<(), Failure> {
    let mut store = Store::open(&folder.join("live.db"))?;
    let run = begin_run(&mut store)?;
    let make = |i| Source::new(Profile::Fine, ["bench-shunt", "clamp", "load", "probe"][i]);
    let mut sources: Vec<Source> = (0..SOURCES).map(make).collect();
    let (begin, cpu) = (clock::written()?, clock::cpu()?);
    for _ in 0..SECONDS {
        let mut seq = store.recorded_up_to();
        let mut samples = Vec::new();
        for _ in 0..10 {
            for source in &mut sources {
                seq += 1;
                samples.push(source.next(run, seq));
            }
        }
        store.append(&Batch { samples, ..Batch::default() })?;
    }
    let (ours, cpu) = (clock::written()? - begin, clock::cpu()? - cpu);
    drop(store);

    let rows = Rows::create(&folder.join("live-rows.db"), "FULL")?;
    let mut sources: Vec<Source> = (0..SOURCES).map(make).collect();
    let begin = clock::written()?;
    for _ in 0..SECONDS {
        rows.db.execute_batch("BEGIN IMMEDIATE")?;
        for (key, source) in (0i64..).zip(&mut sources) {
            for _ in 0..10 {
                let given = source.next(run, 1).sample;
                let v = &given.values;
                rows.db
                    .prepare_cached(
                        "INSERT OR IGNORE INTO reading VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                    )?
                    .execute(rusqlite::params![key, given.t_us, v[0], v[1], v[2], v[3], v[4]])?;
            }
        }
        rows.db.execute_batch("COMMIT")?;
    }
    let theirs = clock::written()? - begin;
    let readings = (SECONDS * SOURCES * 10 * CHANNELS) as f64;
    let ratio = theirs as f64 / ours as f64;
    println!(
        "live, {SOURCES} sources at 10 Hz: {:.0} bytes written a reading, a row a sample {:.0}: \
         {ratio:.2} times as many; {:.3} % of a core",
        ours as f64 / readings,
        theirs as f64 / readings,
        cpu.as_secs_f64() / SECONDS as f64 * 100.0
    );
    if ratio < LEAST_RATIO {
        return Err(format!("a row a sample writes only {ratio:.2} times as much").into());
    }
    Ok(())
}
