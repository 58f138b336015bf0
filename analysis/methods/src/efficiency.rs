//! Coulombic and energy efficiency over a closed cycle: out over in, from full
//! to full. The gain of the current cancels, its offset does not.

use ampledger_types::result::PhaseKind;
use serde::Serialize;

use crate::findings::{Analysis, FoundPhase};
use crate::rules::{Rules, Setting};
use crate::uncertainty::{COVERAGE, Shape, combined};

/// One half of a cycle, magnitudes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Half {
    /// Charge, Ah.
    pub ah: f64,
    /// Energy, Wh; `None` where a voltage was lacking.
    pub wh: Option<f64>,
    /// For how long, h.
    pub hour: f64,
}

/// How a charge stood when it ended.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ChargeEnd {
    /// Voltage, V.
    pub volt: f64,
    /// Current, A.
    pub ampere: f64,
}

/// Shares with their expanded uncertainties, k = 2.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Efficiency {
    /// Charge out over charge in.
    pub coulombic: f64,
    /// Its expanded uncertainty; `None` where the offset is not known.
    pub coulombic_expanded: Option<f64>,
    /// Energy out over energy in.
    pub energy: Option<f64>,
    /// Its expanded uncertainty; `None` where the offset is not known.
    pub energy_expanded: Option<f64>,
    /// What the offset alone can do to the coulombic one, as a share.
    pub offset_share: Option<f64>,
    /// What keeps it from being proven, in plain words.
    pub doubts: Vec<String>,
}

/// The efficiency of a cycle. `ends`: how the charge before the discharge and
/// the one after it ended, where that was seen.
pub fn cycle(
    discharge: &Half,
    charge: &Half,
    ends: Option<(ChargeEnd, ChargeEnd)>,
    setting: &Setting,
) -> Option<Efficiency> {
    let coulombic = discharge.ah / charge.ah;
    if !(charge.ah > 0.0 && coulombic.is_finite()) {
        return None;
    }
    let rules = &setting.rules;
    let mut doubts = alike(ends, rules);
    let offset = offset_limit(setting);
    // Out is too small by what in is too large: both times count.
    let share = |ampere: f64| {
        let (out, inn) = (discharge.hour / discharge.ah, charge.hour / charge.ah);
        ampere * (out + inn)
    };
    let offset_share = offset.map(share);
    match offset_share {
        None => doubts.push("the current's offset is not known".to_owned()),
        Some(share) if share * 100.0 > rules.efficiency_offset_percent => doubts.push(format!(
            "the offset alone can be {:.2} %: the last percent is not claimed",
            share * 100.0
        )),
        Some(_) => {}
    }
    if coulombic > 1.0 + offset_share.unwrap_or(0.0) {
        doubts.push("more came out than went in: the two ends differ".to_owned());
    }
    let energy = discharge.wh.zip(charge.wh).map(|(out, inn)| out / inn);
    let expanded = |value: f64, offset: f64| COVERAGE * value * Shape::Rectangular.standard(offset);
    Some(Efficiency {
        coulombic,
        coulombic_expanded: offset_share.map(|share| expanded(coulombic, share)),
        energy,
        energy_expanded: energy.zip(offset_share).map(|(e, share)| expanded(e, share)),
        offset_share,
        doubts,
    })
}

/// The efficiency of the cycle in a session: the main discharge with all that
/// followed it, from the charge before it to the one after. `None` where there
/// is no charge after it.
pub fn of_session(analysis: &Analysis, setting: &Setting) -> Option<Efficiency> {
    let main = analysis.main_discharge?;
    let since = analysis.phases.get(main..)?;
    let discharge = half(since, PhaseKind::Discharge)?;
    let charge = half(since, PhaseKind::Charge)?;
    let first = since.first()?.full.as_ref().and_then(|full| full.charge_end);
    let last = analysis.full_now.charge_end;
    let is_new = analysis.full_now.charge_end_us.is_some_and(|end| end > since[0].start_us);
    let ends = first.zip(last).filter(|_| is_new);
    cycle(&discharge, &charge, ends, setting)
}

/// What all phases of a kind came to together; `None` where there are none.
fn half(phases: &[FoundPhase], kind: PhaseKind) -> Option<Half> {
    let mut sum = Half { ah: 0.0, wh: Some(0.0), hour: 0.0 };
    for phase in phases.iter().filter(|p| p.kind == kind) {
        sum.ah += phase.exposure.charge_ah;
        sum.wh = sum.wh.zip(phase.exposure.energy_wh).map(|(a, b)| a + b);
        sum.hour += phase.exposure.hour;
    }
    (sum.ah > 0.0).then_some(sum)
}

/// How far the offset may be off, A.
fn offset_limit(setting: &Setting) -> Option<f64> {
    match setting.zero_left {
        Some(left) => {
            let moved = left.half_difference_ampere.unwrap_or(0.0);
            Some(combined([left.standard_ampere * 3.0_f64.sqrt(), moved]))
        }
        None => setting.current_offset,
    }
}

fn alike(ends: Option<(ChargeEnd, ChargeEnd)>, rules: &Rules) -> Vec<String> {
    let Some((first, last)) = ends else {
        return vec!["the cycle does not begin and end with a charge that was seen".to_owned()];
    };
    let mut doubts = Vec::new();
    let volt_share = (last.volt - first.volt).abs() / first.volt.abs();
    if volt_share * 100.0 > rules.efficiency_voltage_percent {
        doubts.push(format!(
            "the charges ended at {:.2} V and {:.2} V: the ends are not alike",
            first.volt, last.volt
        ));
    }
    let ampere_share = (last.ampere - first.ampere).abs() / first.ampere.abs();
    if ampere_share * 100.0 > rules.efficiency_current_percent {
        doubts.push(format!(
            "the charges ended at {:.2} A and {:.2} A: the ends are not alike",
            first.ampere, last.ampere
        ));
    }
    doubts
}

/// What an efficiency would be if a resistance were all that is lost, at the
/// same current both ways: `(U − R·I)/(U + R·I)`.
pub fn with_only_a_resistance(open_volt: f64, ohm: f64, ampere: f64) -> f64 {
    (open_volt - ohm * ampere) / (open_volt + ohm * ampere)
}
