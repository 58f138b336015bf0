//! A session as one HTML page, for people to look at.

use std::sync::Arc;

use ampledger_report::View;
use ampledger_report::html::{CONTENT_POLICY, page};
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_SECURITY_POLICY, X_CONTENT_TYPE_OPTIONS};
use axum::response::{Html, IntoResponse, Response};

use super::sessions::{find, report};
use super::{ApiError, Daemon};

/// `GET /v1/sessions/{session}/report`
pub async fn report_page(
    State(daemon): State<Arc<Daemon>>,
    Path(session): Path<String>,
) -> Result<Response, ApiError> {
    let session = find(&daemon, session).await?;
    if !session.is_open() {
        // Issues the report, so that the page says what `show` says.
        report(&daemon, &session).await?;
    }
    // Everything of the session must be on disk before it is read.
    daemon.intake.recorder.with_store(|_| ()).await?;
    let up_to = Some(daemon.intake.recorder.recorded_up_to());
    let view = View { up_to, ..daemon.intake.keeper.view(&daemon.intake) };
    let text = daemon.read(move |reader| Ok(page(reader, session.id, &view)?)).await?;
    let headers = [(CONTENT_SECURITY_POLICY, CONTENT_POLICY), (X_CONTENT_TYPE_OPTIONS, "nosniff")];
    Ok((headers, Html(text)).into_response())
}
