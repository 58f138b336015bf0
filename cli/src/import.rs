//! Finished logs from elsewhere: a file becomes a run, a session over it, and
//! a figure. The beginning is looked at before the store is touched, so a file
//! that is not understood changes nothing.

mod beginning;
mod guess;
mod intake;
mod odd;
mod open;
mod order;
#[cfg(feature = "parquet")]
mod parquet;
mod table;
#[cfg(test)]
mod tests;
mod write;

use std::path::{Path, PathBuf};

use ampledger_decoders::DecoderConfig;
use ampledger_types::{CutoffRule, Instrument, Pack};

pub use beginning::Hints;
pub use open::Progress;
pub use write::Imported;

use crate::exit::Failure;

/// What a person says about the files and what they hold.
#[derive(Clone, Debug, Default)]
pub struct Plan {
    /// The store that they go into.
    pub store: PathBuf,
    /// How to read them.
    pub hints: Hints,
    /// The pack, with what is known about it; completed from the store.
    pub pack: Option<Pack>,
    /// End voltage, V.
    pub cutoff_voltage_volt: Option<f64>,
    /// Which moment counts as its crossing.
    pub cutoff_rule: CutoffRule,
    /// The meter that wrote them.
    pub instrument: Instrument,
}

/// How a file is read, as found at its beginning.
pub struct Understood {
    /// Name of the decoder.
    decoder: &'static str,
    /// What it is built from.
    config: DecoderConfig,
    /// The column that dates the first row, if test time is the axis.
    dated_by: Option<usize>,
    /// Things to tell about how it was read.
    remarks: Vec<String>,
}

/// Imports one file. `progress` is told how many of its bytes were read.
pub fn import(file: &Path, plan: &Plan, progress: &Progress) -> Result<Imported, Failure> {
    let mut rows = open::open(file, progress)?;
    let beginning = beginning::read(&mut rows, file)?;
    let understood = guess::understand(&beginning, &plan.hints, file)?;
    write::write(file, rows, &beginning, understood, plan)
}

/// A refusal of a file: where, why, and what to try.
fn refused(file: &Path, line: Option<u64>, why: &str) -> Failure {
    let place = match line {
        Some(line) => format!("{}:{line}", file.display()),
        None => file.display().to_string(),
    };
    Failure::Refused { code: "not_understood", message: format!("{place}: {why}") }
}
