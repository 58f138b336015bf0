//! `ampledger show`: what came out of a session.

use ampledger_report::select::LAST;
use clap::Args;

use super::Context;
use crate::exit::{Exit, Failure};
use crate::origin::{Origin, StoreOption};
use crate::{render, screen};

/// Show what came out of a session
///
/// The claim first: what was delivered and how well that is known. Then the
/// phases (rest, discharge, charge), the figures with what keeps each from
/// being proven, what is odd in the data, and what happened.
///
/// A figure is proven if the record holds the evidence, provisional if
/// something is missing, undetermined if it cannot be given. Charge and energy
/// of a phase are negative where the pack gave them.
#[derive(Args, Debug)]
pub struct Show {
    /// Number, pack's label, or `last`
    #[arg(default_value = LAST)]
    pub session: String,
    /// Where to read.
    #[command(flatten)]
    pub store: StoreOption,
}

impl Show {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let report = Origin::open(&self.store, context)?.report(&self.session)?;
        match context.json {
            true => screen::json(&report)?,
            false => screen::say(&render::report::report(&report, &context.zone))?,
        }
        Ok(Exit::Good)
    }
}
