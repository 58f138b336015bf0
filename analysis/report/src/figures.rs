//! The figures of a session with their standing. This version judges no
//! evidence and computes no uncertainty, so none is ever proven.

use ampledger_methods::{Analysis, CutoffRule, FoundEnd};
use ampledger_types::Unit;
use ampledger_types::result::{AnomalyKind, EndReason, Figure, Gap, Phase, PhaseKind, Results};

use crate::sentences as say;

/// What figures and their reasons are made from.
pub(crate) struct Basis<'a> {
    pub analysis: &'a Analysis,
    /// The phases as they are reported, in the analysis' order.
    pub phases: &'a [Phase],
    pub cutoff_volt: Option<f64>,
    pub current_accuracy_stated: bool,
    pub voltage_accuracy_stated: bool,
    pub is_open: bool,
    pub clock_rate: f64,
}

const TRAPEZOID: &str = "trapezoid over the recorded times, split where the current changes sign";
const TRAPEZOID_POWER: &str = "trapezoid of voltage times current over the recorded times, split where the current changes \
     sign";

/// All figures of a session.
pub(crate) fn results(basis: &Basis) -> Results {
    let totals = &basis.analysis.totals;
    Results {
        discharging_capacity_ah: basis.sum_ah(totals.discharged_ah, PhaseKind::Discharge),
        discharging_energy_wh: basis.sum_wh(totals.discharged_wh, PhaseKind::Discharge),
        charging_capacity_ah: basis.sum_ah(totals.charged_ah, PhaseKind::Charge),
        charging_energy_wh: basis.sum_wh(totals.charged_wh, PhaseKind::Charge),
        capacity_to_cutoff_ah: basis.capacity_to_cutoff(),
        energy_to_cutoff_wh: basis.energy_to_cutoff(),
        main_discharge_ah: basis.main_ah(),
        main_discharge_wh: basis.main_wh(),
        rest_net_ah: basis.sum_ah(totals.rest_net_ah, PhaseKind::Rest),
    }
}

/// Why there is no figure at all.
type Lacking = Vec<String>;

impl Basis<'_> {
    fn sum_ah(&self, value: f64, kind: PhaseKind) -> Figure {
        let value = self.current_recorded().map(|()| value);
        figure(value, Unit::AmpereHour, TRAPEZOID, || {
            let mut reasons = say::gaps(&self.gaps_of(kind));
            reasons.extend(self.is_open.then(|| say::STILL_OPEN.to_owned()));
            reasons.extend(self.charge_reasons());
            reasons
        })
    }

    fn sum_wh(&self, value: Option<f64>, kind: PhaseKind) -> Figure {
        let value = self.current_recorded().and_then(|()| self.energy(value));
        figure(value, Unit::WattHour, TRAPEZOID_POWER, || {
            let mut reasons = say::gaps(&self.gaps_of(kind));
            reasons.extend(self.is_open.then(|| say::STILL_OPEN.to_owned()));
            reasons.extend(self.energy_reasons());
            reasons
        })
    }

    fn main_ah(&self) -> Figure {
        let value = self.main().map(|main| self.analysis.phases[main].discharged_ah);
        figure(value, Unit::AmpereHour, TRAPEZOID, || self.main_reasons(self.charge_reasons()))
    }

    fn main_wh(&self) -> Figure {
        let value =
            self.main().and_then(|main| self.energy(self.analysis.phases[main].discharged_wh));
        figure(value, Unit::WattHour, TRAPEZOID_POWER, || self.main_reasons(self.energy_reasons()))
    }

    fn capacity_to_cutoff(&self) -> Figure {
        let value = self.cutoff().map(|cutoff| cutoff.discharged_ah);
        let method = self.cutoff_method(TRAPEZOID);
        figure(value, Unit::AmpereHour, &method, || self.cutoff_reasons(self.charge_reasons()))
    }

    fn energy_to_cutoff(&self) -> Figure {
        let value = self.cutoff().and_then(|cutoff| self.energy(cutoff.discharged_wh));
        let method = self.cutoff_method(TRAPEZOID_POWER);
        figure(value, Unit::WattHour, &method, || self.cutoff_reasons(self.energy_reasons()))
    }

    fn current_recorded(&self) -> Result<(), Lacking> {
        if self.analysis.rows == 0 {
            return Err(vec![say::NOTHING_RECORDED.to_owned()]);
        }
        match self.analysis.has_current {
            true => Ok(()),
            false if self.is_odd(AnomalyKind::CurrentImplausible) => {
                Err(vec![say::CURRENT_NOT_BELIEVED.to_owned()])
            }
            false => Err(vec![say::NO_CURRENT.to_owned()]),
        }
    }

    fn energy(&self, value: Option<f64>) -> Result<f64, Lacking> {
        let why = if self.analysis.has_voltage { say::VOLTAGE_LACKING } else { say::NO_VOLTAGE };
        value.ok_or_else(|| vec![why.to_owned()])
    }

    /// Place of the main discharge, in the phases of both kinds.
    fn main(&self) -> Result<usize, Lacking> {
        self.current_recorded()?;
        let known = self.phases.len().min(self.analysis.phases.len());
        let main = self.analysis.main_discharge.filter(|main| *main < known);
        main.ok_or_else(|| vec![say::NO_DISCHARGE.to_owned()])
    }

    fn cutoff(&self) -> Result<ampledger_methods::Cutoff, Lacking> {
        let main = self.main()?;
        let end = self.analysis.phases[main].end.as_ref();
        if let (Some(cutoff), Some(_)) = (end.and_then(|end| end.cutoff), self.cutoff_volt) {
            return Ok(cutoff);
        }
        Err(self.cutoff_lacking(&self.phases[main], end))
    }

    /// The end says more than the method can where it did not come to the
    /// cut-off; where it did, the method knows what went wrong.
    fn cutoff_lacking(&self, main: &Phase, end: Option<&FoundEnd>) -> Lacking {
        let Some(volt) = self.cutoff_volt else {
            return vec![say::NO_CUTOFF.to_owned()];
        };
        if !self.analysis.has_voltage {
            return vec![say::NO_VOLTAGE.to_owned()];
        }
        let by_end = say::cutoff_not_reached(main, volt);
        let by_method = end.and_then(|end| end.cutoff_unknown_because.clone());
        by_end.or(by_method).into_iter().collect()
    }

    fn cutoff_method(&self, integral: &str) -> String {
        let main = self.analysis.main_discharge.and_then(|i| self.analysis.phases.get(i));
        let cutoff = main.and_then(|main| main.end.as_ref()?.cutoff);
        match cutoff.map(|cutoff| cutoff.rule) {
            Some(CutoffRule::Interpolated) => {
                format!("{integral}; cut-off where the line between two readings crosses it, held")
            }
            Some(CutoffRule::FirstBelow) => {
                format!("{integral}; cut-off at the first reading at or below it")
            }
            Some(CutoffRule::LastAbove) => {
                format!("{integral}; cut-off at the last reading above it")
            }
            None => integral.to_owned(),
        }
    }

    fn main_reasons(&self, common: Vec<String>) -> Vec<String> {
        let Ok(main) = self.main() else { return common };
        let phase = &self.phases[main];
        let mut reasons = vec![say::FULL_NOT_JUDGED.to_owned()];
        if phase.end_reason == Some(EndReason::Running) {
            reasons.push(say::STILL_RUNNING.to_owned());
        }
        if phase.trip_means_empty == Some(false) {
            reasons.push(say::CAUSE_UNKNOWN.to_owned());
        }
        let hidden = self.analysis.phases[main].end.as_ref().and_then(|end| end.hidden_ah);
        reasons.extend(hidden.map(say::dark_end_hides));
        reasons.extend(say::gaps(&phase.gaps));
        if !phase.interruptions.is_empty() {
            reasons.push(say::interrupted(phase.interruptions.len()));
        }
        reasons.extend(common);
        reasons
    }

    fn cutoff_reasons(&self, common: Vec<String>) -> Vec<String> {
        let (Ok(main), Ok(cutoff)) = (self.main(), self.cutoff()) else { return common };
        let before = |second: f64| second * 1e6 < cutoff.t_us as f64;
        let phase = &self.phases[main];
        let gaps = phase.gaps.iter().filter(|g| before(g.start.test_time_second));
        let gaps: Vec<Gap> = gaps.copied().collect();
        let rests = phase.interruptions.iter().filter(|s| before(s.start.test_time_second));
        let rests = rests.count();
        let mut reasons = vec![say::FULL_NOT_JUDGED.to_owned()];
        reasons.extend(say::gaps(&gaps));
        reasons.extend((rests > 0).then(|| say::interrupted(rests)));
        reasons.extend(common);
        reasons
    }

    fn charge_reasons(&self) -> Vec<String> {
        let mut reasons = Vec::new();
        for (kind, why) in [
            (AnomalyKind::GapLengthUnknown, say::LENGTH_UNKNOWN),
            (AnomalyKind::CurrentClipped, say::CURRENT_CLIPPED),
            (AnomalyKind::CurrentImplausible, say::CURRENTS_LEFT_OUT),
        ] {
            reasons.extend(self.is_odd(kind).then(|| why.to_owned()));
        }
        reasons.push(match self.current_accuracy_stated {
            true => say::UNCERTAINTY_NOT_COMPUTED.to_owned(),
            false => say::accuracy_not_stated("current"),
        });
        reasons.extend((self.clock_rate != 1.0).then(|| say::clock_rate(self.clock_rate)));
        reasons
    }

    fn is_odd(&self, kind: AnomalyKind) -> bool {
        self.analysis.anomalies.iter().any(|a| a.kind == kind)
    }

    fn energy_reasons(&self) -> Vec<String> {
        let mut reasons = self.charge_reasons();
        if !self.voltage_accuracy_stated {
            reasons.push(say::accuracy_not_stated("voltage"));
        }
        reasons
    }

    fn gaps_of(&self, kind: PhaseKind) -> Vec<Gap> {
        let of_kind = self.phases.iter().filter(|p| p.kind == kind);
        of_kind.flat_map(|p| p.gaps.iter().copied()).collect()
    }
}

fn figure(
    value: Result<f64, Lacking>,
    unit: Unit,
    method: &str,
    reasons: impl FnOnce() -> Vec<String>,
) -> Figure {
    match value {
        Ok(value) => Figure::provisional(value, unit, method, reasons()),
        Err(lacking) => Figure::undetermined(unit, method, lacking),
    }
}
