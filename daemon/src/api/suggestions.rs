//! Stretches of the record that look like a test and that nobody marked.

use std::sync::Arc;

use ampledger_report::{parse_when, suggestions};
use ampledger_types::api::Suggestion;
use axum::Json;
use axum::extract::{Query, State};
use serde::Deserialize;

use super::{ApiError, Daemon};

/// What may be asked.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    /// Since when; since ever if missing.
    since: Option<String>,
}

/// `GET /v1/suggestions`
pub async fn list(
    State(daemon): State<Arc<Daemon>>,
    Query(asked): Query<Asked>,
) -> Result<Json<Vec<Suggestion>>, ApiError> {
    let now_unix_us = daemon.intake.clock.unix_us();
    let parse = |text: &String| parse_when(text, now_unix_us, &jiff::tz::TimeZone::system());
    let since = asked.since.as_ref().map(parse).transpose();
    let since = since.map_err(|error| ApiError::bad("bad_time", error.to_string()))?;
    daemon.intake.recorder.with_store(|_| ()).await?;
    let view = daemon.intake.keeper.view(&daemon.intake);
    Ok(Json(daemon.read(move |reader| Ok(suggestions(reader, since, &view)?)).await?))
}
