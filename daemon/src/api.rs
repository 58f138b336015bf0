//! HTTP/JSON under `/v1` over a Unix socket: the only way in for the command
//! line and the page. Every request, answer and connection has a bound.

mod body;
mod calibrations;
mod error;
mod export;
mod frames;
mod limits;
mod listen;
mod maintenance;
mod packs;
mod pieces;
mod reload;
mod report;
mod sessions;
mod status;
mod stream;
mod suggestions;
mod upkeep;

use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ampledger_store::Reader;
use ampledger_types::api::BUILD_HEADER;
use ampledger_types::calibration::Calibration;
use axum::Router;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::HeaderValue;
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post, put};

use crate::attendant::Attendant;
use crate::intake::Intake;
use crate::limits::Limits;
use crate::maintenance::Jobs;
use crate::reading::read;
use crate::reload::Asks;
use crate::roster::Roster;

pub use calibrations::issue;
pub use error::ApiError;
pub use listen::{ListenError, bind};

/// The longest request body that is read.
const BODY_BYTES: usize = 256 << 10;
/// How long one request may take before it is given up; streams are not
/// requests in this sense, once they have begun.
const REQUEST_LIMIT: Duration = Duration::from_secs(120);

/// What every handler can reach.
pub struct Daemon {
    /// Where samples enter; clock, recorder and keeper hang on it.
    pub intake: Arc<Intake>,
    /// Who begins and ends sessions by rule.
    pub attendant: Attendant,
    /// The sources.
    pub roster: Roster,
    /// Where to ask for the configuration to be read again.
    pub reload: Asks,
    /// Zeros and calibrations, for what the sources say now.
    pub calibrations: Mutex<Vec<Calibration>>,
    /// The limits that are watched.
    pub limits: Limits,
    /// Work on the record as a whole.
    pub jobs: Jobs,
    /// The store's file.
    pub store_path: PathBuf,
    /// Why this file is recorded into and not what was there, if so.
    pub store_alarm: Option<String>,
    /// Whether the system last said that its clock is synchronised.
    pub synchronised: AtomicBool,
}

impl Daemon {
    /// Runs a reading piece of work on the store, off the main thread.
    pub async fn read<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Reader) -> Result<T, ApiError> + Send + 'static,
    ) -> Result<T, ApiError> {
        read(&self.store_path, work).await
    }

    /// Whether dates can be trusted.
    pub fn is_synchronised(&self) -> bool {
        self.synchronised.load(Ordering::Relaxed)
    }
}

/// The routes.
pub fn router(daemon: Arc<Daemon>) -> Router {
    Router::new()
        .route("/v1/status", get(status::status))
        .route("/v1/sources", get(status::sources))
        .route("/v1/reload", post(reload::reload))
        .route("/v1/sources/{name}/frames", get(frames::frames))
        .route("/v1/sources/{name}/zero", post(calibrations::zero))
        .route(
            "/v1/sources/{name}/calibrations",
            get(calibrations::list).post(calibrations::calibrate),
        )
        .route("/v1/sessions", get(sessions::list).post(sessions::start))
        .route("/v1/suggestions", get(suggestions::list))
        .route("/v1/sessions/{session}", get(sessions::show))
        .route("/v1/sessions/{session}/stop", post(sessions::stop))
        .route("/v1/sessions/{session}/tags", post(sessions::tag))
        .route("/v1/sessions/{session}/redecode", post(sessions::redecode))
        .route("/v1/sessions/{session}/export", get(export::table))
        .route("/v1/sessions/{session}/export/metadata", get(export::metadata))
        .route("/v1/sessions/{session}/report", get(report::report_page))
        .route("/v1/limits", get(limits::list))
        .route("/v1/limits/arm", post(limits::arm))
        .route("/v1/limits/disarm", post(limits::disarm))
        .route("/v1/limits/{limit}/test", post(limits::test))
        .route("/v1/limits/{limit}/acknowledge", post(limits::acknowledge))
        .route("/v1/packs", get(packs::list))
        .route("/v1/packs/{label}", put(packs::put))
        .route("/v1/thin", post(upkeep::thin))
        .route("/v1/maintenance", get(maintenance::list).post(maintenance::begin))
        .route("/v1/maintenance/{job}", get(maintenance::show))
        .route("/v1/maintenance/{job}/cancel", post(maintenance::cancel))
        .route("/v1/stream", get(stream::stream))
        .route("/v1/openapi.json", get(status::openapi))
        .fallback(async || ApiError::not_found("no_such_path", "there is nothing at this path"))
        .layer(from_fn_with_state(daemon.clone(), same_build))
        .layer(DefaultBodyLimit::max(BODY_BYTES))
        .with_state(daemon)
}

/// Refuses a client of another build and names our own in every answer.
async fn same_build(State(_): State<Arc<Daemon>>, request: Request, next: Next) -> Response {
    let theirs = request.headers().get(BUILD_HEADER).cloned();
    let mut response = match theirs {
        Some(build) if build.as_bytes() != crate::BUILD.as_bytes() => {
            let build = String::from_utf8_lossy(build.as_bytes()).into_owned();
            ApiError::other_build(&build).into_response()
        }
        _ => match tokio::time::timeout(REQUEST_LIMIT, next.run(request)).await {
            Ok(response) => response,
            Err(_) => ApiError::too_slow().into_response(),
        },
    };
    response.headers_mut().insert(BUILD_HEADER, HeaderValue::from_static(crate::BUILD));
    response
}

#[cfg(test)]
mod tests;
