//! The verdict on a session: its capacity against the limit that holds for it,
//! with the conditions a verdict needs. Decided by the methods.

use ampledger_methods::Analysis;
use ampledger_methods::rating::on_basis;
use ampledger_methods::verdict::{self, Conditions};
use ampledger_types::result::{Decision, Figure, Limit, Probe, Results, Status, Verdict, Warmth};
use ampledger_types::{Pack, Session};
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::setting::{cutoff_volt, rated_ah};

/// The key of a tag that sets a limit for one session.
pub const LIMIT: &str = "limit";

/// The limit that holds for a session: its own, else the pack's.
pub fn limit(session: &Session, pack: Option<&Pack>) -> Option<Limit> {
    let tag = session.tags.iter().find(|tag| tag.key == LIMIT);
    let own = tag.and_then(|tag| tag.value.as_deref()?.parse().ok());
    own.or_else(|| pack?.limit)
}

/// What a verdict is made from.
pub(crate) struct Basis<'a> {
    pub session: &'a Session,
    pub pack: Option<&'a Pack>,
    pub analysis: &'a Analysis,
    pub results: &'a Results,
    pub temperatures: &'a [Warmth],
    /// When the meter was calibrated, `YYYY-MM-DD`.
    pub calibrated: Option<&'a str>,
    /// When it was calibrated here, seconds since 1970-01-01 UTC.
    pub measured: Option<f64>,
    /// When the session began, seconds since 1970-01-01 UTC.
    pub began: Option<f64>,
    pub rules: &'a ampledger_methods::Rules,
}

/// The verdict; nothing where no limit is set.
pub(crate) fn verdict(basis: &Basis) -> Option<Verdict> {
    let limit = limit(basis.session, basis.pack)?;
    let against = match limit {
        Limit::New => verdict::Limit::New,
        Limit::Used => verdict::Limit::Used,
        Limit::Percent(percent) => verdict::Limit::Own(percent),
    };
    let limit_percent = against.percent(basis.rules);
    let Some((figure, percent, rated)) = measured(basis) else {
        return Some(nothing(basis, limit, limit_percent));
    };
    let uncertainty = figure.expanded_uncertainty.map(|u| u / rated * 100.0);
    let judged =
        verdict::judge(percent, uncertainty, against, &conditions(basis, figure), basis.rules);
    Some(Verdict {
        decision: match judged.decision {
            verdict::Decision::Pass => Decision::Passed,
            verdict::Decision::Fail => Decision::Failed,
            verdict::Decision::NotDecided => Decision::NotDecided,
        },
        limit,
        limit_percent,
        measured_percent: Some(percent),
        uncertainty_percent: judged.uncertainty_percent,
        probability: judged.probability.filter(|p| p.is_finite()),
        reasons: judged.reasons,
    })
}

/// The capacity in question, in percent, and the rating.
fn measured<'a>(basis: &Basis<'a>) -> Option<(&'a Figure, f64, f64)> {
    let figure = capacity(basis.results);
    let rated = rated_ah(basis.pack)?;
    Some((figure, figure.value? / rated * 100.0, rated))
}

fn capacity(results: &Results) -> &Figure {
    match results.capacity_to_cutoff_ah.value {
        Some(_) => &results.capacity_to_cutoff_ah,
        None => &results.main_discharge_ah,
    }
}

fn nothing(basis: &Basis, limit: Limit, limit_percent: f64) -> Verdict {
    let reasons = match rated_ah(basis.pack) {
        None => vec!["the rating of the pack is not known".to_owned()],
        Some(_) => basis.results.main_discharge_ah.reasons.clone(),
    };
    Verdict {
        decision: Decision::NotDecided,
        limit,
        limit_percent,
        measured_percent: None,
        uncertainty_percent: None,
        probability: None,
        reasons,
    }
}

fn conditions(basis: &Basis, figure: &Figure) -> Conditions {
    let main = basis.analysis.main_discharge.and_then(|main| basis.analysis.phases.get(main));
    let mean_ampere = main.and_then(|main| main.mean_current_ampere);
    let rating = basis.pack.and_then(|pack| pack.rating.as_ref());
    let cutoff = cutoff_volt(basis.session, basis.pack);
    let on_pack = basis.temperatures.iter().find(|warmth| warmth.probe == Probe::Pack);
    Conditions {
        is_proven: figure.status == Status::Proven,
        on_rating_basis: rating
            .zip(mean_ampere)
            .and_then(|(rating, ampere)| on_basis(rating, ampere, cutoff, basis.rules)),
        pack_celsius: on_pack.and_then(|warmth| warmth.begin_celsius),
        moved_kelvin: on_pack.and_then(|warmth| warmth.moved_kelvin),
        calibration_age_day: age_day(basis),
    }
}

/// From a calibration to the session's begin, days.
fn age_day(basis: &Basis) -> Option<f64> {
    let stated = || {
        let day: Date = basis.calibrated?.parse().ok()?;
        let midnight = TimeZone::UTC.to_timestamp(day.at(0, 0, 0, 0)).ok()?;
        Some(midnight.as_second() as f64)
    };
    let newest = stated().into_iter().chain(basis.measured).reduce(f64::max)?;
    Some((basis.began? - newest) / 86_400.0)
}
