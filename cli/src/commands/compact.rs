//! `ampledger compact`: the record takes no more room than it needs.

use ampledger_types::maintenance::{JobOutcome, MaintenanceRequest};
use clap::Args;
use serde_json::json;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::{job, screen};

/// Give the disk back what the record does not need
///
/// The daemon does this by itself, a little every minute. This does all of it at
/// once, in small steps, while recording goes on: small chunks are put together
/// and free pages leave the file. No reading changes. Worth while after `ampledger
/// thin`.
#[derive(Args, Debug)]
pub struct Compact {}

impl Compact {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let outcome = job::run(&context.client, &MaintenanceRequest::Compact, context.json)?;
        let JobOutcome::Compact { chunks, frame_chunks, freed_bytes } = outcome else {
            return Err(job::unexpected());
        };
        match context.json {
            true => screen::json(&json!({
                "chunks": chunks, "frame_chunks": frame_chunks, "freed_bytes": freed_bytes,
            }))?,
            false => screen::say(&format!(
                "{} small chunks became fewer, and {:.1} MB went back to the disk.",
                chunks + frame_chunks,
                freed_bytes as f64 / 1e6
            ))?,
        }
        Ok(Exit::Good)
    }
}
