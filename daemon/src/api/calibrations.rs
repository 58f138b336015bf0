//! Zero and calibration of a source's meter. What takes thought is in
//! `calibrating.rs`.

use std::sync::Arc;

use ampledger_methods::offset::{Found, Lead};
use ampledger_report::{calibration_lines, sentences};
use ampledger_store::Reader;
use ampledger_types::calibration::{
    CalibrateRequest, Calibrated, CalibrationLine, CalibrationResponse, Change, Line, Reference,
    ZeroRequest,
};
use ampledger_types::{Bound, Session};
use axum::Json;
use axum::extract::{Path, State};

use super::body::Body;
use super::{ApiError, Daemon};
use crate::calibrating::{self, Readings, record};
use crate::marking;

/// How far back readings are looked at for a zero, s: a minute to settle and
/// two to read.
const OVER_SECOND: f64 = 180.0;

/// `GET /v1/sources/{name}/calibrations`
pub async fn list(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
) -> Result<Json<Vec<CalibrationLine>>, ApiError> {
    let source = source(&daemon, &name)?;
    let lines = move |reader: &Reader| Ok(calibration_lines(reader, &source)?);
    Ok(Json(daemon.read(lines).await?))
}

/// `POST /v1/sources/{name}/zero`
pub async fn zero(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    Body(request): Body<ZeroRequest>,
) -> Result<Json<CalibrationResponse>, ApiError> {
    let source = source(&daemon, &name)?;
    let over = request.over_second.unwrap_or(OVER_SECOND);
    if !(over > 0.0 && over <= 86_400.0) {
        return Err(ApiError::bad("bad_value", "`over_second` is above 0 and at most a day"));
    }
    let back = moment(&daemon, request.back.as_deref()).await?;
    let now = now(&daemon);
    let from = Bound { t_us: now.t_us.saturating_sub((over * 1e6) as i64), ..now };
    let readings = calibrating::readings(&daemon, &source, Calibrated::Current, from).await?;
    let celsius = calibrating::celsius(&daemon, &source, from).await?;
    let lead = if request.connected { Lead::Connected } else { Lead::Disconnected };
    let (found, zero) = calibrating::zero(&daemon, &source, (&readings, celsius), lead).await?;
    let said = zero.as_ref().map(sentences::measured).unwrap_or_default();
    let answer = |found: &str, says: String| CalibrationResponse {
        found: found.to_owned(),
        says,
        zero,
        applied: None,
        sessions: Vec::new(),
    };
    let taken = match found {
        Found::Refused(why) => {
            let message = format!("no zero is taken: {why}");
            return Err(ApiError::conflict("zero_refused", message));
        }
        Found::Draw(_) => {
            return Ok(Json(answer("draw", format!("draw of the resting lead: {said}"))));
        }
        Found::DeadBand(_) => {
            let says = "every reading is exactly 0: that is a dead band, no offset; small currents \
                        do not show";
            return Ok(Json(answer("dead_band", says.to_owned())));
        }
        Found::Offset(taken) => taken,
    };
    let at = |t_us| Bound { t_us, ..now };
    let change = zero.map(Change::Zero).ok_or_else(ApiError::inside)?;
    let ends = (at(taken.from_us), at(taken.to_us));
    let new = record(&source, Calibrated::Current, ends, (change, back));
    let (applied, sessions) = calibrating::apply(&daemon, new, back.is_some()).await?;
    let answer = answer("offset", sentences::calibration(&applied));
    Ok(Json(CalibrationResponse { applied: Some(applied), sessions, ..answer }))
}

/// `POST /v1/sources/{name}/calibrations`
pub async fn calibrate(
    State(daemon): State<Arc<Daemon>>,
    Path(name): Path<String>,
    Body(request): Body<CalibrateRequest>,
) -> Result<Json<CalibrationResponse>, ApiError> {
    let source = source(&daemon, &name)?;
    let back = moment(&daemon, request.back.as_deref()).await?;
    let now = now(&daemon);
    let (line, ends) = match &request.reference {
        None => (calibrating::two_points(&request.points)?, (now, now)),
        Some(_) if !request.points.is_empty() => {
            return Err(ApiError::bad("two_ways", "give points or a reference meter, not both"));
        }
        Some(reference) => beside(&daemon, &source, request.channel, reference).await?,
    };
    let change = Change::Line(line);
    let new = record(&source, request.channel, ends, (change, back));
    let (applied, sessions) = calibrating::apply(&daemon, new, back.is_some()).await?;
    Ok(Json(CalibrationResponse {
        found: "line".to_owned(),
        says: sentences::calibration(&applied),
        zero: None,
        applied: Some(applied),
        sessions,
    }))
}

async fn beside(
    daemon: &Daemon,
    ours: &str,
    of: Calibrated,
    reference: &Reference,
) -> Result<(Line, (Bound, Bound)), ApiError> {
    let theirs = source(daemon, &reference.source)?;
    let since = marking::moment(daemon, &reference.since).await?;
    let read = calibrating::readings(daemon, ours, of, since).await?;
    let beside = calibrating::readings(daemon, &theirs, of, since).await?;
    let line = calibrating::beside(&read, &beside, reference.standard, &theirs)?;
    Ok((line, ends(&read, since)))
}

fn ends(readings: &Readings, since: Bound) -> (Bound, Bound) {
    let at = |reading: Option<&(i64, f64)>| match reading {
        Some((t_us, _)) => Bound { t_us: *t_us, ..since },
        None => since,
    };
    (at(readings.first()), at(readings.last()))
}

/// The one source of that name, with a meter that reads now.
fn source(daemon: &Daemon, name: &str) -> Result<String, ApiError> {
    let named = marking::sources(daemon, &[name.to_owned()])?;
    let name = named.into_iter().next().ok_or_else(ApiError::inside)?;
    match daemon.roster.find(&name).is_some_and(|source| source.config.replay.is_some()) {
        true => Err(ApiError::bad("replay", "a replay has no meter that could be calibrated")),
        false => Ok(name),
    }
}

async fn moment(daemon: &Daemon, text: Option<&str>) -> Result<Option<Bound>, ApiError> {
    match text {
        Some(text) => marking::moment(daemon, text).await.map(Some),
        None => Ok(None),
    }
}

fn now(daemon: &Daemon) -> Bound {
    Bound { run: daemon.intake.run, t_us: daemon.intake.clock.now_us() }
}

/// What holds of a session now is issued, so that a new revision can name it.
pub async fn issue(daemon: &Daemon, session: &Session) -> Result<(), ApiError> {
    super::sessions::report(daemon, session).await.map(drop)
}
