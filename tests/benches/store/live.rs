//! Recording live with full synchronisation, a commit a second: the bytes
//! written to the disk, beside a row a sample.

use std::path::Path;

use ampledger_store::{Batch, NewRun, NumberedSample, Store};
use ampledger_types::RunId;

use super::Failure;
use super::data::{CHANNELS, Profile, Source};
use super::rows::Rows;

const SOURCES: usize = 4;

/// Bytes written a reading.
pub struct Written {
    pub ours: f64,
    pub rows: f64,
}

/// Four sources at 10 Hz for so many seconds.
pub fn written(folder: &Path, seconds: usize) -> Result<Written, Failure> {
    let readings = (seconds * SOURCES * 10 * CHANNELS) as f64;
    let mut store = Store::open(&folder.join("live.db"))?;
    let run = store.begin_run(&NewRun {
        boot_id: "bench".to_owned(),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: "bench".to_owned(),
        replay_of: None,
    })?;
    let (mut sources, begin) = (sources(), so_far()?);
    for _ in 0..seconds {
        let samples = second(&mut sources, run.id, store.recorded_up_to() + 1);
        let samples = samples.into_iter().map(|(_, sample)| sample).collect();
        store.append(&Batch { samples, ..Batch::default() })?;
    }
    let ours = (so_far()? - begin) as f64 / readings;
    drop(store);

    let rows = Rows::create(&folder.join("live-rows.db"), "FULL")?;
    let (mut sources, begin) = (self::sources(), so_far()?);
    for _ in 0..seconds {
        rows.append_one_by_one(&second(&mut sources, run.id, 1))?;
    }
    Ok(Written { ours, rows: (so_far()? - begin) as f64 / readings })
}

fn sources() -> Vec<Source> {
    let names = ["bench-shunt", "clamp", "load", "probe"];
    names.map(|name| Source::new(Profile::Fine, name)).into()
}

/// What comes in a second, with the number of the source, the sources in turn.
fn second(sources: &mut [Source], run: RunId, first: u64) -> Vec<(i64, NumberedSample)> {
    let mut samples = Vec::new();
    for _ in 0..10 {
        for (key, source) in (0..).zip(&mut *sources) {
            samples.push((key, source.next(run, first + samples.len() as u64)));
        }
    }
    samples
}

/// Bytes this thread has sent to be written to disks (proc_pid_io(5)).
fn so_far() -> Result<u64, Failure> {
    let text = std::fs::read_to_string("/proc/thread-self/io")?;
    let line = text.lines().find_map(|line| line.strip_prefix("write_bytes: "));
    Ok(line.ok_or("the kernel does not count what is written")?.parse()?)
}
