//! What is happening now.

use std::sync::Arc;

use ampledger_decoders::config::never_read;
use ampledger_report::correct_latest;
use ampledger_types::Bound;
use ampledger_types::api::{ClockStatus, SourceStatus, StatusResponse, StoreStatus};
use axum::Json;
use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::IntoResponse;

use super::Daemon;

/// Samples after which a field that was in none is told.
const ENOUGH: u64 = 20;

/// `GET /v1/status`
pub async fn status(State(daemon): State<Arc<Daemon>>) -> Json<StatusResponse> {
    let recorder = &daemon.intake.recorder;
    Json(StatusResponse {
        build: crate::BUILD.to_owned(),
        store: StoreStatus {
            path: daemon.store_path.display().to_string(),
            uuid: recorder.store_uuid(),
            recorded_up_to: recorder.recorded_up_to(),
            newest: daemon.intake.newest(),
            trouble: recorder.trouble(),
            reserve_given_up: recorder.reserve_given_up(),
        },
        clock: ClockStatus {
            unix_time_second: daemon.intake.clock.unix_us() as f64 / 1e6,
            synchronised: daemon.is_synchronised(),
            rate: daemon.intake.clock.rate(),
        },
        sources: all_sources(&daemon),
        alarms: daemon.store_alarm.iter().cloned().chain(daemon.limits.alarms()).collect(),
        open_sessions: daemon.intake.keeper.open_sessions(&daemon.intake).await,
    })
}

/// `GET /v1/sources`
pub async fn sources(State(daemon): State<Arc<Daemon>>) -> Json<Vec<SourceStatus>> {
    Json(all_sources(&daemon))
}

/// `GET /v1/openapi.json`
pub async fn openapi() -> impl IntoResponse {
    ([(CONTENT_TYPE, "application/json")], include_str!("openapi.json"))
}

fn all_sources(daemon: &Daemon) -> Vec<SourceStatus> {
    let running = daemon.roster.all();
    let at = Bound { run: daemon.intake.run, t_us: daemon.intake.clock.now_us() };
    let records = daemon.calibrations.lock().unwrap_or_else(|e| e.into_inner());
    let running = running.iter().map(|source| {
        let mut status = source.health.status(&daemon.intake.clock);
        correct_latest(&records, &mut status, at);
        if status.counters.samples >= ENOUGH {
            let is_read = |name: &str| status.latest.iter().any(|r| r.channel == name);
            status.never_read = never_read(&source.config.fields, is_read);
        }
        status
    });
    let mut all: Vec<SourceStatus> = running.chain(daemon.roster.refused()).collect();
    all.sort_by(|a, b| a.name.cmp(&b.name));
    all
}
