//! The limits: how they stand, trying their actions, arming, and having seen
//! one. What they are and what they do is in the configuration alone.

use std::sync::Arc;

use ampledger_types::MarkerKind;
use ampledger_types::alarm::{LimitStatus, TestRequest, Tried};
use axum::Json;
use axum::extract::{Path, State};
use serde::{Deserialize, Serialize};

use super::body::Body;
use super::{ApiError, Daemon};
use crate::limits::NotDone;

/// Which limits are meant; all that can switch, if none is named.
#[derive(Debug, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Names {
    limits: Vec<String>,
}

/// `GET /v1/limits`
pub async fn list(State(daemon): State<Arc<Daemon>>) -> Json<Vec<LimitStatus>> {
    Json(daemon.limits.status())
}

/// `POST /v1/limits/{limit}/test`
pub async fn test(
    State(daemon): State<Arc<Daemon>>,
    Path(limit): Path<String>,
    Body(request): Body<TestRequest>,
) -> Result<Json<Vec<Tried>>, ApiError> {
    let tried = daemon.limits.test(&daemon, &limit, request.switch).await;
    let tried = tried.map_err(|why| refusal(&limit, &why))?;
    daemon.intake.mark(MarkerKind::Limit, None, format!("the actions of {limit} were tried"));
    Ok(Json(tried))
}

/// `POST /v1/limits/{limit}/acknowledge`
pub async fn acknowledge(
    State(daemon): State<Arc<Daemon>>,
    Path(limit): Path<String>,
) -> Result<Json<Vec<LimitStatus>>, ApiError> {
    let was_passed = daemon.limits.acknowledge(&limit).map_err(|why| refusal(&limit, &why))?;
    if was_passed {
        daemon.intake.mark(MarkerKind::Limit, None, format!("a person has seen {limit}"));
    }
    Ok(Json(daemon.limits.status()))
}

/// `POST /v1/limits/arm`
pub async fn arm(
    State(daemon): State<Arc<Daemon>>,
    Body(names): Body<Names>,
) -> Result<Json<Vec<LimitStatus>>, ApiError> {
    set(&daemon, &names, true)
}

/// `POST /v1/limits/disarm`
pub async fn disarm(
    State(daemon): State<Arc<Daemon>>,
    Body(names): Body<Names>,
) -> Result<Json<Vec<LimitStatus>>, ApiError> {
    set(&daemon, &names, false)
}

fn set(daemon: &Daemon, names: &Names, arm: bool) -> Result<Json<Vec<LimitStatus>>, ApiError> {
    let set = daemon.limits.arm(&names.limits, arm);
    set.map_err(|(name, why)| refusal(&name, &why))?;
    let after = daemon.limits.status();
    let is_armed = |limit: &&LimitStatus| limit.armed == Some(true);
    let armed: Vec<&str> = after.iter().filter(is_armed).map(|l| l.name.as_str()).collect();
    let text = match armed.is_empty() {
        true => "no limit may switch anything off".to_owned(),
        false => format!("armed to switch off: {}", armed.join(", ")),
    };
    tracing::info!("{text}");
    daemon.intake.mark(MarkerKind::Limit, None, text);
    Ok(Json(after))
}

fn refusal(name: &str, why: &NotDone) -> ApiError {
    match why {
        NotDone::Unknown => ApiError::not_found(
            "no_such_limit",
            format!("there is no limit `{name}`; `ampledger limits` lists them"),
        ),
        NotDone::SwitchesNothing => ApiError::conflict(
            "switches_nothing",
            format!("`{name}` has no action that switches, so there is nothing to arm"),
        ),
        NotDone::Passed => ApiError::conflict(
            "limit_passed",
            format!("`{name}` is passed now; arm it when it is over"),
        ),
    }
}
