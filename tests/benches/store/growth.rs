//! Growth: what going in and reading cost in a store that is a hundred times as
//! large.

use std::hint::black_box;
use std::path::Path;

use ampledger_store::{Reader, overview_width_us};

use super::clock::{ROUNDS, median, milliseconds};
use super::data::{CHANNELS, DISCHARGE, Profile};
use super::table::{Figure, Goal, Table};
use super::{Failure, fill, read};

/// A store of one size.
struct Grown {
    readings: f64,
    ingest_ms: f64,
    /// Reading five hours; none in a store that has not as many.
    read_ms: Option<f64>,
    overview_ms: f64,
}

pub fn compare(table: &mut Table, folder: &Path, readings: usize) -> Result<(), Failure> {
    let mut all = Vec::new();
    for size in [readings / 10, readings, readings * 10] {
        all.push(grow(folder, size / CHANNELS, if size > readings { 1 } else { 3 })?);
    }
    let (first, last) = (&all[0], &all[all.len() - 1]);
    let slope = (last.ingest_ms / first.ingest_ms).ln() / (last.readings / first.readings).ln();
    let what = format!("growth {:.0e} to {:.0e}: ingest slope", first.readings, last.readings);
    let (against, unit, theirs) = ("itself", "", None);
    let goal = Goal::AtMost(1.05, 1.1);
    table.add(&Figure { what: &what, against, unit, ours: slope, theirs, goal });
    let Some(least) = all.iter().find(|grown| grown.read_ms.is_some()) else { return Ok(()) };
    let what = format!("  5 h read at {:.0e} against {:.0e}", last.readings, least.readings);
    let ours = last.read_ms.unwrap_or(f64::NAN) / least.read_ms.unwrap_or(f64::NAN);
    table.add(&Figure { what: &what, against, unit, ours, theirs, goal: Goal::AtMost(1.2, 1.5) });
    for grown in &all {
        let what = format!("  overview of all {:.0e} readings", grown.readings);
        let (ours, unit) = (grown.overview_ms, "CPU ms");
        table.add(&Figure { what: &what, against, unit, ours, theirs, goal: Goal::Told });
    }
    Ok(())
}

fn grow(folder: &Path, samples: usize, rounds: usize) -> Result<Grown, Failure> {
    let folder = tempfile::tempdir_in(folder)?;
    let path = folder.path().join("grown.db");
    let (mut took, mut run) = (Vec::new(), None);
    for _ in 0..rounds {
        let _ = std::fs::remove_file(&path);
        let (its_run, cpu) = fill::store(&path, Profile::Fine, samples)?;
        took.push(cpu.as_secs_f64() * 1e3);
        run = Some(its_run);
    }
    let run = run.ok_or("nothing was recorded")?;
    let reader = Reader::open(&path)?;
    let whole = samples / DISCHARGE;
    // One from the middle: neither end of an index.
    let one = || read::columns(&reader, run, whole as i64 / 2, |_| true).map(drop);
    let stretch = read::everything(run, samples);
    let overview = || {
        let width_us = overview_width_us(stretch.to_t_us, 2000);
        black_box(reader.overview(&stretch, width_us, |_| true)?);
        Ok(())
    };
    let of = |work: &dyn Fn() -> Result<(), Failure>| {
        let all = (0..ROUNDS).map(|_| milliseconds(work)).collect::<Result<Vec<f64>, Failure>>();
        all.map(median)
    };
    Ok(Grown {
        readings: (samples * CHANNELS) as f64,
        ingest_ms: median(took),
        read_ms: (whole > 0).then(|| of(&one)).transpose()?,
        overview_ms: of(&overview)?,
    })
}
