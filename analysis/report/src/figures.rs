//! The figures of a session with their standing: values as the methods found
//! them, judged by the methods, in the words that people read.

use std::collections::BTreeSet;

use ampledger_methods::evidence::{Finding as Found, Standing as Held};
use ampledger_methods::grounds::grounds;
use ampledger_methods::standing::{DoubtKind, Judged, Of, judge, judge_sum};
use ampledger_methods::{Analysis, Cutoff, CutoffRule, FoundEnd, Setting};
use ampledger_types::Unit;
use ampledger_types::result::{
    AnomalyKind, Budget, Figure, Finding, Gap, Phase, PhaseKind, Results, Standing, Term,
};

use crate::sentences as say;
use crate::timeline::Timeline;
use crate::zeroing::Corrected;

/// What figures and their reasons are made from.
pub(crate) struct Basis<'a> {
    pub analysis: &'a Analysis,
    /// The phases as they are reported, in the analysis' order.
    pub phases: &'a [Phase],
    /// With the accuracy of the channels that gave the readings.
    pub setting: Setting,
    /// What zeros and calibrations mean for them.
    pub corrected: Corrected,
    pub timeline: &'a Timeline,
    /// What is not said of the meter.
    pub not_described: Vec<String>,
    pub is_open: bool,
    pub clock_rate: f64,
}

const TRAPEZOID: &str = "trapezoid over the recorded times, split where the current changes sign";
const PRODUCT_OF_LINES: &str = "integral of the product of two straight lines, voltage and current, between the \
     recorded times, split where the current changes sign";
/// On what all of them rest; `docs/methods.md` has it formula by formula.
const SOURCE: &str = "integral: textbook calculus; uncertainty: JCGM 100:2008; rules of gaps, \
                      phases, start and end: common practice, no source";

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
        self.sum(value, Unit::AmpereHour, kind)
    }

    fn sum_wh(&self, value: Option<f64>, kind: PhaseKind) -> Figure {
        let value = self.current_recorded().and_then(|()| self.energy(value));
        self.sum(value, Unit::WattHour, kind)
    }

    fn sum(&self, value: Result<f64, Lacking>, unit: Unit, kind: PhaseKind) -> Figure {
        let is_energy = unit == Unit::WattHour;
        let method = if is_energy { PRODUCT_OF_LINES } else { TRAPEZOID };
        let value = match value {
            Ok(value) => value,
            Err(lacking) => return undetermined(unit, method, lacking),
        };
        let mut judged = judge_sum(self.analysis, kind, is_energy, &self.setting);
        self.doubt_more(&mut judged);
        if self.is_open {
            judged.doubt(DoubtKind::End, say::STILL_OPEN);
        }
        let of_kind = self.phases.iter().filter(|p| p.kind == kind);
        let gaps: Vec<Gap> = of_kind.flat_map(|p| p.gaps.iter().copied()).collect();
        self.figure(value, unit, method, (judged, &gaps))
    }

    fn main_ah(&self) -> Figure {
        let value = self.main().map(|main| self.analysis.phases[main].discharged_ah);
        self.of_main(value, Unit::AmpereHour, Of::Charge)
    }

    fn main_wh(&self) -> Figure {
        let value =
            self.main().and_then(|main| self.energy(self.analysis.phases[main].discharged_wh));
        self.of_main(value, Unit::WattHour, Of::Energy)
    }

    fn capacity_to_cutoff(&self) -> Figure {
        let value = self.cutoff().map(|cutoff| cutoff.discharged_ah);
        self.of_main(value, Unit::AmpereHour, Of::ChargeToCutoff)
    }

    fn energy_to_cutoff(&self) -> Figure {
        let value = self.cutoff().and_then(|cutoff| self.energy(cutoff.discharged_wh));
        self.of_main(value, Unit::WattHour, Of::EnergyToCutoff)
    }

    fn of_main(&self, value: Result<f64, Lacking>, unit: Unit, of: Of) -> Figure {
        let method = self.method(of);
        let value = match value {
            Ok(value) => value,
            Err(lacking) => return undetermined(unit, &method, lacking),
        };
        let mut judged = judge(self.analysis, of, &self.setting);
        self.doubt_more(&mut judged);
        let evidence = grounds(self.analysis, &judged, of, &self.setting);
        let gaps = self.gaps_of_main(of);
        let figure = self.figure(value, unit, &method, (judged, &gaps));
        let evidence = evidence.iter().map(|found| self.finding(&self.zeroed(found))).collect();
        Figure { evidence, ..figure }
    }

    /// What the methods do not see.
    fn doubt_more(&self, judged: &mut Judged) {
        for (kind, text) in &self.corrected.doubts {
            judged.doubt(*kind, text.as_str());
        }
        self.not_described.iter().for_each(|text| judged.doubt(DoubtKind::Wiring, text));
        if self.clock_rate != 1.0 {
            judged.doubt(DoubtKind::Readings, say::clock_rate(self.clock_rate));
        }
    }

    /// A figure with its uncertainty and its standing.
    fn figure(&self, value: f64, unit: Unit, method: &str, known: (Judged, &[Gap])) -> Figure {
        let (judged, gaps) = known;
        let known = |u: &f64| u.is_finite();
        let budget = judged.budget.as_ref();
        Figure {
            expanded_uncertainty: budget.and_then(|b| b.expanded).filter(known),
            uncertainty_lacking: budget.map(|b| b.lacking.clone()).unwrap_or_default(),
            budget: budget.filter(|b| b.standard.is_finite()).map(told),
            status: judged.status,
            method_source: SOURCE.to_owned(),
            ..Figure::provisional(value, unit, method, reasons(&judged, gaps))
        }
    }

    /// The offset's finding with what was taken off.
    fn zeroed(&self, found: &Found) -> Found {
        let says = self.corrected.offset_says.clone();
        match says.filter(|_| found.rule == "offset" && found.standing == Held::Met) {
            Some(says) => Found { says, value: self.corrected.offset_ampere, ..found.clone() },
            None => found.clone(),
        }
    }

    fn finding(&self, found: &Found) -> Finding {
        let known = |x: Option<f64>| x.filter(|x| x.is_finite());
        Finding {
            rule: found.rule.to_owned(),
            standing: match found.standing {
                Held::Met => Standing::Met,
                Held::Missed => Standing::Missed,
                Held::NotKnown => Standing::NotKnown,
            },
            moment: found.t_us.map(|us| self.timeline.moment(us)),
            value: known(found.value),
            limit: known(found.limit),
            unit: found.unit.to_owned(),
            says: found.says.clone(),
        }
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

    fn cutoff(&self) -> Result<Cutoff, Lacking> {
        let main = self.main()?;
        let end = self.analysis.phases[main].end.as_ref();
        let cutoff = end.and_then(|end| end.cutoff);
        if let (Some(cutoff), Some(_)) = (cutoff, self.setting.cutoff_voltage_volt) {
            return Ok(cutoff);
        }
        Err(self.cutoff_lacking(&self.phases[main], end))
    }

    /// The end says more than the method can where it did not come to the
    /// cut-off; where it did, the method knows what went wrong.
    fn cutoff_lacking(&self, main: &Phase, end: Option<&FoundEnd>) -> Lacking {
        let Some(volt) = self.setting.cutoff_voltage_volt else {
            return vec![say::NO_CUTOFF.to_owned()];
        };
        if !self.analysis.has_voltage {
            return vec![say::NO_VOLTAGE.to_owned()];
        }
        let by_end = say::cutoff_not_reached(main, volt);
        let by_method = end.and_then(|end| end.cutoff_unknown_because.clone());
        by_end.or(by_method).into_iter().collect()
    }

    fn method(&self, of: Of) -> String {
        let integral = match of {
            Of::Charge | Of::ChargeToCutoff => TRAPEZOID,
            Of::Energy | Of::EnergyToCutoff => PRODUCT_OF_LINES,
        };
        if matches!(of, Of::Charge | Of::Energy) {
            return integral.to_owned();
        }
        match self.cutoff().map(|cutoff| cutoff.rule) {
            Ok(CutoffRule::Interpolated) => {
                format!("{integral}; cut-off where the line between two readings crosses it, held")
            }
            Ok(CutoffRule::FirstBelow) => {
                format!("{integral}; cut-off at the first reading at or below it")
            }
            Ok(CutoffRule::LastAbove) => {
                format!("{integral}; cut-off at the last reading above it")
            }
            Err(_) => integral.to_owned(),
        }
    }

    /// The gaps of the main discharge, up to its cut-off where that is meant.
    fn gaps_of_main(&self, of: Of) -> Vec<Gap> {
        let Ok(main) = self.main() else { return Vec::new() };
        let until_us = match of {
            Of::Charge | Of::Energy => None,
            Of::ChargeToCutoff | Of::EnergyToCutoff => self.cutoff().ok().map(|cutoff| cutoff.t_us),
        };
        let before =
            |gap: &&Gap| until_us.is_none_or(|us| gap.start.test_time_second * 1e6 < us as f64);
        self.phases[main].gaps.iter().filter(before).copied().collect()
    }

    fn is_odd(&self, kind: AnomalyKind) -> bool {
        self.analysis.anomalies.iter().any(|a| a.kind == kind)
    }
}

/// The doubts in the words of the report, each once: all that is open about the
/// start is one reason, and so are the gaps.
fn reasons(judged: &Judged, gaps: &[Gap]) -> Vec<String> {
    let mut reasons: Vec<String> = Vec::new();
    let open = judged.doubts.iter().filter(|doubt| doubt.kind == DoubtKind::Full);
    let open: Vec<&str> = open.map(|doubt| doubt.text.as_str()).collect();
    let not_full = say::not_full(&open);
    let mut named = say::gaps(gaps);
    for doubt in &judged.doubts {
        match doubt.kind {
            DoubtKind::Full => reasons.push(not_full.clone()),
            DoubtKind::Gaps if !gaps.is_empty() => reasons.append(&mut named),
            DoubtKind::Break => reasons.push(say::LENGTH_UNKNOWN.to_owned()),
            _ => reasons.push(doubt.text.clone()),
        }
    }
    let mut seen = BTreeSet::new();
    reasons.retain(|reason| seen.insert(reason.clone()));
    reasons
}

fn undetermined(unit: Unit, method: &str, lacking: Lacking) -> Figure {
    let method_source = SOURCE.to_owned();
    Figure { method_source, ..Figure::undetermined(unit, method, lacking) }
}

fn told(budget: &ampledger_methods::budget::Budget) -> Budget {
    let term = |term: &ampledger_methods::budget::Term| Term {
        name: term.name.to_owned(),
        half_width: term.half_width,
        shape: term.shape.name().to_owned(),
        standard: term.standard,
        says: term.says.clone(),
    };
    Budget {
        terms: budget.terms.iter().filter(|t| t.standard.is_finite()).map(term).collect(),
        standard: budget.standard,
        degrees_of_freedom: budget.degrees,
        coverage: budget.coverage,
    }
}
