//! Keeps the open sessions: each is computed on the live stream by the code
//! that computes it from the store. Whatever looks back (a start in the past,
//! a restart, another pack) is read from the store first and then goes on.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard};

use ampledger_report::{SessionFeed, Snapshot, Subject, View};
use ampledger_store::NumberedSample;
use ampledger_types::api::{Check, OpenSession};
use ampledger_types::{Bound, Run, Session};

use crate::api::ApiError;
use crate::intake::Intake;
use crate::reading::read;

/// Samples kept while a session is read from the store; beyond that the
/// reading begins again, which loses nothing.
const WAITING_SAMPLES: usize = 200_000;
/// How far back the first checks look, microseconds.
const MINUTE_BEFORE_US: i64 = 60_000_000;

/// The open sessions.
pub struct Keeper {
    store_path: PathBuf,
    open: Mutex<Vec<Open>>,
}

struct Open {
    id: i64,
    sources: Vec<String>,
    state: State,
}

enum State {
    /// Being read from the store; what arrives meanwhile waits.
    Loading { turn: u64, waiting: Vec<Arc<NumberedSample>>, overflowed: bool },
    /// Computed as it comes.
    Live { feed: Box<SessionFeed>, subject: Box<Subject> },
}

impl Keeper {
    /// No session yet.
    pub fn new(store_path: PathBuf) -> Self {
        Keeper { store_path, open: Mutex::default() }
    }

    /// Takes up the sessions that were open when the last run ended.
    pub async fn resume(&self, intake: &Intake) {
        let sessions = read(&self.store_path, |reader| Ok(reader.sessions()?)).await;
        let open = sessions.map(|all| all.into_iter().filter(Session::is_open));
        for session in open.into_iter().flatten() {
            match self.load(intake, &session).await {
                Ok(()) => tracing::info!(session = session.id, "an open session goes on"),
                Err(error) => tracing::error!(session = session.id, "cannot go on: {error}"),
            }
        }
    }

    /// Reads a session from the store and computes it live from there on.
    pub async fn load(&self, intake: &Intake, session: &Session) -> Result<(), ApiError> {
        let (id, turn) = (session.id, self.begin_loading(session));
        loop {
            // Everything that arrived before is on disk after this.
            intake.recorder.with_store(|_| ()).await?;
            let view = self.view(intake);
            let read = read(&self.store_path, move |reader| {
                let subject = Subject::read(reader, id)?;
                let feed = SessionFeed::read(reader, &subject, &view)?;
                Ok((Box::new(feed), Box::new(subject)))
            });
            let (feed, subject) = read.await?;
            if self.finish_loading(id, turn, feed, subject) {
                return Ok(());
            }
        }
    }

    /// Lets a session go: it has ended.
    pub fn close(&self, id: i64) {
        self.lock().retain(|open| open.id != id);
    }

    /// Takes a sample, in order of their numbers.
    pub fn feed(&self, sample: &Arc<NumberedSample>) {
        let source = &sample.decode_set.source;
        for open in self.lock().iter_mut().filter(|open| open.sources.contains(source)) {
            match &mut open.state {
                State::Live { feed, .. } => {
                    feed.feed(sample);
                }
                State::Loading { waiting, .. } if waiting.len() < WAITING_SAMPLES => {
                    waiting.push(sample.clone());
                }
                State::Loading { waiting, overflowed, .. } => {
                    waiting.clear();
                    *overflowed = true;
                }
            }
        }
    }

    /// The open session on a source, with the label of its pack.
    pub fn on_source(&self, source: &str) -> Option<(i64, Option<String>)> {
        let all = self.lock();
        let open = all.iter().find(|open| open.sources.iter().any(|name| name == source))?;
        let pack = match &open.state {
            State::Live { subject, .. } => subject.session.pack.clone(),
            State::Loading { .. } => None,
        };
        Some((open.id, pack))
    }

    /// Tells about a run that began.
    pub fn add_run(&self, run: &Run) {
        for open in self.lock().iter_mut() {
            if let State::Live { feed, subject } = &mut open.state {
                subject.clocks.runs.push(run.clone());
                feed.add_runs(subject);
            }
        }
    }

    /// How an open session stands now.
    pub async fn snapshot(&self, intake: &Intake, session: &Session) -> Result<Snapshot, ApiError> {
        // Twice at most: what was read afresh fits.
        for _ in 0..2 {
            let id = session.id;
            let subject =
                read(&self.store_path, move |reader| Ok(Subject::read(reader, id)?)).await?;
            if let Some(snapshot) = self.snapshot_if_fits(id, &subject, &self.view(intake)) {
                return Ok(snapshot);
            }
            self.load(intake, session).await?;
        }
        let (id, view) = (session.id, self.view(intake));
        read(&self.store_path, move |reader| {
            let subject = Subject::read(reader, id)?;
            Ok(SessionFeed::read(reader, &subject, &view)?.snapshot(&subject, &view))
        })
        .await
    }

    /// The first-minute checks as far as they can be made when a session has
    /// just begun: the minute before counts, or there would be nothing to see.
    pub async fn first_checks(
        &self,
        intake: &Intake,
        session: &Session,
    ) -> Result<Vec<Check>, ApiError> {
        let (id, view) = (session.id, self.view(intake));
        read(&self.store_path, move |reader| {
            let mut subject = Subject::read(reader, id)?;
            subject.session.start.t_us -= MINUTE_BEFORE_US;
            Ok(SessionFeed::read_alone(reader, &subject, &view)?.snapshot(&subject, &view).checks)
        })
        .await
    }

    /// All open sessions in short. One that cannot be read now says why.
    pub async fn open_sessions(&self, intake: &Intake) -> Vec<OpenSession> {
        let listed =
            read(&self.store_path, |reader| Ok(reader.sessions()?)).await.unwrap_or_default();
        let mut open = Vec::new();
        for session in listed.into_iter().filter(Session::is_open) {
            match self.snapshot(intake, &session).await {
                Ok(snapshot) => open.push(snapshot.open_session()),
                Err(error) => open.push(unreadable(session, &error)),
            }
        }
        open
    }

    /// From where sessions are looked at now.
    pub fn view(&self, intake: &Intake) -> View {
        let t_us = intake.clock.now_us() - intake.clock.slack_us();
        View {
            now: Some(Bound { run: intake.run, t_us }),
            up_to: None,
            build: crate::BUILD.to_owned(),
        }
    }

    fn begin_loading(&self, session: &Session) -> u64 {
        static TURNS: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
        let turn = TURNS.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let state = State::Loading { turn, waiting: Vec::new(), overflowed: false };
        let mut all = self.lock();
        all.retain(|open| open.id != session.id);
        all.push(Open { id: session.id, sources: session.sources.clone(), state });
        turn
    }

    /// Feeds what waited and goes live; `false` if it must be read again.
    fn finish_loading(
        &self,
        id: i64,
        turn: u64,
        mut feed: Box<SessionFeed>,
        subject: Box<Subject>,
    ) -> bool {
        let mut all = self.lock();
        let Some(open) = all.iter_mut().find(|open| open.id == id) else { return true };
        let State::Loading { turn: latest, waiting, overflowed } = &mut open.state else {
            return true;
        };
        if *latest != turn {
            return true;
        }
        if std::mem::take(overflowed) {
            waiting.clear();
            return false;
        }
        for sample in waiting.drain(..) {
            feed.feed(&sample);
        }
        open.state = State::Live { feed, subject };
        true
    }

    fn snapshot_if_fits(&self, id: i64, subject: &Subject, view: &View) -> Option<Snapshot> {
        let mut all = self.lock();
        let open = all.iter_mut().find(|open| open.id == id)?;
        let State::Live { feed, .. } = &mut open.state else { return None };
        feed.add_runs(subject);
        feed.fits(subject).then(|| feed.snapshot(subject, view))
    }

    fn lock(&self) -> MutexGuard<'_, Vec<Open>> {
        self.open.lock().unwrap_or_else(|e| e.into_inner())
    }
}

fn unreadable(session: Session, error: &ApiError) -> OpenSession {
    let sentence = format!("Session {} cannot be read now: {error}", session.id);
    OpenSession {
        session,
        sentence,
        discharged_ah: None,
        discharged_wh: None,
        charged_ah: None,
        charged_wh: None,
        progress: None,
    }
}
