//! `ampledger backup`: a copy of the record, made while it is written.

use std::path::{Path, PathBuf};

use ampledger_store::Reader;
use ampledger_types::api::StatusResponse;
use ampledger_types::maintenance::{JobOutcome, MaintenanceRequest};
use clap::Args;
use serde_json::json;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::origin::StoreOption;
use crate::{job, progress, screen};

/// Copy the record while it is written
///
/// The copy is the record as it was at one moment, in one file, and can be read
/// like the record itself. Recording goes on meanwhile. Without --store, the
/// daemon copies what it records into; where it may not write, the copy is made
/// here, by whoever may read the record.
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

/// Why the daemon may be unable to write where the person can: it runs as a
/// user of its own, in a fence.
const WHERE_ONLY_THE_PERSON_MAY: [&str; 2] = ["store_read_only", "no_folder"];

impl Backup {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let (store, (file, up_to)) = match &self.store.store {
            Some(store) => (store.clone(), self.copy(store, context)?),
            None => {
                let status: StatusResponse = context.client.get("/v1/status")?;
                let store = PathBuf::from(status.store.path);
                let copied = self.by_daemon(&store, context)?;
                (store, copied)
            }
        };
        match context.json {
            true => screen::json(&json!({ "file": file, "recorded_up_to": up_to }))?,
            false => screen::say(&format!(
                "{} was copied to {file}: all samples up to number {up_to}.",
                store.display()
            ))?,
        }
        Ok(Exit::Good)
    }

    fn by_daemon(&self, store: &Path, context: &Context) -> Result<(String, u64), Failure> {
        let to = std::path::absolute(&self.to)
            .map_err(Failure::io(format!("making {}", self.to.display())))?;
        let request = MaintenanceRequest::Backup { to: to.display().to_string() };
        match job::run(&context.client, &request, context.json) {
            Ok(JobOutcome::Backup { file, recorded_up_to }) => Ok((file, recorded_up_to)),
            Ok(_) => Err(job::unexpected()),
            Err(refused) if WHERE_ONLY_THE_PERSON_MAY.contains(&refused.code()) => {
                // Whoever may read the record can still copy it.
                self.copy(store, context).map_err(|_| refused.into())
            }
            Err(other) => Err(other.into()),
        }
    }

    fn copy(&self, store: &Path, context: &Context) -> Result<(String, u64), Failure> {
        let reader = Reader::open(store)?;
        let bar = progress::bar(context.json);
        reader.back_up(&self.to, |done, all| progress::show(&bar, done, all))?;
        bar.finish_and_clear();
        let copied = Reader::open(&self.to)?;
        Ok((copied.path().display().to_string(), copied.recorded_up_to()?))
    }
}
