//! `ampledger stop`: ends a session, now or in the past.

use ampledger_report::sentences;
use ampledger_types::api::{OpenSession, StatusResponse, StopRequest};
use ampledger_types::result::SessionReport;
use clap::Args;

use crate::client::segment;
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::render::style;
use crate::screen;

/// End a session, now or at a time in the past
///
/// Recording goes on: ending a session only marks where it ends. The claim is
/// printed as it stands then; `ampledger show` has the rest.
#[derive(Args, Debug, Default)]
pub struct Stop {
    /// Number, pack's label, or `last` [default: the only open session]
    pub session: Option<String>,
    /// When it ended: "20 min ago", 09:12, or RFC 3339 [default: now]
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
}

impl Stop {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let session = match self.session {
            Some(session) => session,
            None => {
                let now: StatusResponse = context.client.get("/v1/status")?;
                only_open(&now.open_sessions)?
            }
        };
        let path = format!("/v1/sessions/{}/stop", segment(&session));
        let report: SessionReport = context.client.post(&path, &StopRequest { at: self.at })?;
        match context.json {
            true => screen::json(&report)?,
            false => screen::say(&told(context, &report))?,
        }
        Ok(Exit::Good)
    }
}

fn told(context: &Context, report: &SessionReport) -> String {
    let ended = sentences::stopped(report, &context.zone);
    let more = format!("More with `ampledger show {}`.", report.session.session.id);
    format!("{}\n{ended}\n{}", style::strong(&report.claim), style::faint(&more))
}

fn only_open(open: &[OpenSession]) -> Result<String, Failure> {
    match open {
        [only] => Ok(only.session.id.to_string()),
        [] => Err(Failure::Refused {
            code: "no_open_session",
            message: "no session is open; `ampledger sessions` lists them all".to_owned(),
        }),
        several => {
            let names: Vec<String> = several.iter().map(name).collect();
            let message = format!("several are open: {}. Say which one", names.join(", "));
            Err(Failure::Usage(message))
        }
    }
}

fn name(open: &OpenSession) -> String {
    match &open.session.pack {
        Some(pack) => format!("{} ({pack})", open.session.id),
        None => open.session.id.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use ampledger_types::{Bound, RunId, Session};

    use super::*;

    fn open(id: i64, pack: Option<&str>) -> OpenSession {
        let session = Session {
            id,
            uuid: String::new(),
            pack: pack.map(str::to_owned),
            sources: Vec::new(),
            opened_by: Default::default(),
            start: Bound { run: RunId(1), t_us: 0 },
            end: None,
            revision: 1,
            cutoff_voltage_volt: None,
            cutoff_rule: Default::default(),
            tags: Vec::new(),
        };
        OpenSession {
            session,
            sentence: String::new(),
            discharged_ah: None,
            discharged_wh: None,
            charged_ah: None,
            charged_wh: None,
            progress: None,
        }
    }

    #[test]
    fn the_only_open_session_is_meant_and_several_are_named() {
        assert_eq!(only_open(&[open(3, None)]).unwrap(), "3");
        assert_eq!(only_open(&[]).unwrap_err().exit(), Exit::Refused);
        let error = only_open(&[open(3, Some("GAL-07")), open(4, None)]).unwrap_err();
        assert_eq!(error.exit(), Exit::Usage);
        assert!(error.to_string().contains("3 (GAL-07), 4"), "{error}");
    }
}
