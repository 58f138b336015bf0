//! `ampledger backup`: a copy of the record, made while it is written.

use std::path::PathBuf;

use ampledger_store::Reader;
use ampledger_types::api::StatusResponse;
use clap::Args;
use serde_json::json;

use super::Context;
use crate::exit::{Exit, Failure};
use crate::origin::StoreOption;
use crate::{progress, screen};

/// Copy the record while it is written
///
/// The copy is the record as it was at one moment, in one file, and can be read
/// like the record itself. Recording goes on meanwhile. Without --store, the
/// store that the daemon of this machine records into is copied; it takes a
/// user who may read that file.
///
/// `ampledger restore` puts a copy back.
#[derive(Args, Debug)]
pub struct Backup {
    /// The file to make; it must not be there yet
    #[arg(value_name = "FILE")]
    pub to: PathBuf,
    /// What to copy.
    #[command(flatten)]
    pub store: StoreOption,
}

impl Backup {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let store = match self.store.store {
            Some(store) => store,
            None => context.client.get::<StatusResponse>("/v1/status")?.store.path.into(),
        };
        let reader = Reader::open(&store)?;
        let bar = progress::bar(context.json);
        reader.back_up(&self.to, |done, all| progress::show(&bar, done, all))?;
        bar.finish_and_clear();
        let copied = Reader::open(&self.to)?;
        let (file, up_to) = (copied.path().display().to_string(), copied.recorded_up_to()?);
        match context.json {
            true => screen::json(&json!({ "file": file, "recorded_up_to": up_to }))?,
            false => screen::say(&format!(
                "{} was copied to {file}: all samples up to number {up_to}.",
                store.display()
            ))?,
        }
        Ok(Exit::Good)
    }
}
