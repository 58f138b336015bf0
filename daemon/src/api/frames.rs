//! A source's frame log out, as the lines of a `.frames.jsonl` file.

use std::sync::Arc;

use ampledger_decoders::config::nearest;
use ampledger_report::capture::{Stretch, write_frames};
use ampledger_report::parse_when;
use ampledger_store::Reader;
use axum::extract::{Path, Query, State};
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::sessions::find;
use super::{ApiError, Daemon, pieces};
use crate::reading::warn_of_frames;

/// Which frames: all, between two times, or those of a session.
#[derive(Deserialize)]
pub struct Asked {
    from: Option<String>,
    to: Option<String>,
    session: Option<String>,
}

/// `GET /v1/sources/{name}/frames`
pub async fn frames(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, ApiError> {
    let stretch = stretch(&daemon, asked).await?;
    let running = daemon.roster.find(&name);
    match running {
        Some(source) => source.flush_log(),
        None => known(&daemon, &name).await?,
    }
    daemon.intake.recorder.with_store(|_| ()).await?;
    let reader = Reader::open(&daemon.store_path)?;
    let body = pieces::body(move |out| {
        let written = write_frames(&reader, &name, stretch, out);
        warn_of_frames(&reader);
        written
    });
    Ok(([(CONTENT_TYPE, "application/jsonl")], body).into_response())
}

async fn stretch(daemon: &Daemon, asked: Asked) -> Result<Stretch, ApiError> {
    let (now_us, zone) = (daemon.intake.clock.unix_us(), jiff::tz::TimeZone::system());
    let date = |text: Option<String>| {
        let read = text.map(|text| parse_when(&text, now_us, &zone));
        read.transpose().map_err(|error| ApiError::bad("bad_time", error.to_string()))
    };
    match (asked.session, date(asked.from)?, date(asked.to)?) {
        (None, None, None) => Ok(Stretch::Everything),
        (None, from, to) => Ok(Stretch::Dates(from, to)),
        (Some(session), None, None) => {
            let session = find(daemon, session).await?;
            Ok(Stretch::Session(session.start, session.end))
        }
        (Some(_), ..) => {
            let message = "give either a session, or `from` and `to`";
            Err(ApiError::bad("bad_request", message))
        }
    }
}

/// A source that is no longer configured may still have a log.
async fn known(daemon: &Daemon, name: &str) -> Result<(), ApiError> {
    let mut all = daemon.read(|reader| Ok(reader.sources()?)).await?;
    all.extend(daemon.roster.all().iter().map(|source| source.name.clone()));
    all.extend(daemon.roster.refused().iter().map(|source| source.name.clone()));
    if all.iter().any(|known| known == name) {
        return Ok(());
    }
    let mut message = format!("there is no source `{name}`");
    if let Some(near) = nearest(name, all.iter().map(String::as_str)) {
        message.push_str(&format!("; did you mean `{near}`?"));
    }
    Err(ApiError::not_found("no_such_source", message))
}
