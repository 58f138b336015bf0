//! Which sources a session is about, and which moment of the record a person
//! means by a time.

use std::ops::ControlFlow;

use ampledger_decoders::config::nearest;
use ampledger_report::when::parse_when;
use ampledger_store::{Range, Reader};
use ampledger_types::{Bound, Run, Session};

use crate::api::{ApiError, Daemon};

/// The sources that are meant; none named means all that can be used.
pub fn sources(daemon: &Daemon, named: &[String]) -> Result<Vec<String>, ApiError> {
    let running = daemon.roster.all();
    let known: Vec<&str> = running.iter().map(|s| s.name.as_str()).collect();
    if known.is_empty() && named.is_empty() {
        let message = "no source is configured, so nothing can be recorded; add one to the \
                       configuration (`ampledger doctor` shows where)";
        return Err(ApiError::bad("no_source", message));
    }
    for name in named {
        if !known.contains(&name.as_str()) {
            let mut message = match known.is_empty() {
                true => format!("there is no source `{name}`; none is configured"),
                false => format!("there is no source `{name}`; there are {}", known.join(", ")),
            };
            if let Some(near) = nearest(name, known.iter().copied()) {
                message.push_str(&format!("; did you mean `{near}`?"));
            }
            return Err(ApiError::bad("no_such_source", message));
        }
    }
    let chosen = known.iter().filter(|k| named.is_empty() || named.iter().any(|n| n == *k));
    let chosen: Vec<String> = chosen.map(|k| (*k).to_owned()).collect();
    let replays = chosen.iter().filter(|name| is_replay(daemon, name)).count();
    if replays > 0 && chosen.len() > 1 {
        let message = "a replay has a time of its own and cannot share a session with other \
                       sources; name the sources (`--source`)";
        return Err(ApiError::bad("replay_alone", message));
    }
    Ok(chosen)
}

/// The moment a session begins: now, or the time given. On a replay, now means
/// its first moment.
pub async fn start_bound(
    daemon: &Daemon,
    sources: &[String],
    at: Option<&str>,
) -> Result<Bound, ApiError> {
    let replay = sources.iter().find(|name| is_replay(daemon, name)).cloned();
    match (at, replay) {
        (Some(at), replay) => bound_at(daemon, at, replay).await,
        (None, None) => Ok(now(daemon)),
        (None, Some(replay)) => {
            let run = latest_replay(daemon, replay).await?;
            Ok(Bound { run: run.id, t_us: run.started_t_us })
        }
    }
}

/// The moment a session ends: now, or the time given, always after its start.
/// On a replay, now means the last moment played so far.
pub async fn end_bound(
    daemon: &Daemon,
    session: &Session,
    at: Option<&str>,
) -> Result<Bound, ApiError> {
    let replay = session.sources.iter().find(|name| is_replay(daemon, name)).cloned();
    let end = match (at, replay) {
        (Some(at), replay) => bound_at(daemon, at, replay).await?,
        (None, None) => now(daemon),
        (None, Some(_)) => {
            daemon.intake.recorder.with_store(|_| ()).await?;
            let (sources, start) = (session.sources.clone(), session.start);
            daemon.read(move |reader| last_moment(reader, sources, start)).await?
        }
    };
    if end < session.start {
        let message = "the end would lie before the session's start; give a later time";
        return Err(ApiError::bad("end_before_start", message));
    }
    Ok(end)
}

fn now(daemon: &Daemon) -> Bound {
    Bound { run: daemon.intake.run, t_us: daemon.intake.clock.now_us() }
}

fn is_replay(daemon: &Daemon, name: &str) -> bool {
    daemon.roster.find(name).is_some_and(|source| source.config.replay.is_some())
}

async fn latest_replay(daemon: &Daemon, source: String) -> Result<Run, ApiError> {
    let runs = daemon.read(|reader| Ok(reader.runs()?)).await?;
    let latest = runs.into_iter().rev().find(|r| r.replay_of.as_deref() == Some(&source));
    latest.ok_or_else(|| {
        ApiError::conflict("not_played", format!("the replay `{source}` has not begun to play"))
    })
}

/// The moment of the live record that a person means by a time.
pub async fn moment(daemon: &Daemon, at: &str) -> Result<Bound, ApiError> {
    bound_at(daemon, at, None).await
}

async fn bound_at(daemon: &Daemon, at: &str, replay: Option<String>) -> Result<Bound, ApiError> {
    let clock = &daemon.intake.clock;
    let now_unix_us = clock.unix_us();
    let unix_us = parse_when(at, now_unix_us, &jiff::tz::TimeZone::system())
        .map_err(|error| ApiError::bad("bad_time", error.to_string()))?;
    if replay.is_none() && unix_us > now_unix_us + 1_000_000 {
        return Err(ApiError::bad("in_the_future", format!("`{at}` lies in the future")));
    }
    // The newest observations must be on disk, or a date could fall between.
    daemon.intake.recorder.with_store(|_| ()).await?;
    daemon.read(move |reader| moment_of(reader, unix_us, replay.as_deref())).await
}

fn last_moment(reader: &Reader, sources: Vec<String>, start: Bound) -> Result<Bound, ApiError> {
    let mut last = start;
    reader.samples(&Range { sources, from: start, to: None, up_to: None }, |stored| {
        last = last.max(Bound { run: stored.run, t_us: stored.sample.t_us });
        ControlFlow::Continue(())
    })?;
    Ok(last)
}

/// The moment of the record that a date stands for: of the newest run of its
/// kind that had begun by then.
fn moment_of(reader: &Reader, unix_us: i64, replay: Option<&str>) -> Result<Bound, ApiError> {
    let mut earliest: Option<i64> = None;
    for run in reader.runs()?.iter().rev().filter(|r| r.replay_of.as_deref() == replay) {
        let map = reader.clock_map(&run.boot_id)?;
        let (Some(t_us), Some(began)) = (map.moment(unix_us), map.date(run.started_t_us)) else {
            continue;
        };
        if t_us >= run.started_t_us {
            return Ok(Bound { run: run.id, t_us });
        }
        earliest = Some(began.unix_us);
    }
    let message = match earliest {
        Some(unix_us) => format!(
            "nothing had been recorded by then; the record begins {}",
            ampledger_report::dates::local(unix_us, &jiff::tz::TimeZone::system())
        ),
        None => "nothing is recorded with a date yet".to_owned(),
    };
    Err(ApiError::bad("before_the_record", message))
}
