//! The packs.

use std::sync::Arc;

use ampledger_store::Reader;
use ampledger_types::Pack;
use ampledger_types::result::Limit;
use axum::Json;
use axum::extract::{Path, State};

use super::body::Body;
use super::{ApiError, Daemon};

/// `GET /v1/packs`
pub async fn list(State(daemon): State<Arc<Daemon>>) -> Result<Json<Vec<Pack>>, ApiError> {
    Ok(Json(daemon.read(|reader| Ok(reader.packs()?)).await?))
}

/// `PUT /v1/packs/{label}`: makes or replaces a pack. What was computed for it
/// before stays as it was; its sessions get a new revision.
pub async fn put(
    State(daemon): State<Arc<Daemon>>,
    Path(label): Path<String>,
    Body(pack): Body<Pack>,
) -> Result<Json<Pack>, ApiError> {
    if label.trim().is_empty() || label.len() > 100 || label.chars().any(char::is_control) {
        return Err(ApiError::bad("bad_label", "a pack's label has 1 to 100 printable characters"));
    }
    let pack = Pack { label: label.clone(), ..pack };
    check(&pack)?;
    let label_read = label.clone();
    let before = daemon.read(move |reader| Ok(reader.pack(&label_read)?)).await?;
    if before.as_ref() == Some(&pack) {
        return Ok(Json(pack));
    }
    let kept = pack.clone();
    let changed = daemon.intake.recorder.with_store(move |store| {
        store.put_pack(&kept)?;
        let mut of_it: Vec<_> = Reader::open(store.path())?.sessions()?;
        of_it.retain(|session| session.pack.as_deref() == Some(label.as_str()));
        for session in &mut of_it {
            session.revision += 1;
            store.put_session(session)?;
        }
        Ok::<_, ApiError>(of_it)
    });
    for session in changed.await?? {
        if session.is_open() {
            daemon.intake.keeper.load(&daemon.intake, &session).await?;
        }
    }
    Ok(Json(pack))
}

fn check(pack: &Pack) -> Result<(), ApiError> {
    let positive = [
        ("rating.capacity_ah", pack.rating.as_ref().map(|r| r.capacity_ah)),
        ("charge_voltage_volt", pack.charge_voltage_volt),
        ("cutoff_voltage_volt", pack.cutoff_voltage_volt),
        ("maximum_current_ampere", pack.maximum_current_ampere),
    ];
    if let Some(Limit::Percent(percent)) = pack.limit
        && !(percent > 0.0 && percent <= 200.0)
    {
        return Err(ApiError::bad("bad_value", "`limit` is above 0 and at most 200 percent"));
    }
    for (key, value) in positive {
        if value.is_some_and(|v| !(v.is_finite() && v > 0.0)) {
            return Err(ApiError::bad("bad_value", format!("`{key}` must be above 0")));
        }
    }
    if pack.cells_in_series == Some(0) {
        return Err(ApiError::bad("bad_value", "`cells_in_series` must be above 0"));
    }
    Ok(())
}
