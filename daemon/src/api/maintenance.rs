//! Work on the record as a whole: begun, followed, given up.

use std::sync::Arc;

use ampledger_types::maintenance::{Job, MaintenanceRequest};
use axum::Json;
use axum::extract::{Path, State};

use super::body::Body;
use super::{ApiError, Daemon};
use crate::maintenance::Doing;

/// `POST /v1/maintenance`
pub async fn begin(
    State(daemon): State<Arc<Daemon>>,
    Body(request): Body<MaintenanceRequest>,
) -> Result<Json<Job>, ApiError> {
    daemon.jobs.begin(&daemon, request).map(Json)
}

/// `GET /v1/maintenance`
pub async fn list(State(daemon): State<Arc<Daemon>>) -> Json<Vec<Job>> {
    Json(daemon.jobs.list())
}

/// `GET /v1/maintenance/{job}`
pub async fn show(
    State(daemon): State<Arc<Daemon>>,
    Path(job): Path<String>,
) -> Result<Json<Job>, ApiError> {
    Ok(Json(find(&daemon, &job)?.job()))
}

/// `POST /v1/maintenance/{job}/cancel`
pub async fn cancel(
    State(daemon): State<Arc<Daemon>>,
    Path(job): Path<String>,
) -> Result<Json<Job>, ApiError> {
    let doing = find(&daemon, &job)?;
    doing.give_up();
    Ok(Json(doing.job()))
}

fn find(daemon: &Daemon, job: &str) -> Result<Arc<Doing>, ApiError> {
    job.parse().ok().and_then(|id| daemon.jobs.find(id)).ok_or_else(|| {
        ApiError::not_found(
            "no_such_job",
            format!("there is no job `{job}` since the daemon began"),
        )
    })
}
