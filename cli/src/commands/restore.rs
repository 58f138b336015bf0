//! `ampledger restore`: a backup becomes the record.

use std::path::PathBuf;

use ampledger_store::{Reader, restore};
use ampledger_types::maintenance::{JobOutcome, MaintenanceRequest, RestorePlan};
use clap::Args;
use serde_json::json;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::{job, progress, screen};

/// Make a backup the record again
///
/// The backup is checked, and copied to where the daemon records. Stop the
/// daemon first, and move away what lies there: nothing is written over.
///
/// With --plan, a running daemon checks the backup and says what restoring it
/// takes and costs; nothing is changed.
#[derive(Args, Debug)]
pub struct Restore {
    /// The backup
    #[arg(value_name = "BACKUP")]
    pub backup: PathBuf,
    /// Where it goes: the path that `[store] path` in the daemon's configuration names
    #[arg(value_name = "DB", required_unless_present = "plan", conflicts_with = "plan")]
    pub to: Option<PathBuf>,
    /// Only say what restoring it into the running daemon's place takes and costs
    #[arg(long)]
    pub plan: bool,
}

impl Restore {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let Some(to) = &self.to else { return self.plan(context) };
        let bar = progress::bar(context.json);
        restore(&self.backup, to, |done, all| progress::show(&bar, done, all))?;
        bar.finish_and_clear();
        let up_to = Reader::open(to)?.recorded_up_to()?;
        let file = to.display().to_string();
        match context.json {
            true => screen::json(&json!({ "file": file, "recorded_up_to": up_to }))?,
            false => screen::say(&format!(
                "{file} is {} again: all samples up to number {up_to}.",
                self.backup.display()
            ))?,
        }
        Ok(Exit::Good)
    }

    fn plan(&self, context: &Context) -> Result<Exit, Failure> {
        let backup = std::path::absolute(&self.backup)
            .map_err(Failure::io(format!("reading {}", self.backup.display())))?;
        let request = MaintenanceRequest::RestorePlan { backup: backup.display().to_string() };
        let outcome = job::run(&context.client, &request, context.json)?;
        let JobOutcome::RestorePlan(plan) = outcome else { return Err(job::unexpected()) };
        match context.json {
            true => screen::json(&plan)?,
            false => screen::say(&told(&plan))?,
        }
        Ok(if plan.checked.damage.is_empty() { Exit::Good } else { Exit::Found })
    }
}

fn told(plan: &RestorePlan) -> String {
    let RestorePlan { backup, recorded_up_to, samples_since, bytes, .. } = plan;
    let whose = match plan.is_of_this_store {
        true => "a backup of this record",
        false => "of another record",
    };
    let megabytes = *bytes as f64 / 1e6;
    let mut lines = vec![format!(
        "{backup} is {whose}: {megabytes:.1} MB, all samples up to number {recorded_up_to}. The \
         {samples_since} samples that came since are not in it."
    )];
    lines.extend(plan.checked.damage.iter().cloned());
    lines.extend((1..).zip(&plan.steps).map(|(n, step)| format!("{n}. {step}")));
    lines.join("\n")
}
