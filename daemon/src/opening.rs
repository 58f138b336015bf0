//! How a session begins and ends, whoever wants it: a person through the API
//! or a rule. What a person wants goes before what a rule did.

use ampledger_store::{NewSession, Reader, Store};
use ampledger_types::session::OpenedBy;
use ampledger_types::{Bound, Marker, MarkerKind, Session};

use crate::api::{ApiError, Daemon};

/// A session that is wanted.
pub struct Wanted {
    /// As it will be kept.
    pub new: NewSession,
    /// Its end, where that is known already.
    pub end: Option<Bound>,
    /// Why, where a rule wants it.
    pub why: Option<String>,
}

/// What came of it.
enum Made {
    Busy(Session),
    Begun {
        session: Session,
        /// Sessions of rules that had to give way.
        ended: Vec<Session>,
    },
}

/// Begins a session. One that is open on the same sources is in the way, but
/// for one that a rule opened and nobody took up: a person's takes its place.
pub async fn begin(daemon: &Daemon, wanted: Wanted) -> Result<Session, ApiError> {
    let Wanted { new, end, why } = wanted;
    let now = Bound { run: daemon.intake.run, t_us: daemon.intake.clock.now_us() };
    // Looked up and made in one piece of work, so that two starts at once
    // cannot both find the source free.
    let made = daemon.intake.recorder.with_store(move |store| make(store, new, end, now));
    let (session, ended) = match made.await?? {
        Made::Busy(busy) => return Err(source_busy(&busy)),
        Made::Begun { session, ended } => (session, ended),
    };
    for other in &ended {
        daemon.intake.keeper.close(other.id);
        mark(daemon, other, format!("session {} gave way to session {}", name(other), session.id));
    }
    let text = match &why {
        Some(why) => format!("session {} began by rule: {why}", name(&session)),
        None => format!("session {} began", name(&session)),
    };
    mark_at(daemon, &session, session.start, text.clone());
    tracing::info!(session = session.id, pack = session.pack.as_deref(), "{text}");
    if session.is_open() {
        daemon.intake.keeper.load(&daemon.intake, &session).await?;
    }
    Ok(session)
}

/// Ends a session; `why` is said where a rule does it.
pub async fn end(
    daemon: &Daemon,
    session: &mut Session,
    end: Bound,
    why: Option<String>,
) -> Result<(), ApiError> {
    if !session.is_open() {
        session.revision += 1;
    }
    session.end = Some(end.max(session.start));
    daemon.intake.keeper.close(session.id);
    keep(daemon, session).await?;
    let text = match &why {
        Some(why) => format!("session {} ended by rule: {why}", name(session)),
        None => format!("session {} ended", name(session)),
    };
    mark_at(daemon, session, session.end.unwrap_or(end), text.clone());
    tracing::info!(session = session.id, pack = session.pack.as_deref(), "{text}");
    Ok(())
}

/// Writes down what changed in a session.
pub async fn keep(daemon: &Daemon, session: &Session) -> Result<(), ApiError> {
    let session = session.clone();
    Ok(daemon.intake.recorder.with_store(move |store| store.put_session(&session)).await??)
}

/// Marks something about a session, now.
fn mark(daemon: &Daemon, session: &Session, text: String) {
    let now = Bound { run: daemon.intake.run, t_us: daemon.intake.clock.now_us() };
    mark_at(daemon, session, now, text);
}

/// Where it is so in the record, which may lie before the moment it was done.
fn mark_at(daemon: &Daemon, session: &Session, at: Bound, text: String) {
    let session = Some(session.id);
    daemon.intake.put_marker(Marker { session, ..Marker::new(at, MarkerKind::Session, text) });
}

/// What people call a session.
pub fn name(session: &Session) -> String {
    match &session.pack {
        Some(label) => format!("{} ({label})", session.id),
        None => session.id.to_string(),
    }
}

fn make(
    store: &mut Store,
    new: NewSession,
    end: Option<Bound>,
    now: Bound,
) -> Result<Made, ApiError> {
    let is_rule = new.opened_by == OpenedBy::Rule;
    let all = Reader::open(store.path())?.sessions()?;
    let shares = |s: &Session| s.sources.iter().any(|source| new.sources.contains(source));
    // A stretch that is over needs no source for itself.
    let open = all.into_iter().filter(|s| s.is_open() && end.is_none() && shares(s));
    let (mut ended, busy): (Vec<Session>, Vec<Session>) =
        open.partition(|s| !s.is_adopted() && !is_rule);
    if let Some(busy) = busy.into_iter().next() {
        return Ok(Made::Busy(busy));
    }
    let session = match ended.is_empty() {
        true => store.insert_session(&new)?,
        false => taken_over(ended.remove(0), new),
    };
    for other in &mut ended {
        other.end = Some(now.max(other.start));
        store.put_session(other)?;
    }
    let session = Session { end, ..session };
    store.put_session(&session)?;
    Ok(Made::Begun { session, ended })
}

/// A person's session in place of a rule's: its number stays, so that there are
/// not two of the same test.
fn taken_over(by_rule: Session, new: NewSession) -> Session {
    Session {
        pack: new.pack,
        sources: new.sources,
        opened_by: new.opened_by,
        start: new.start,
        cutoff_voltage_volt: new.cutoff_voltage_volt,
        cutoff_rule: new.cutoff_rule,
        tags: new.tags,
        ..by_rule
    }
}

fn source_busy(busy: &Session) -> ApiError {
    let message = format!(
        "session {} is open on {}; stop it first (`ampledger stop {}`), or name other sources",
        name(busy),
        busy.sources.join(", "),
        busy.id
    );
    ApiError::conflict("source_busy", message)
}
