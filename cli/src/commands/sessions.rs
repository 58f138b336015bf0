//! `ampledger sessions`: the list of sessions.

use clap::Args;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::origin::{Origin, StoreOption};
use crate::{render, screen};

/// How far back suggestions go, where nothing else is said.
pub const SINCE: &str = "7 days ago";

/// List the sessions, or what looks like one
///
/// With --suggest: the stretches of the record that look like a test and that
/// nobody has made a session of, each with its number and what came out of it.
/// One of them becomes a session with `ampledger start --adopt NUMBER --pack
/// LABEL`. They are found by the rules by which sessions begin and end by
/// themselves: a pack is connected, a load or charge comes on, the pack has
/// rested after its discharge, or is gone.
#[derive(Args, Debug)]
pub struct Sessions {
    /// Show what looks like a test and is no session yet
    #[arg(long)]
    pub suggest: bool,
    /// How far back to look for it: "2 days ago", 09:12, or RFC 3339
    #[arg(long, value_name = "TIME", requires = "suggest", default_value = SINCE)]
    pub since: String,
    /// Where to read.
    #[command(flatten)]
    pub store: StoreOption,
}

impl Sessions {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        if self.suggest {
            return self.suggest(context);
        }
        let sessions = Origin::open(&self.store, context)?.sessions()?;
        match context.json {
            true => screen::json(&sessions)?,
            false => screen::say(&render::sessions::sessions(&sessions, &context.zone))?,
        }
        Ok(Exit::Good)
    }

    fn suggest(self, context: &Context) -> Result<Exit, Failure> {
        let found = Origin::open(&self.store, context)?.suggestions(&self.since, &context.zone)?;
        match context.json {
            true => screen::json(&found)?,
            false => {
                screen::say(&render::suggestions::suggestions(&found, &self.since, &context.zone))?;
            }
        }
        Ok(Exit::Good)
    }
}
