//! `ampledger restore`: a backup becomes the record.

use std::path::PathBuf;

use ampledger_store::{Reader, restore};
use clap::Args;
use serde_json::json;

use super::Context;
use crate::exit::{Exit, Failure};
use crate::{progress, screen};

/// Make a backup the record again
///
/// The backup is checked, and copied to where the daemon records. Stop the
/// daemon first, and move away what lies there: nothing is written over.
#[derive(Args, Debug)]
pub struct Restore {
    /// The backup
    #[arg(value_name = "BACKUP")]
    pub backup: PathBuf,
    /// Where it goes; `[store] path` in the daemon's configuration
    #[arg(value_name = "DB")]
    pub to: PathBuf,
}

impl Restore {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let bar = progress::bar(context.json);
        restore(&self.backup, &self.to, |done, all| progress::show(&bar, done, all))?;
        bar.finish_and_clear();
        let up_to = Reader::open(&self.to)?.recorded_up_to()?;
        let file = self.to.display().to_string();
        match context.json {
            true => screen::json(&json!({ "file": file, "recorded_up_to": up_to }))?,
            false => screen::say(&format!(
                "{file} is {} again: all samples up to number {up_to}.",
                self.backup.display()
            ))?,
        }
        Ok(Exit::Good)
    }
}
