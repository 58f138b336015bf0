//! Files out, streamed: a session of any length needs the same memory.

use std::io;
use std::sync::Arc;

use ampledger_report::View;
use ampledger_report::export::export_bdf_csv;
use ampledger_store::Reader;
use ampledger_types::Seq;
use ampledger_types::api::UP_TO_HEADER;
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::header::{CONTENT_TYPE, HeaderName};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::sessions::find;
use super::{ApiError, Daemon, pieces};

/// What is asked for.
#[derive(Deserialize)]
pub struct Asked {
    format: Option<String>,
    /// Name of the file that the metadata will lie beside.
    file: Option<String>,
    /// The last sample to be looked at, so that a table and its metadata are
    /// of the same samples though the session goes on.
    up_to: Option<Seq>,
}

impl Asked {
    fn check(&self) -> Result<(), ApiError> {
        match self.format.as_deref() {
            None | Some("bdf-csv") => Ok(()),
            Some(other) => {
                let message = format!("there is no format `{other}`; there is `bdf-csv`");
                Err(ApiError::bad("no_such_format", message))
            }
        }
    }
}

/// `GET /v1/sessions/{session}/export`
pub async fn table(
    State(daemon): State<Arc<Daemon>>,
    Path(session): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, ApiError> {
    asked.check()?;
    let session = find(&daemon, session).await?;
    let view = view(&daemon, &asked).await?;
    let up_to = view.up_to;
    let reader = Reader::open(&daemon.store_path)?;
    let body = pieces::body(move |mut out| {
        let written = export_bdf_csv(&reader, session.id, &view, &mut out);
        written.map(|_| ())
    });
    let up_to = up_to.map(|seq| seq.to_string()).unwrap_or_default();
    let headers = [
        (CONTENT_TYPE, "text/csv; charset=utf-8; header=present".to_owned()),
        (HeaderName::from_static(UP_TO_HEADER), up_to),
    ];
    Ok((headers, body).into_response())
}

/// `GET /v1/sessions/{session}/export/metadata`
pub async fn metadata(
    State(daemon): State<Arc<Daemon>>,
    Path(session): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Json<serde_json::Value>, ApiError> {
    asked.check()?;
    let session = find(&daemon, session).await?;
    let view = view(&daemon, &asked).await?;
    let file = asked.file.unwrap_or_default();
    let metadata = daemon.read(move |reader| {
        let exported = export_bdf_csv(reader, session.id, &view, &mut io::sink())?;
        serde_json::to_value(exported.metadata(&file)).map_err(|_| ApiError::inside())
    });
    Ok(Json(metadata.await?))
}

/// Writes out what has arrived, then looks at it up to a fixed number.
async fn view(daemon: &Daemon, asked: &Asked) -> Result<View, ApiError> {
    daemon.intake.recorder.with_store(|_| ()).await?;
    let up_to = asked.up_to.unwrap_or_else(|| daemon.intake.recorder.recorded_up_to());
    Ok(View { up_to: Some(up_to), ..daemon.intake.keeper.view(&daemon.intake) })
}
