//! Sessions: start, stop, tag, list, show. What takes thought (which source,
//! which moment) is in `marking.rs`, how one begins and ends in `opening.rs`.

use std::sync::Arc;

use ampledger_report::{Holding, is_custody_confirmed, limit, select};
use ampledger_store::NewSession;
use ampledger_types::api::{
    Check, CheckOutcome, RedecodeRequest, RedecodeResponse, SessionLine, StartRequest,
    StartResponse, StopRequest, TagRequest,
};
use ampledger_types::result::{Limit, SessionReport};
use ampledger_types::{Bound, Marker, MarkerKind, Pack, Session, Tag};
use axum::Json;
use axum::extract::{Path, State};

use super::body::Body;
use super::{ApiError, Daemon};
use crate::opening::{self, Wanted};
use crate::{marking, redecode};

/// `GET /v1/sessions`
pub async fn list(State(daemon): State<Arc<Daemon>>) -> Result<Json<Vec<SessionLine>>, ApiError> {
    let lines = daemon.read(|reader| Ok(ampledger_report::session_lines(reader)?)).await?;
    Ok(Json(lines))
}

/// `GET /v1/sessions/{session}`
pub async fn show(
    State(daemon): State<Arc<Daemon>>,
    Path(session): Path<String>,
) -> Result<Json<SessionReport>, ApiError> {
    let session = find(&daemon, session).await?;
    Ok(Json(report(&daemon, &session).await?))
}

/// `POST /v1/sessions`
pub async fn start(
    State(daemon): State<Arc<Daemon>>,
    Body(request): Body<StartRequest>,
) -> Result<Json<StartResponse>, ApiError> {
    let tags = parse_tags(&request.tags)?;
    let sources = marking::sources(&daemon, &request.sources)?;
    let pack = match &request.pack {
        Some(label) => Some(pack(&daemon, label, request.override_unsafe).await?),
        None => None,
    };
    let (start, end) = match request.stretch {
        Some(_) if request.at.is_some() => {
            return Err(ApiError::bad("two_starts", "give `at` or `stretch`, not both"));
        }
        Some(stretch) => (stretch.start, stretch.end),
        None => (marking::start_bound(&daemon, &sources, request.at.as_deref()).await?, None),
    };
    let new = NewSession {
        pack: pack.as_ref().map(|p| p.label.clone()),
        sources,
        opened_by: Default::default(),
        start,
        cutoff_voltage_volt: request.cutoff_voltage_volt,
        cutoff_rule: request.cutoff_rule,
        tags,
    };
    let session = opening::begin(&daemon, Wanted { new, end, why: None }).await?;
    let mut checks = daemon.intake.keeper.first_checks(&daemon.intake, &session).await?;
    checks.extend(overlaps(&daemon, &session).await?);
    Ok(Json(StartResponse { session, checks }))
}

/// Sessions in whose stretch this one reaches: their readings would count twice.
async fn overlaps(daemon: &Daemon, session: &Session) -> Result<Vec<Check>, ApiError> {
    let all = daemon.read(|reader| Ok(reader.sessions()?)).await?;
    let (of, start, end) = (session.id, session.start, session.end);
    let overlaps = |other: &&Session| {
        other.id != of
            && other.end.is_none_or(|other_end| other_end > start)
            && end.is_none_or(|end| other.start < end)
            && other.sources.iter().any(|source| session.sources.contains(source))
    };
    let told = |other: &Session| Check {
        name: "another session".to_owned(),
        outcome: CheckOutcome::Bad,
        text: format!(
            "session {} has readings of the same time: they count for both; begin this one later \
             where that is not meant",
            opening::name(other)
        ),
    };
    Ok(all.iter().filter(overlaps).map(told).collect())
}

/// `POST /v1/sessions/{session}/stop`
pub async fn stop(
    State(daemon): State<Arc<Daemon>>,
    Path(session): Path<String>,
    Body(request): Body<StopRequest>,
) -> Result<Json<SessionReport>, ApiError> {
    let mut session = find(&daemon, session).await?;
    if !session.is_open() && request.at.is_none() {
        let message = format!(
            "session {} has ended already; to move its end give a time (`--at`)",
            opening::name(&session)
        );
        return Err(ApiError::conflict("already_ended", message));
    }
    let end = marking::end_bound(&daemon, &session, request.at.as_deref()).await?;
    if session.is_open() {
        daemon.attendant.leave_alone(&session.sources);
    }
    opening::end(&daemon, &mut session, end, None).await?;
    Ok(Json(report(&daemon, &session).await?))
}

/// `POST /v1/sessions/{session}/tags`
pub async fn tag(
    State(daemon): State<Arc<Daemon>>,
    Path(session): Path<String>,
    Body(request): Body<TagRequest>,
) -> Result<Json<Session>, ApiError> {
    let mut session = find(&daemon, session).await?;
    session.adopt();
    let before = judged_by(&session);
    for key in &request.remove {
        session.tags.retain(|tag| tag.key != *key);
    }
    for tag in parse_tags(&request.add)? {
        match session.tags.iter_mut().find(|t| t.key == tag.key) {
            Some(same) => *same = tag,
            None => session.tags.push(tag),
        }
    }
    if judged_by(&session) != before {
        session.revision += 1;
    }
    let renamed = request.pack.is_some() && request.pack != session.pack;
    if let Some(label) = request.pack.filter(|_| renamed) {
        session.pack = Some(pack(&daemon, &label, true).await?.label);
        session.revision += 1;
    }
    opening::keep(&daemon, &session).await?;
    if let Some(text) = request.note {
        note(&daemon, &session, text);
    }
    if session.is_open() {
        daemon.intake.keeper.load(&daemon.intake, &session).await?;
    }
    Ok(Json(session))
}

/// `POST /v1/sessions/{session}/redecode`
pub async fn redecode(
    State(daemon): State<Arc<Daemon>>,
    Path(session): Path<String>,
    Body(request): Body<RedecodeRequest>,
) -> Result<Json<RedecodeResponse>, ApiError> {
    let mut session = find(&daemon, session).await?;
    let readings = redecode::readings(&daemon, &session, request.with.as_ref())?;
    daemon.roster.all().iter().for_each(|source| source.flush_log());
    daemon.intake.recorder.with_store(|_| ()).await?;
    // What holds now is issued first: the new revision names it.
    report(&daemon, &session).await?;
    let about = session.clone();
    let found = daemon.read(move |reader| redecode::find(reader, &about, readings)).await?;
    if !request.apply {
        return Ok(Json(found.told(session, false)));
    }
    if let Some(refusal) = found.refusal() {
        return Err(refusal);
    }
    let now = Bound { run: daemon.intake.run, t_us: daemon.intake.clock.now_us() };
    let grown = found.sessions().to_vec();
    let applied = daemon.intake.numbered(found.new_samples(), move |store, first_seq| {
        found.apply(store, first_seq, now).map(|()| found)
    });
    let found = applied.await??;
    for session in all(&daemon).await?.iter().filter(|s| s.is_open() && grown.contains(&s.id)) {
        daemon.intake.keeper.load(&daemon.intake, session).await?;
    }
    session = find(&daemon, session.id.to_string()).await?;
    tracing::info!(session = session.id, revision = session.revision, "decoded again");
    Ok(Json(found.told(session, true)))
}

async fn all(daemon: &Daemon) -> Result<Vec<Session>, ApiError> {
    daemon.read(|reader| Ok(reader.sessions()?)).await
}

/// The session that a person means.
pub async fn find(daemon: &Daemon, text: String) -> Result<Session, ApiError> {
    daemon.read(move |reader| Ok(select::session(&reader.sessions()?, &text)?.clone())).await
}

/// What is known about a session: an open one as the stream has it, an ended
/// one as it was first computed at its present revision.
pub async fn report(daemon: &Daemon, session: &Session) -> Result<SessionReport, ApiError> {
    if session.is_open() {
        return Ok(daemon.intake.keeper.snapshot(&daemon.intake, session).await?.report);
    }
    let (id, revision) = (session.id, session.revision);
    // Everything of the session must be on disk before it is computed.
    daemon.intake.recorder.with_store(|_| ()).await?;
    let view = daemon.intake.keeper.view(&daemon.intake);
    let Holding { report, is_issued, cited } =
        daemon.read(move |reader| Ok(ampledger_report::holding(reader, id, &view)?)).await?;
    if is_issued {
        return Ok(report);
    }
    let kept = report.clone();
    daemon
        .intake
        .recorder
        .with_store(move |store| store.save_report(id, revision, &kept, &cited))
        .await??;
    Ok(report)
}

/// The pack of that label; made on the spot if it is new.
async fn pack(daemon: &Daemon, label: &str, override_unsafe: bool) -> Result<Pack, ApiError> {
    let wanted = label.trim().to_owned();
    if wanted.is_empty() {
        return Err(ApiError::bad("bad_label", "a pack's label has 1 to 100 printable characters"));
    }
    let found = daemon.read(move |reader| Ok((reader.pack(&wanted)?, wanted))).await?;
    match found {
        (Some(pack), _) if pack.is_unsafe && !override_unsafe => {
            let message = format!(
                "{} is marked unsafe; no session is started on it unless you say so \
                 (`--override-unsafe`)",
                pack.label
            );
            Err(ApiError::conflict("pack_unsafe", message))
        }
        (Some(pack), _) => Ok(pack),
        (None, label) => {
            let pack = Pack { label, ..Pack::default() };
            let new = pack.clone();
            daemon.intake.recorder.with_store(move |store| store.put_pack(&new)).await??;
            Ok(pack)
        }
    }
}

fn note(daemon: &Daemon, session: &Session, text: String) {
    let at = Bound { run: daemon.intake.run, t_us: daemon.intake.clock.now_us() };
    let session = Some(session.id);
    daemon.intake.put_marker(Marker { session, ..Marker::new(at, MarkerKind::Note, text) });
}

/// What figures and verdict take from a session's tags.
fn judged_by(session: &Session) -> (bool, Option<Limit>) {
    (is_custody_confirmed(session), limit(session, None))
}

fn parse_tags(texts: &[String]) -> Result<Vec<Tag>, ApiError> {
    texts
        .iter()
        .map(|text| {
            Tag::parse(text).ok_or_else(|| {
                ApiError::bad("bad_tag", format!("`{text}` is no tag; write WORD or KEY=VALUE"))
            })
        })
        .collect()
}
