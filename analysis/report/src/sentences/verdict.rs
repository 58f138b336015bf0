//! The verdict in a sentence.

use ampledger_types::Unit;
use ampledger_types::result::{Decision, Limit, Verdict};

use crate::numbers;

/// `Passed: 95.7 ± 0.5 % of the rating, against 80 % for a used pack.`
pub fn verdict(verdict: &Verdict) -> String {
    let limit = format!("{} %", numbers::plain(verdict.limit_percent));
    let against = match verdict.limit {
        Limit::New => format!("against {limit} for a new pack"),
        Limit::Used => format!("against {limit} for a used pack"),
        Limit::Percent(_) => format!("against its own limit of {limit}"),
    };
    let measured = match (verdict.measured_percent, verdict.uncertainty_percent) {
        (None, _) => "no figure".to_owned(),
        (Some(percent), Some(u)) if u > 0.0 => {
            format!("{} of the rating", numbers::uncertain(percent, u, Unit::Percent))
        }
        (Some(percent), _) => format!("{} of the rating", numbers::value(percent, Unit::Percent)),
    };
    let chance = verdict.probability.map_or(String::new(), |p| {
        let percent = numbers::value((p * 100.0).clamp(0.1, 99.9), Unit::Percent);
        format!(" (above it with a probability of {percent})")
    });
    match verdict.decision {
        Decision::Passed => format!("Passed: {measured}, {against}."),
        Decision::Failed => format!("Failed: {measured}, {against}."),
        Decision::NotDecided => {
            format!("Not decided: {measured}, {against}{chance}: {}.", verdict.reasons.join("; "))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_decision_is_said_with_its_figures() {
        let mut of = Verdict {
            decision: Decision::Passed,
            limit: Limit::Used,
            limit_percent: 80.0,
            measured_percent: Some(95.66),
            uncertainty_percent: Some(0.53),
            probability: Some(1.0),
            reasons: Vec::new(),
        };
        let said = verdict(&of);
        assert_eq!(said, "Passed: 95.7 ± 0.5 % of the rating, against 80 % for a used pack.");
        of.decision = Decision::NotDecided;
        of.measured_percent = Some(81.0);
        of.uncertainty_percent = Some(1.2);
        of.probability = Some(0.952);
        of.reasons = vec!["too near".to_owned()];
        assert_eq!(
            verdict(&of),
            "Not decided: 81.0 ± 1.2 % of the rating, against 80 % for a used pack (above it \
             with a probability of 95.2 %): too near."
        );
        of.measured_percent = None;
        of.probability = None;
        of.limit = Limit::Percent(80.0);
        assert_eq!(
            verdict(&of),
            "Not decided: no figure, against its own limit of 80 %: too near."
        );
    }
}
