//! `ampledger salvage`: what can be read of a damaged record.

use std::path::PathBuf;

use ampledger_store::{Salvaged, salvage};
use clap::Args;
use serde_json::json;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::{progress, screen};

/// Save what can be read of a damaged record
///
/// Every sample, session, pack and note that can be read goes into a new store;
/// what is lost is told. The damaged file is only read: keep it until you have
/// seen what came over. `ampledger doctor --store DB` says whether a store is
/// damaged.
#[derive(Args, Debug)]
pub struct Salvage {
    /// The damaged store
    #[arg(value_name = "OLD")]
    pub old: PathBuf,
    /// The store to make; it must not be there yet
    #[arg(value_name = "NEW")]
    pub new: PathBuf,
}

impl Salvage {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let bar = progress::of_job(context.json, "tables");
        let salvaged = salvage(&self.old, &self.new, |done, all| progress::show(&bar, done, all))?;
        bar.finish_and_clear();
        let salvaged = salvaged.ok_or(Failure::Interrupted)?;
        let is_whole = is_whole(&salvaged);
        match context.json {
            true => screen::json(&json!({
                "samples": salvaged.samples,
                "rows": salvaged.rows.iter().cloned().collect::<std::collections::BTreeMap<_, _>>(),
                "lost_chunks": salvaged.lost_chunks,
                "lost_frame_chunks": salvaged.lost_frames,
                "damaged_tables": salvaged.damaged_tables,
            }))?,
            false => screen::say(&told(&salvaged, &self.new.display().to_string()))?,
        }
        Ok(if is_whole { Exit::Good } else { Exit::Found })
    }
}

fn told(salvaged: &Salvaged, new: &str) -> String {
    let of = |table: &str| {
        salvaged.rows.iter().find(|(name, _)| name == table).map_or(0, |(_, rows)| *rows)
    };
    let mut text = format!(
        "{new} has {}, {}, {}, {}.",
        counted(salvaged.samples, "sample"),
        counted(of("session"), "session"),
        counted(of("pack"), "pack"),
        counted(of("marker"), "marker")
    );
    if !salvaged.lost_chunks.is_empty() {
        let chunks = counted(salvaged.lost_chunks.len() as u64, "chunk");
        text.push_str(&format!("\n{chunks} of samples could not be read."));
    }
    if !salvaged.lost_frames.is_empty() {
        let chunks = counted(salvaged.lost_frames.len() as u64, "chunk");
        text.push_str(&format!("\n{chunks} of the frame log could not be read."));
    }
    if !salvaged.damaged_tables.is_empty() {
        let tables: Vec<&str> = salvaged.damaged_tables.iter().map(|t| in_words(t)).collect();
        text.push_str(&format!("\nNot all could be read of: {}.", tables.join(", ")));
    }
    if is_whole(salvaged) {
        text.push_str("\nNothing was lost.");
    }
    text
}

fn counted(count: u64, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}

/// What a table of the store holds, for people.
fn in_words(table: &str) -> &str {
    match table {
        "chunk" | "tail" => "the samples",
        "frame_chunk" => "the frame log",
        "minute" => "the minutes",
        "calibration" => "zeros and calibrations",
        "clock_observation" => "the dates",
        other => other,
    }
}

fn is_whole(salvaged: &Salvaged) -> bool {
    let Salvaged { lost_chunks, lost_frames, damaged_tables, .. } = salvaged;
    lost_chunks.is_empty() && lost_frames.is_empty() && damaged_tables.is_empty()
}
