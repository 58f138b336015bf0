//! A request's body as JSON; what cannot be read is refused like everything
//! else, with a code and a sentence.

use axum::Json;
use axum::extract::rejection::JsonRejection;
use axum::extract::{FromRequest, Request};
use serde::de::DeserializeOwned;

use super::ApiError;

/// A JSON body.
pub struct Body<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Body<T> {
    type Rejection = ApiError;

    async fn from_request(request: Request, state: &S) -> Result<Self, ApiError> {
        match Json::<T>::from_request(request, state).await {
            Ok(Json(read)) => Ok(Body(read)),
            Err(JsonRejection::JsonDataError(error)) => Err(ApiError::bad(
                "bad_request",
                ampledger_decoders::config::with_nearest(&plain(&error.body_text())),
            )),
            Err(other) => Err(ApiError::bad("bad_request", other.body_text())),
        }
    }
}

/// The reason without the framework's own words before it.
fn plain(text: &str) -> String {
    text.rsplit_once("target type: ").map_or(text, |(_, reason)| reason).to_owned()
}
