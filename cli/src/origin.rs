//! Where a reading command reads: from the daemon, or from a store file with
//! no daemon at all. Both give the same answers. Never writes to a store.

use std::io::Write;
use std::path::PathBuf;

use ampledger_report::export::{Exported, export_bdf_csv};
use ampledger_report::{
    ReportError, View, holding, html, parse_when, select, session_lines, suggestions,
};
use ampledger_store::{OpenError, Reader, StoreError};
use ampledger_types::api::{SessionLine, Suggestion, UP_TO_HEADER};
use ampledger_types::result::SessionReport;
use ampledger_types::{Pack, Session};
use clap::Args;
use jiff::tz::TimeZone;
use serde_json::Value;

use crate::client::{BUILD, Client, segment};
use crate::context::Context;
use crate::exit::Failure;

/// The option of every reading command.
#[derive(Args, Clone, Debug)]
pub struct StoreOption {
    /// Read this store file; no daemon is asked
    #[arg(long, value_name = "DB")]
    pub store: Option<PathBuf>,
}

/// Where to read.
pub enum Origin<'a> {
    /// The daemon.
    Daemon(&'a Client),
    /// A store file.
    Store(Box<Reader>),
}

/// Rows that were written, with what is needed to describe them.
pub enum Rows<'a> {
    /// By the daemon, up to the sample of that number.
    Daemon(&'a Client, Option<String>),
    /// From a store file.
    Store(Box<Exported>),
}

impl<'a> Origin<'a> {
    /// The store file that was named, else the daemon.
    pub fn open(option: &StoreOption, context: &'a Context) -> Result<Origin<'a>, Failure> {
        match &option.store {
            Some(path) => Ok(Origin::Store(Box::new(Reader::open(path)?))),
            None => Ok(Origin::Daemon(&context.client)),
        }
    }

    /// All sessions, oldest first.
    pub fn sessions(&self) -> Result<Vec<SessionLine>, Failure> {
        match self {
            Origin::Daemon(client) => Ok(client.get("/v1/sessions")?),
            Origin::Store(reader) => Ok(session_lines(reader)?),
        }
    }

    /// What looks like a test since a time and is no session yet.
    pub fn suggestions(&self, since: &str, zone: &TimeZone) -> Result<Vec<Suggestion>, Failure> {
        match self {
            Origin::Daemon(client) => {
                Ok(client.get(&format!("/v1/suggestions?since={}", segment(since)))?)
            }
            Origin::Store(reader) => {
                let now_us = jiff::Timestamp::now().as_microsecond();
                let since = parse_when(since, now_us, zone)
                    .map_err(|error| Failure::Usage(error.to_string()))?;
                Ok(suggestions(reader, Some(since), &view())?)
            }
        }
    }

    /// All packs.
    pub fn packs(&self) -> Result<Vec<Pack>, Failure> {
        match self {
            Origin::Daemon(client) => Ok(client.get("/v1/packs")?),
            Origin::Store(reader) => Ok(reader.packs()?),
        }
    }

    /// What came out of a session.
    pub fn report(&self, session: &str) -> Result<SessionReport, Failure> {
        match self {
            Origin::Daemon(client) => {
                Ok(client.get(&format!("/v1/sessions/{}", segment(session)))?)
            }
            Origin::Store(reader) => Ok(holding(reader, self.find(session)?, &view())?.report),
        }
    }

    /// The number of the session that a text means.
    pub fn find(&self, text: &str) -> Result<i64, Failure> {
        Ok(self.session(text)?.id)
    }

    /// The session that a text means.
    pub fn session(&self, text: &str) -> Result<Session, Failure> {
        let sessions: Vec<Session> = match self {
            Origin::Daemon(_) => self.sessions()?.into_iter().map(|line| line.session).collect(),
            Origin::Store(reader) => reader.sessions()?,
        };
        match select::session(&sessions, text) {
            Ok(session) => Ok(session.clone()),
            Err(error) => Err(no_such_session(&error)),
        }
    }

    /// Writes a session's rows in the Battery Data Format.
    pub fn rows(&self, session: i64, mut to: &mut dyn Write) -> Result<Rows<'a>, Failure> {
        match self {
            Origin::Daemon(client) => {
                let path = format!("/v1/sessions/{session}/export?format=bdf-csv");
                let head = client.download(&path, to)?;
                let up_to = head.get(UP_TO_HEADER).and_then(|value| value.to_str().ok());
                Ok(Rows::Daemon(client, up_to.map(str::to_owned)))
            }
            Origin::Store(reader) => {
                let exported = export_bdf_csv(reader, session, &view(), &mut to)?;
                Ok(Rows::Store(Box::new(exported)))
            }
        }
    }

    /// Writes a session as a page for people.
    pub fn page(&self, session: i64, to: &mut dyn Write) -> Result<(), Failure> {
        match self {
            Origin::Daemon(client) => {
                client.download(&format!("/v1/sessions/{session}/report"), to)?;
            }
            Origin::Store(reader) => {
                let page = html::page(reader, session, &view())?;
                to.write_all(page.as_bytes()).map_err(Failure::Output)?;
            }
        }
        Ok(())
    }
}

impl Rows<'_> {
    /// What the rows in `file` cannot hold, as JSON.
    pub fn metadata(&self, session: i64, file: &str) -> Result<String, Failure> {
        let value = match self {
            Rows::Store(exported) => serde_json::to_value(exported.metadata(file)),
            Rows::Daemon(client, up_to) => {
                let mut path = format!(
                    "/v1/sessions/{session}/export/metadata?format=bdf-csv&file={}",
                    segment(file)
                );
                if let Some(up_to) = up_to {
                    path.push_str(&format!("&up_to={}", segment(up_to)));
                }
                Ok(client.get::<Value>(&path)?)
            }
        };
        let text = value.and_then(|value| serde_json::to_string_pretty(&value));
        Ok(text.map_err(std::io::Error::from)? + "\n")
    }
}

/// A file has no present: an open session goes to its last sample.
fn view() -> View {
    View { build: BUILD.to_owned(), ..View::default() }
}

fn no_such_session(error: &impl std::fmt::Display) -> Failure {
    Failure::Refused { code: "no_such_session", message: error.to_string() }
}

impl From<OpenError> for Failure {
    fn from(error: OpenError) -> Failure {
        Failure::Store(error.to_string())
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Failure {
        Failure::Store(error.to_string())
    }
}

impl From<ReportError> for Failure {
    fn from(error: ReportError) -> Failure {
        match error {
            ReportError::Write(error) => Failure::Output(error),
            ReportError::NoSuchSession { .. } => no_such_session(&error),
            ReportError::Store(error) => error.into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use ampledger_store::{NewRun, NewSession, Store};
    use ampledger_types::Bound;

    use super::*;
    use crate::exit::Exit;

    /// A store with a session of GAL-07 in which nothing was recorded.
    fn origin(folder: &std::path::Path) -> Origin<'static> {
        let path = folder.join("a.db");
        let mut store = Store::open(&path).unwrap();
        let run = NewRun {
            boot_id: "boot".to_owned(),
            started_t_us: 0,
            clock_rate: 1.0,
            recorded_by: "test".to_owned(),
            replay_of: None,
        };
        let run = store.begin_run(&run).unwrap().id;
        store.put_pack(&Pack { label: "GAL-07".to_owned(), ..Pack::default() }).unwrap();
        let new = NewSession {
            pack: Some("GAL-07".to_owned()),
            sources: vec!["bench-shunt".to_owned()],
            opened_by: Default::default(),
            start: Bound { run, t_us: 5 },
            cutoff_voltage_volt: None,
            cutoff_rule: Default::default(),
            tags: Vec::new(),
        };
        store.insert_session(&new).unwrap();
        Origin::Store(Box::new(Reader::open(&path).unwrap()))
    }

    #[test]
    fn a_store_file_answers_without_a_daemon() {
        let folder = tempfile::tempdir().unwrap();
        let origin = origin(folder.path());
        assert_eq!(origin.sessions().unwrap().len(), 1);
        assert_eq!(origin.packs().unwrap()[0].label, "GAL-07");
        for text in ["1", "GAL-07", "last"] {
            assert_eq!(origin.find(text).unwrap(), 1);
            assert_eq!(origin.report(text).unwrap().session.session.id, 1);
        }
        assert_eq!(origin.find("TUG-3").unwrap_err().exit(), Exit::Refused);
    }

    #[test]
    fn the_metadata_of_a_store_files_rows_names_their_file() {
        let folder = tempfile::tempdir().unwrap();
        let mut rows = Vec::new();
        let written = origin(folder.path()).rows(1, &mut rows).unwrap();
        assert!(rows.starts_with(b"Test Time / s,"), "{rows:?}");
        let metadata: Value =
            serde_json::from_str(&written.metadata(1, "gal-07.bdf.csv").unwrap()).unwrap();
        assert_eq!(metadata["file"], "gal-07.bdf.csv");
        assert_eq!(metadata["session"]["pack"], "GAL-07");
    }

    #[test]
    fn a_store_that_is_none_ends_with_its_own_code() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("missing.db");
        let failure = Failure::from(Reader::open(&path).unwrap_err());
        assert_eq!(failure.exit(), Exit::Store);
        assert!(!path.exists());
    }
}
