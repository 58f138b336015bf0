//! `ampledger status`: what is happening now.

use ampledger_types::api::StatusResponse;
use clap::Args;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::{render, screen};

/// Say what is happening
///
/// Each open session in a sentence, then the sources, then the state of the
/// record and its clock.
#[derive(Args, Debug)]
pub struct Status {}

impl Status {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let status: StatusResponse = context.client.get("/v1/status")?;
        match context.json {
            true => screen::json(&status)?,
            false => screen::say(&render::status::status(&status, &context.zone))?,
        }
        Ok(Exit::Good)
    }
}
