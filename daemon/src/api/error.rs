//! What a refusal looks like: a status, a word for programs, and a sentence
//! that says what happened and what to do.

use ampledger_report::ReportError;
use ampledger_store::{OpenError, StoreError};
use ampledger_types::api::ErrorResponse;
use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

use crate::recorder::CannotRecord;

/// A refusal.
#[derive(Debug, thiserror::Error)]
#[error("{message}")]
pub struct ApiError {
    status: StatusCode,
    code: &'static str,
    message: String,
}

impl ApiError {
    /// What was asked makes no sense as it stands.
    pub fn bad(code: &'static str, message: impl Into<String>) -> Self {
        ApiError { status: StatusCode::BAD_REQUEST, code, message: message.into() }
    }

    /// What was asked for does not exist.
    pub fn not_found(code: &'static str, message: impl Into<String>) -> Self {
        ApiError { status: StatusCode::NOT_FOUND, code, message: message.into() }
    }

    /// It cannot be done as things stand.
    pub fn conflict(code: &'static str, message: impl Into<String>) -> Self {
        ApiError { status: StatusCode::CONFLICT, code, message: message.into() }
    }

    /// A client of another build.
    pub fn other_build(theirs: &str) -> Self {
        let message = format!(
            "this daemon is {}, the client is {theirs}; install both from one build and restart \
             the daemon",
            crate::BUILD
        );
        ApiError::conflict("build_mismatch", message)
    }

    /// It took too long.
    pub fn too_slow() -> Self {
        let message = "it took too long and was given up; try again when the machine is idle";
        ApiError { status: StatusCode::GATEWAY_TIMEOUT, code: "too_slow", message: message.into() }
    }

    /// A fault of the program.
    pub fn inside() -> Self {
        let message = "the daemon failed inside; its log says where".to_owned();
        ApiError { status: StatusCode::INTERNAL_SERVER_ERROR, code: "inside", message }
    }

    fn store(message: String) -> Self {
        ApiError { status: StatusCode::SERVICE_UNAVAILABLE, code: "store", message }
    }
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        let body = ErrorResponse { code: self.code.to_owned(), message: self.message };
        (self.status, Json(body)).into_response()
    }
}

impl From<StoreError> for ApiError {
    fn from(error: StoreError) -> Self {
        ApiError::store(error.to_string())
    }
}

impl From<OpenError> for ApiError {
    fn from(error: OpenError) -> Self {
        ApiError::store(error.to_string())
    }
}

impl From<ReportError> for ApiError {
    fn from(error: ReportError) -> Self {
        ApiError::store(error.to_string())
    }
}

impl From<CannotRecord> for ApiError {
    fn from(error: CannotRecord) -> Self {
        ApiError::store(error.to_string())
    }
}

impl From<ampledger_report::select::SelectError> for ApiError {
    fn from(error: ampledger_report::select::SelectError) -> Self {
        ApiError::not_found("no_such_session", error.to_string())
    }
}
