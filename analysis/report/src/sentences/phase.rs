//! One phase, or one gap in it, in a line.

use ampledger_types::Unit;
use ampledger_types::result::{Gap, Phase, PhaseKind};

use crate::{dates, numbers};

/// A phase in a line: `Discharged 57.4 Ah, 1457 Wh in 4 h 44 min at −12.1 A
/// mean, 26.4 V to 20.0 V.`
pub fn phase(phase: &Phase) -> String {
    let lasted = dates::duration(phase.end.test_time_second - phase.start.test_time_second);
    let mut words = match phase.kind {
        PhaseKind::Rest => format!("Rested {lasted}"),
        PhaseKind::Discharge => format!("Discharged {} in {lasted}", amount(phase)),
        PhaseKind::Charge => format!("Charged {} in {lasted}", amount(phase)),
    };
    if let (true, Some(mean)) = (phase.kind != PhaseKind::Rest, phase.mean_current_ampere) {
        words += &format!(" at {} mean", numbers::value(mean, Unit::Ampere));
    }
    if let (Some(first), Some(last)) = (phase.first_voltage_volt, phase.last_voltage_volt) {
        let volt = |v| numbers::value(v, Unit::Volt);
        words += &format!(", {} to {}", volt(first), volt(last));
    }
    words + "."
}

/// What a stretch was, in a word for a table.
pub fn phase_kind(kind: PhaseKind) -> &'static str {
    match kind {
        PhaseKind::Rest => "rest",
        PhaseKind::Discharge => "discharge",
        PhaseKind::Charge => "charge",
    }
}

/// A gap in a line, without a full stop, as a reason or an alarm: `a gap of
/// 95 s was bridged by a straight line (0.32 Ah, at most 0.40 Ah)`.
pub fn gap(gap: &Gap) -> String {
    let length = dates::duration(gap.end.test_time_second - gap.start.test_time_second);
    let ah = |v| numbers::value(v, Unit::AmpereHour);
    let most = ah(gap.highest_ah);
    match gap.estimated_ah {
        Some(estimate) => {
            let estimate = ah(estimate.abs());
            format!("a gap of {length} was bridged by a straight line ({estimate}, at most {most})")
        }
        None => format!("a gap of {length} was not counted (it can hide up to {most})"),
    }
}

/// Charge and energy of one phase as magnitudes: `57.4 Ah, 1457 Wh`.
pub(super) fn amount(phase: &Phase) -> String {
    amounts(phase.charge_ah, phase.energy_wh)
}

pub(super) fn amounts(charge_ah: Option<f64>, energy_wh: Option<f64>) -> String {
    match (charge_ah, energy_wh) {
        (Some(ah), Some(wh)) => format!(
            "{}, {}",
            numbers::value(ah.abs(), Unit::AmpereHour),
            numbers::value(wh.abs(), Unit::WattHour)
        ),
        (Some(ah), None) => numbers::value(ah.abs(), Unit::AmpereHour),
        (None, _) => "an unknown charge".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sentences::samples;

    #[test]
    fn each_kind_has_its_line() {
        assert_eq!(
            phase(&samples::discharge()),
            "Discharged 57.4 Ah, 1457 Wh in 4 h 44 min at −12.1 A mean, 26.4 V to 20.0 V."
        );
        assert_eq!(
            phase(&samples::charge()),
            "Charged 58.0 Ah, 1532 Wh in 4 h 50 min at 12.0 A mean, 25.1 V to 29.2 V."
        );
        assert_eq!(phase(&samples::rest()), "Rested 1 h 1 min, 26.8 V to 26.6 V.");
    }

    #[test]
    fn without_a_voltage_no_energy_is_named() {
        let mut discharge = samples::discharge();
        discharge.energy_wh = None;
        discharge.first_voltage_volt = None;
        assert_eq!(phase(&discharge), "Discharged 57.4 Ah in 4 h 44 min at −12.1 A mean.");
    }

    #[test]
    fn a_gap_says_what_was_counted_and_what_it_can_hide() {
        let mut g = Gap {
            start: samples::moment(100.0),
            end: samples::moment(195.0),
            estimated_ah: Some(-0.3194),
            highest_ah: 0.401,
        };
        assert_eq!(
            gap(&g),
            "a gap of 95 s was bridged by a straight line (0.319 Ah, at most 0.401 Ah)"
        );
        g.end = samples::moment(7_300.0);
        g.estimated_ah = None;
        g.highest_ah = 24.2;
        assert_eq!(gap(&g), "a gap of 2 h was not counted (it can hide up to 24.2 Ah)");
    }
}
