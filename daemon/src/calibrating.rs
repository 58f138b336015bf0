//! Zeros and calibrations: what the record of a source says about its meter,
//! judged by the methods, kept as a record, and told to the sessions it touches.

use std::ops::ControlFlow;

use ampledger_methods::Setting;
use ampledger_methods::calibration::{Correction, Point as Known};
use ampledger_methods::offset::{Found, Lead, Zero as Measured, judge};
use ampledger_store::{Range, Reader};
use ampledger_types::calibration::{Calibrated, Calibration, Change, Line, Point, Zero};
use ampledger_types::{Bound, Marker, MarkerKind, Quantity, Sample, Session};

use crate::api::{ApiError, Daemon};

/// Two meters that read at most so far apart read the same, µs.
const TOGETHER_US: i64 = 500_000;

/// Readings of one channel: boot clock in µs, value.
pub type Readings = Vec<(i64, f64)>;

/// What a source read of a quantity from a moment on, within one run.
pub async fn readings(
    daemon: &Daemon,
    source: &str,
    of: Calibrated,
    from: Bound,
) -> Result<Readings, ApiError> {
    let quantity = match of {
        Calibrated::Current => Quantity::Current,
        Calibrated::Voltage => Quantity::Voltage,
    };
    read(daemon, source, from, move |sample| sample.value(quantity)).await
}

/// Mean temperature near a source's meter from a moment on, °C: of the air, or
/// of any probe that it has, but not of the pack.
pub async fn celsius(daemon: &Daemon, source: &str, from: Bound) -> Result<Option<f64>, ApiError> {
    let read = read(daemon, source, from, |sample| {
        let of_probe = || {
            let mut channels = sample.group.channels.iter().zip(&sample.values);
            let probe = channels.find(|(c, _)| matches!(c.quantity, Quantity::Temperature(_)));
            probe.map(|(_, value)| *value).filter(|value| value.is_finite())
        };
        sample.value(Quantity::AmbientTemperature).or_else(of_probe)
    });
    let values = read.await?;
    let sum: f64 = values.iter().map(|(_, celsius)| celsius).sum();
    Ok((!values.is_empty()).then(|| sum / values.len() as f64))
}

async fn read(
    daemon: &Daemon,
    source: &str,
    from: Bound,
    of: impl Fn(&Sample) -> Option<f64> + Send + 'static,
) -> Result<Readings, ApiError> {
    let end = Bound { run: from.run, t_us: i64::MAX };
    let range = Range { sources: vec![source.to_owned()], from, to: Some(end), up_to: None };
    // The newest readings must be on disk.
    daemon.intake.recorder.with_store(|_| ()).await?;
    let read = daemon.read(move |reader| {
        let mut readings = Readings::new();
        reader.samples(&range, |stored| {
            readings.extend(of(&stored.sample).map(|value| (stored.sample.t_us, value)));
            ControlFlow::Continue(())
        })?;
        Ok(readings)
    });
    read.await
}

/// The offset that readings show, or what else they are.
pub async fn zero(
    daemon: &Daemon,
    source: &str,
    (readings, celsius): (&Readings, Option<f64>),
    lead: Lead,
) -> Result<(Found, Option<Zero>), ApiError> {
    let (run, name) = (daemon.intake.run, source.to_owned());
    let described = daemon.read(move |reader| Ok(reader.instruments(run)?.remove(&name))).await?;
    let stated = described.and_then(|meter| meter.accuracy.get("current_ampere").cloned());
    let stated = stated.unwrap_or_default();
    let setting = Setting {
        current_range: stated.range,
        current_resolution: stated.resolution,
        ..Setting::default()
    };
    let found = judge(readings, lead, &setting);
    let zero = match &found {
        Found::Offset(zero) | Found::Draw(zero) | Found::DeadBand(zero) => {
            Some(Zero { celsius, ..kept(zero) })
        }
        Found::Refused(_) => None,
    };
    Ok((found, zero))
}

fn kept(zero: &Measured) -> Zero {
    Zero {
        mean_ampere: zero.mean_ampere,
        deviation_ampere: zero.deviation_ampere,
        standard_ampere: zero.standard_ampere,
        count: zero.count,
        second: zero.second,
        drift_ampere: zero.drift_ampere,
        celsius: None,
    }
}

/// The line through two points that a person knows.
pub fn two_points(points: &[Point]) -> Result<Line, ApiError> {
    let [a, b] = points else {
        let message = "a calibration needs two points, or a reference meter";
        return Err(ApiError::bad("not_two_points", message));
    };
    let (low, high) = if a.raw <= b.raw { (a, b) } else { (b, a) };
    line(Correction::two_point(known(low), known(high)), "two points")
}

/// The line through what two meters read at the same moments.
pub fn beside(
    ours: &Readings,
    theirs: &Readings,
    standard: f64,
    name: &str,
) -> Result<Line, ApiError> {
    let mut points = Vec::new();
    let mut next = theirs.iter().peekable();
    for (t_us, raw) in ours {
        while next.peek().is_some_and(|(t, _)| t_us.saturating_sub(*t) > TOGETHER_US) {
            next.next();
        }
        let near = next.peek().filter(|(t, _)| t.saturating_sub(*t_us).abs() <= TOGETHER_US);
        points.extend(near.map(|(_, truth)| Known { raw: *raw, truth: *truth, standard }));
    }
    if points.len() < 10 {
        let message = format!(
            "{} readings of both meters lie within half a second of each other; it takes 10",
            points.len()
        );
        return Err(ApiError::conflict("not_beside", message));
    }
    line(Correction::reference(&points), &format!("{name} over {} readings", points.len()))
}

fn line(correction: Option<Correction>, against: &str) -> Result<Line, ApiError> {
    let correction = correction.ok_or_else(|| {
        let message = "the points do not lie apart, or the meter would count backwards";
        ApiError::conflict("no_line", message)
    })?;
    let point =
        |point: Known| Point { raw: point.raw, truth: point.truth, standard: point.standard };
    Ok(Line {
        gain: correction.gain,
        offset: correction.offset,
        points: correction.points.map(point),
        scatter: correction.scatter,
        against: against.to_owned(),
    })
}

fn known(point: &Point) -> Known {
    Known { raw: point.raw, truth: point.truth, standard: point.standard }
}

/// Keeps a record. Where it is applied back, the ended sessions in that stretch
/// get a new revision, each after what was said of it was issued.
pub async fn apply(
    daemon: &Daemon,
    new: Calibration,
    is_back: bool,
) -> Result<(Calibration, Vec<i64>), ApiError> {
    let source = daemon.roster.find(&new.source);
    let identity = source.and_then(|source| source.decode_set().identity.clone());
    let new = Calibration { identity, ..new };
    let touched = touched(daemon, &new).await?;
    let ended: Vec<Session> =
        touched.iter().filter(|session| is_back && !session.is_open()).cloned().collect();
    for session in &ended {
        crate::api::issue(daemon, session).await?;
    }
    let grown: Vec<i64> = ended.iter().map(|session| session.id).collect();
    let kept = daemon.intake.recorder.with_store(move |store| {
        let kept = store.insert_calibration(&new)?;
        for mut session in ended {
            session.revision += 1;
            store.put_session(&session)?;
        }
        Ok::<_, ApiError>(kept)
    });
    let kept = kept.await??;
    daemon.calibrations.lock().unwrap_or_else(|e| e.into_inner()).push(kept.clone());
    for session in touched.iter().filter(|session| session.is_open()) {
        daemon.intake.keeper.load(&daemon.intake, session).await?;
    }
    let text = ampledger_report::sentences::calibration(&kept);
    tracing::info!(source = %kept.source, "{text}");
    let at = Bound { run: daemon.intake.run, t_us: daemon.intake.clock.now_us() };
    let marker = Marker::new(at, MarkerKind::Note, text);
    daemon.intake.put_marker(Marker { source: Some(kept.source.clone()), ..marker });
    Ok((kept, grown))
}

/// The sessions on its source that reach into the stretch in which it holds.
async fn touched(daemon: &Daemon, record: &Calibration) -> Result<Vec<Session>, ApiError> {
    let (source, from) = (record.source.clone(), record.from);
    let all = daemon.read(|reader: &Reader| Ok(reader.sessions()?)).await?;
    let is_touched = |session: &Session| {
        (session.sources.is_empty() || session.sources.contains(&source))
            && session.end.is_none_or(|end| end >= from)
    };
    Ok(all.into_iter().filter(is_touched).collect())
}

/// A record of a change, as of its readings or from `back` on.
pub fn record(
    source: &str,
    channel: Calibrated,
    (first, last): (Bound, Bound),
    (change, back): (Change, Option<Bound>),
) -> Calibration {
    let from = back.map_or(first, |back| back.min(first));
    let source = source.to_owned();
    Calibration { id: 0, source, channel, taken: last, from, change, identity: None }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reference_meter_gives_the_line_through_what_both_read_together() {
        let ours: Readings = (0..100).map(|n| (n * 1_000_000, n as f64 * 1.01 + 0.1)).collect();
        let theirs: Readings = (0..100).map(|n| (n * 1_000_000 + 200_000, n as f64)).collect();
        let line = beside(&ours, &theirs, 0.01, "clamp").unwrap();
        assert!((line.gain - 1.0 / 1.01).abs() < 1e-9 && (line.offset + 0.1 / 1.01).abs() < 1e-9);
        assert_eq!(line.against, "clamp over 100 readings");
        let late: Readings = theirs.iter().map(|(t, v)| (t + 400_000_000, *v)).collect();
        assert!(beside(&ours, &late, 0.01, "clamp").is_err());
    }

    #[test]
    fn two_points_in_any_order_give_one_line_and_the_same_point_twice_none() {
        let point = |raw: f64, truth: f64| Point { raw, truth, standard: 0.01 };
        // Worked example of docs/methods.md: 0.140 A at 0 A, 40.100 A at 40 A.
        let points = [point(40.1, 40.0), point(0.14, 0.0)];
        let line = two_points(&points).unwrap();
        assert!((line.offset + line.gain * 20.12 - 20.0).abs() < 1e-9);
        assert!(two_points(&[points[0], points[0]]).is_err());
        assert!(two_points(&points[..1]).is_err());
    }
}
