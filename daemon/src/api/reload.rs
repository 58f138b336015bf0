//! Reading the configuration again. What it says cannot be given over the API:
//! it stays in a file that only its owner writes.

use std::sync::Arc;

use ampledger_types::api::ReloadResponse;
use axum::Json;
use axum::extract::State;
use tokio::sync::oneshot;

use super::{ApiError, Daemon};

/// `POST /v1/reload`
pub async fn reload(State(daemon): State<Arc<Daemon>>) -> Result<Json<ReloadResponse>, ApiError> {
    let (answer, answered) = oneshot::channel();
    daemon.reload.send(answer).await.map_err(|_| ApiError::inside())?;
    let done = answered.await.map_err(|_| ApiError::inside())?;
    done.map(Json).map_err(|why| ApiError::bad("bad_configuration", why))
}
