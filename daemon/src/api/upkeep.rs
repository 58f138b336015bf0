//! What a person asks to be done with the record as a whole.

use std::sync::Arc;

use ampledger_store::Thinning;
use ampledger_types::api::{ThinRequest, ThinResponse, ThinnedSource};
use axum::Json;
use axum::extract::State;

use super::body::Body;
use super::{ApiError, Daemon};

/// Chunks taken between two looks at what is to be recorded.
const STEP: usize = 64;
/// Steps of one request; what is left is taken by the next.
const STEPS: usize = 64;

/// `POST /v1/thin`: takes what is old and what nothing needs, or shows it.
pub async fn thin(
    State(daemon): State<Arc<Daemon>>,
    Body(request): Body<ThinRequest>,
) -> Result<Json<ThinResponse>, ApiError> {
    let days = request.older_than_day;
    if !(days.is_finite() && days >= 1.0) {
        return Err(ApiError::bad("bad_value", "`older_than_day` must be 1 or more"));
    }
    let before_us = daemon.intake.clock.unix_us().saturating_sub((days * 86_400e6) as i64);
    if !request.apply {
        let shown = daemon.read(move |reader| Ok(reader.thinning(before_us)?)).await?;
        return Ok(Json(response(&shown, false)));
    }
    let mut all = Thinning::default();
    for _ in 0..STEPS {
        let taken = daemon.intake.recorder.with_store(move |store| store.thin(before_us, STEP));
        all.join(&taken.await??);
        if !all.is_more {
            break;
        }
    }
    Ok(Json(response(&all, true)))
}

fn response(thinning: &Thinning, applied: bool) -> ThinResponse {
    let source = |(name, (samples, bytes)): (&String, &(u64, u64))| ThinnedSource {
        source: name.clone(),
        samples: *samples,
        bytes: *bytes,
    };
    let sources = thinning.sources.iter().map(source).collect();
    ThinResponse { sources, applied, is_more: thinning.is_more }
}
