//! Self-discharge between two sessions of a pack: what it gave before a stand,
//! and after. Never read off a resting voltage.

use serde::Serialize;

use crate::rules::Rules;
use crate::uncertainty::{COVERAGE, combined};

/// A capacity with its standard uncertainty, Ah.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Capacity {
    /// Ah.
    pub ah: f64,
    /// Ah; `None` where it is not known.
    pub standard_ah: Option<f64>,
}

/// What a stand cost.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SelfDischarge {
    /// Percent of what was there before.
    pub percent: f64,
    /// Expanded uncertainty of that, percent.
    pub percent_expanded: Option<f64>,
    /// As percent in 30 days, by a straight line.
    pub percent_a_month: f64,
    /// As percent in 30 days, of what is left each time.
    pub percent_a_month_compound: f64,
    /// As a current, A.
    pub ampere: f64,
    /// What keeps it from being proven, in plain words.
    pub doubts: Vec<String>,
}

/// What a stand of so many days cost; `None` for no time or no capacity. The
/// meter's gain is the same both times and cancels: give uncertainties without
/// it where the meter was the same.
pub fn between(
    before: Capacity,
    after: Capacity,
    days: f64,
    rules: &Rules,
) -> Option<SelfDischarge> {
    let lost = before.ah - after.ah;
    let share = lost / before.ah;
    if !(days > 0.0 && before.ah > 0.0 && share.is_finite() && share < 1.0) {
        return None;
    }
    let standard = before.standard_ah.zip(after.standard_ah);
    let expanded = standard.map(|(b, a)| {
        let parts = [a / before.ah, b * after.ah / (before.ah * before.ah)];
        COVERAGE * combined(parts) * 100.0
    });
    let mut doubts = Vec::new();
    if days < rules.self_discharge_least_day {
        doubts.push(format!("a stand of {days:.2} days is too short"));
    }
    match expanded {
        None => doubts.push("the uncertainty of the capacities is not known".to_owned()),
        Some(expanded) if expanded >= share.abs() * 100.0 => doubts.push(format!(
            "the difference of {:.2} % is within its uncertainty of {expanded:.2} %",
            share * 100.0
        )),
        Some(_) => {}
    }
    Some(SelfDischarge {
        percent: share * 100.0,
        percent_expanded: expanded,
        percent_a_month: share * 100.0 * 30.0 / days,
        percent_a_month_compound: (1.0 - (1.0 - share).powf(30.0 / days)) * 100.0,
        ampere: lost / (days * 24.0),
        doubts,
    })
}
