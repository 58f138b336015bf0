//! `ampledger sessions`: the list of sessions.

use clap::Args;

use super::Context;
use crate::exit::{Exit, Failure};
use crate::origin::{Origin, StoreOption};
use crate::{render, screen};

/// List the sessions
#[derive(Args, Debug)]
pub struct Sessions {
    /// Where to read.
    #[command(flatten)]
    pub store: StoreOption,
}

impl Sessions {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let sessions = Origin::open(&self.store, context)?.sessions()?;
        match context.json {
            true => screen::json(&sessions)?,
            false => screen::say(&render::sessions::sessions(&sessions, &context.zone))?,
        }
        Ok(Exit::Good)
    }
}
