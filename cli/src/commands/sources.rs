//! `ampledger sources`: how the sensors do.

use ampledger_report::dates;
use ampledger_types::api::StatusResponse;
use clap::Args;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::{render, screen};

/// Show the sources: state, last values, what could not be read, what to do
///
/// A source is live while readings arrive, quiet when they are late, dark when
/// they have been missing for long. It is opened again by itself.
#[derive(Args, Debug)]
pub struct Sources {}

impl Sources {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        // The status has the sources together with the daemon's clock.
        let status: StatusResponse = context.client.get("/v1/status")?;
        if context.json {
            screen::json(&status.sources)?;
            return Ok(Exit::Good);
        }
        let now_us = dates::unix_us(status.clock.unix_time_second);
        screen::say(&render::sources::sources(&status.sources, now_us, &context.zone))?;
        Ok(Exit::Good)
    }
}
