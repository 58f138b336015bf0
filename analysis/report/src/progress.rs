//! How far an open session has come, in figures: delivered, at what rate, and
//! what is left to the cut-off. Each figure says on what it rests.

use ampledger_methods::to_empty::{Expected, Measured, Running, Sure, to_empty};
use ampledger_methods::{Analysis, Rules, Setting};
use ampledger_types::Unit;
use ampledger_types::api::Progress;
use ampledger_types::result::{Figure, SessionReport};

use crate::numbers;
use crate::sentences::NO_CUTOFF;

const METHOD: &str =
    "what is expected of the pack less what it gave, at the load as it was over the last minutes";
const SOURCE: &str =
    "common practice, no source; uncertainties combined after JCGM 100:2008, 5.1.2";

/// Where a session stands.
pub(crate) fn progress(
    report: &SessionReport,
    analysis: &Analysis,
    setting: &Setting,
    measured: Option<&Measured>,
) -> Progress {
    let rated = setting.rated_ah.filter(|ah| *ah > 0.0);
    let results = &report.results;
    let delivered = results.main_discharge_ah.clone();
    let left = left(analysis, setting, rated, measured);
    let of = |what: fn(&Left) -> Option<Sure>, unit| match &left {
        Ok(left) => figure(what(left), unit, &left.reasons),
        Err(why) => Figure::undetermined(unit, METHOD, why.clone()),
    };
    let load = analysis.load;
    Progress {
        current_ampere: load.map(|load| -load.ampere),
        power_watt: load.and_then(|load| load.watt).map(|watt| -watt),
        c_rate: load.zip(rated).map(|(load, ah)| load.ampere / ah),
        share_of_rating: delivered.value.zip(rated).map(|(given, ah)| given / ah),
        to_cutoff_second: of(|left| left.second, Unit::Second),
        to_cutoff_ah: of(|left| left.charge_ah, Unit::AmpereHour),
        to_cutoff_wh: of(|left| left.energy_wh, Unit::WattHour),
        delivered_ah: delivered,
        delivered_wh: results.main_discharge_wh.clone(),
    }
}

type Left = ampledger_methods::to_empty::ToEmpty;

/// What is left of the discharge that is under way; else why that is unknown.
/// What the pack gave before goes before its rating.
fn left(
    analysis: &Analysis,
    setting: &Setting,
    rated: Option<f64>,
    measured: Option<&Measured>,
) -> Result<Left, Vec<String>> {
    let why = |text: &str| vec![text.to_owned()];
    let running = Running::of(analysis, setting).ok_or_else(|| why("no discharge is under way"))?;
    if running.cutoff_volt.is_none() {
        return Err(why(NO_CUTOFF));
    }
    let rules = &setting.rules;
    let Some(measured) = measured else {
        let rated = rated.ok_or_else(|| why("the pack's rating is not known"))?;
        return Ok(to_empty(&running, &Expected::of_rating(rated, rules)));
    };
    let mut left = to_empty(&running, &Expected::of_measured(measured, rules));
    left.reasons.insert(0, rests_on(measured, rules));
    Ok(left)
}

fn rests_on(measured: &Measured, rules: &Rules) -> String {
    let given = match measured.expanded_ah > 0.0 {
        true => numbers::uncertain(measured.capacity_ah, measured.expanded_ah, Unit::AmpereHour),
        false => numbers::value(measured.capacity_ah, Unit::AmpereHour),
    };
    let proof = if measured.is_proven { "proven" } else { "not proven" };
    format!(
        "it rests on what session {} gave to the same voltage ({given}, {proof}), which may be {} % \
         off today",
        measured.session,
        numbers::plain(measured.percent(rules))
    )
}

fn figure(left: Option<Sure>, unit: Unit, reasons: &[String]) -> Figure {
    let reasons = reasons.to_vec();
    match left {
        Some(sure) => Figure {
            expanded_uncertainty: Some(sure.expanded),
            method_source: SOURCE.to_owned(),
            ..Figure::provisional(sure.value, unit, METHOD, reasons)
        },
        None => Figure::undetermined(unit, METHOD, reasons),
    }
}
