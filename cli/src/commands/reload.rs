//! `ampledger reload`: lets the daemon read its configuration again.

use ampledger_types::api::ReloadResponse;
use clap::Args;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::{render, screen};

/// Let the daemon read its configuration again
///
/// Only sources that are configured otherwise than before are touched; the
/// others go on recording. A source whose table is wrong now goes on as it was,
/// and a file that cannot be used at all changes nothing. What is said under
/// `store`, `api` and `log` counts from the next start of the daemon on.
///
/// Ends with 1 if anything is wrong with the file.
#[derive(Args, Debug)]
pub struct Reload {}

impl Reload {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let done: ReloadResponse = context.client.post("/v1/reload", &())?;
        match context.json {
            true => screen::json(&done)?,
            false => screen::say(&render::reload::done(&done))?,
        }
        Ok(if done.problems.is_empty() { Exit::Good } else { Exit::Found })
    }
}
