//! `ampledger limits`: how the limits stand, trying their actions, arming.

use ampledger_types::alarm::{LimitStatus, TestRequest, Tried};
use clap::{Args, Subcommand};
use serde_json::json;

use crate::client::segment;
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::{render, screen};

/// Show the limits, try their actions, arm those that switch
///
/// This is no safety device. It runs on a computer, over cables and radio, and
/// any of them can fail without a word: whatever must not fail needs its
/// protection in hardware first, as a fuse, a battery protection, a
/// thermostat.
///
/// Limits and their actions are set in the daemon's configuration alone, under
/// `[limits.NAME]` and `[actions.NAME]`; nothing here or in the API changes
/// them.
///
/// An action that switches works only toward off, is never undone by software,
/// and does nothing until its limit is armed: arming ends when the daemon is
/// started anew or its configuration is read again, and once it has switched.
#[derive(Args, Debug)]
pub struct Limits {
    /// What to do [default: list]
    #[command(subcommand)]
    act: Option<Act>,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Show every limit with its state and its actions
    List,
    /// Try each action of a limit once, with an alarm that says it is a test
    Test {
        /// The limit
        limit: String,
        /// Really switch off, too; the limit must be armed
        #[arg(long)]
        switch: bool,
    },
    /// Let limits switch an instrument off; all that can, if none is named
    Arm {
        /// The limits
        limits: Vec<String>,
    },
    /// Take that back
    Disarm {
        /// The limits
        limits: Vec<String>,
    },
    /// Say that you have seen a limit that stays passed until then
    Acknowledge {
        /// The limit
        limit: String,
    },
}

impl Limits {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let client = &context.client;
        let all: Vec<LimitStatus> = match self.act.unwrap_or(Act::List) {
            Act::List => client.get("/v1/limits")?,
            Act::Arm { limits } => client.post("/v1/limits/arm", &json!({ "limits": limits }))?,
            Act::Disarm { limits } => {
                client.post("/v1/limits/disarm", &json!({ "limits": limits }))?
            }
            Act::Acknowledge { limit } => {
                client.post(&format!("/v1/limits/{}/acknowledge", segment(&limit)), &json!({}))?
            }
            Act::Test { limit, switch } => return test(context, &limit, switch),
        };
        match context.json {
            true => screen::json(&all)?,
            false => screen::say(&render::limits::limits(&all))?,
        }
        Ok(Exit::Good)
    }
}

/// An action that was not done is a failure, but for one that was left alone.
fn test(context: &Context, limit: &str, switch: bool) -> Result<Exit, Failure> {
    let path = format!("/v1/limits/{}/test", segment(limit));
    let tried: Vec<Tried> = context.client.post(&path, &TestRequest { switch })?;
    match context.json {
        true => screen::json(&tried)?,
        false => screen::say(&render::limits::tried(&tried))?,
    }
    let failed = tried.iter().filter(|one| !one.done && (one.kind != "switch" || switch));
    match failed.count() {
        0 => Ok(Exit::Good),
        n => Err(Failure::Refused {
            code: "action_failed",
            message: format!("{n} of {} actions of {limit} were not done", tried.len()),
        }),
    }
}
