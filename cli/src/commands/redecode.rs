//! `ampledger redecode`: decodes a session again from its frames.

use std::path::PathBuf;

use ampledger_report::sentences;
use ampledger_types::api::{ConfigText, RedecodeRequest, RedecodeResponse};
use ampledger_types::result::SessionReport;
use clap::Args;

use crate::client::segment;
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::render::{redecode, style};
use crate::screen;

/// Decode a session again from the frames that were received
///
/// For a wrong scale, unit or sign that is found later: put the source right in
/// the daemon's configuration and restart it, or write the right table into a
/// file and name it with --with. What changes is shown by channel: how many
/// readings, their mean so far and now, and by how much it shifts. Nothing is
/// changed until the command is given with --apply.
///
/// Nothing is lost by it. What was decoded before stays in the record, and what
/// was issued before is named by the new revision. Every session on the same
/// stretch of the same source gets a new revision. Frames are kept for all
/// sessions; outside sessions the oldest go first.
#[derive(Args, Debug)]
pub struct Redecode {
    /// Number, pack's label, or `last`
    pub session: String,
    /// A file with `[sources.NAME]` as in the daemon's configuration
    /// [default: the daemon's own]
    #[arg(long, value_name = "CONFIG")]
    pub with: Option<PathBuf>,
    /// Apply it
    #[arg(long)]
    pub apply: bool,
}

impl Redecode {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let with = self.with.as_ref().map(read).transpose()?;
        let request = RedecodeRequest { with, apply: self.apply };
        let path = format!("/v1/sessions/{}", segment(&self.session));
        let told: RedecodeResponse = context.client.post(&format!("{path}/redecode"), &request)?;
        if context.json {
            screen::json(&told)?;
            return Ok(Exit::Good);
        }
        screen::say(&redecode::sources(&told.sources))?;
        match told.applied {
            true => {
                let path = format!("/v1/sessions/{}", told.session.id);
                let report: SessionReport = context.client.get(&path)?;
                screen::say(&applied(&report))?;
            }
            false => screen::say(&style::open(&self.how_to_apply(&told)))?,
        }
        Ok(Exit::Good)
    }

    fn how_to_apply(&self, told: &RedecodeResponse) -> String {
        if told.sources.iter().all(|source| source.samples[1] == 0) {
            return "So read, the frames give no sample at all; this cannot be applied.".to_owned();
        }
        if !told.sources.iter().any(|source| source.differs) {
            return "Nothing would change: every sample is decoded as it was.".to_owned();
        }
        let with = self.with.as_ref().map_or(String::new(), |w| format!(" --with {}", w.display()));
        let others: Vec<String> = told
            .sessions
            .iter()
            .filter(|id| **id != told.session.id)
            .map(ToString::to_string)
            .collect();
        let also = match others.is_empty() {
            true => String::new(),
            false => format!(" It changes session {} too.", others.join(" and ")),
        };
        format!(
            "Nothing is changed yet.{also} To apply it: ampledger redecode {}{with} --apply",
            told.session.id
        )
    }
}

fn read(path: &PathBuf) -> Result<ConfigText, Failure> {
    let text = std::fs::read_to_string(path).map_err(|error| Failure::Refused {
        code: "unreadable",
        message: format!("{} cannot be read: {error}", path.display()),
    })?;
    Ok(ConfigText { file: path.display().to_string(), text })
}

fn applied(report: &SessionReport) -> String {
    let revision = report.session.session.revision;
    let mut lines =
        vec![format!("Decoded again. This is revision {revision}:"), style::strong(&report.claim)];
    if !report.earlier.is_empty() {
        lines.push("Said before:".to_owned());
        lines.extend(report.earlier.iter().map(sentences::earlier));
    }
    lines.join("\n")
}
