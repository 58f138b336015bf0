//! `ampledger plugin`: for those who write decoders as plugins.

pub mod check;
mod inputs;
mod new;
mod ways;

use clap::{Args, Subcommand};

use crate::context::Context;
use crate::exit::{Exit, Failure};

/// Write a decoder of your own, and try it
///
/// A plugin is a shared library that reads what an instrument sends, in C, Rust
/// or anything else that makes C functions. It runs in a process of its own that
/// can do no harm; the guide is docs/decoders/plugins.md.
#[derive(Args, Debug)]
pub struct Plugin {
    /// What to do
    #[command(subcommand)]
    pub act: Act,
}

/// What can be done with plugins.
#[derive(Debug, Subcommand)]
#[allow(missing_docs, reason = "the manual's text stands with each command's arguments")]
pub enum Act {
    Check(check::Check),
    New(new::New),
}

impl Plugin {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        match self.act {
            Act::Check(check) => check.run(context),
            Act::New(new) => new.run(context),
        }
    }
}
