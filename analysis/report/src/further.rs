//! What a session shows beside its capacity, from what the methods found.

use ampledger_methods::incremental::{Curve, Place};
use ampledger_methods::inverter::Inverter;
use ampledger_methods::resistance::{FoundStep, StepRead};
use ampledger_methods::{Analysis, Setting, efficiency, inverter, temperature};
use ampledger_types::Chemistry;
use ampledger_types::further::{
    AtReference, CurvePeak, Efficiency, Further, Incremental, InverterLoss, ResistanceRead,
    ResistanceStep, ShortCircuit, Standby,
};
use ampledger_types::result::{Probe, Warmth};

use crate::timeline::Timeline;

/// All of it, where the data allow.
pub(crate) fn further(
    analysis: &Analysis,
    setting: &Setting,
    timeline: &Timeline,
    temperatures: &[Warmth],
) -> Further {
    let finite = |x: f64| x.is_finite();
    let steps = analysis.steps.iter().map(|found| step(found, timeline));
    Further {
        resistance_steps: steps.filter(|step| !step.read.is_empty()).collect(),
        short_circuit: short_circuit(&analysis.steps),
        efficiency: efficiency::of_session(analysis, setting)
            .filter(|found| finite(found.coulombic))
            .map(|found| Efficiency {
                coulombic: found.coulombic,
                coulombic_expanded: found.coulombic_expanded.filter(|x| finite(*x)),
                energy: found.energy.filter(|x| finite(*x)),
                energy_expanded: found.energy_expanded.filter(|x| finite(*x)),
                doubts: found.doubts,
            }),
        standby: inverter::standby_of(&analysis.phases, setting).map(|draw| Standby {
            ampere: draw.ampere,
            watt: draw.watt,
            hour: draw.hour,
            ah: draw.ah,
            wh: draw.wh,
        }),
        at_reference: at_reference(analysis, setting, temperatures),
        inverter: analysis.inverter.as_ref().and_then(|found| inverter_loss(found, setting)),
        incremental: analysis.curve.as_ref().and_then(|curve| incremental(curve, setting)),
        ..Further::default()
    }
}

fn step(found: &FoundStep, timeline: &Timeline) -> ResistanceStep {
    let read = |read: &StepRead| ResistanceRead {
        delay_second: read.delay_second,
        interval_second: read.interval_second,
        ohm: read.ohm,
        expanded_ohm: read.standard_ohm.map(|u| 2.0 * u).filter(|u| u.is_finite()),
    };
    ResistanceStep {
        moment: timeline.moment(found.t_us),
        from_ampere: found.from_ampere,
        to_ampere: found.to_ampere,
        read: found.read.iter().filter(|r| r.ohm.is_finite()).map(read).collect(),
        lacking: found.lacking.clone(),
    }
}

/// Of the steps read at the shortest delay the one that says least.
fn short_circuit(steps: &[FoundStep]) -> Option<ShortCircuit> {
    let found = || steps.iter().filter_map(FoundStep::short_circuit);
    let shortest = found().filter_map(|s| s.delay_second).reduce(f64::min)?;
    let least = found()
        .filter(|s| s.delay_second == Some(shortest) && s.at_least_ampere.is_finite())
        .min_by(|a, b| a.at_least_ampere.total_cmp(&b.at_least_ampere))?;
    Some(ShortCircuit {
        at_least_ampere: least.at_least_ampere,
        delay_second: least.delay_second,
        caution: least.caution.to_owned(),
    })
}

fn inverter_loss(found: &Inverter, setting: &Setting) -> Option<InverterLoss> {
    let expanded = found.expanded(setting).filter(|(idle, slope)| (idle + slope).is_finite());
    let mut doubts = found.doubts.clone();
    if expanded.is_none() {
        doubts.push("the accuracy of one of the two meters is not stated".to_owned());
    }
    let [_, mean_watt, _] = found.given_watt;
    let loss = InverterLoss {
        idle_watt: found.idle_watt,
        idle_expanded_watt: expanded.map(|(idle, _)| idle),
        slope: found.slope,
        slope_expanded: expanded.map(|(_, slope)| slope),
        pairs: found.points,
        given_watt: found.given_watt,
        efficiency: found.efficiency(mean_watt),
        doubts,
    };
    (loss.idle_watt + loss.slope + loss.efficiency).is_finite().then_some(loss)
}

/// A curve without a peak is not worth a line.
fn incremental(curve: &Curve, setting: &Setting) -> Option<Incremental> {
    let peak = |place: &Place| CurvePeak {
        volt: place.volt,
        expanded_volt: curve.expanded_volt(place.volt, setting),
        ah_per_volt: place.ah_per_volt,
    };
    let peaks: Vec<CurvePeak> = curve.peaks.iter().map(peak).collect();
    (!peaks.is_empty()).then(|| Incremental {
        step_volt: curve.step_volt,
        peaks,
        curve: curve.smooth.iter().map(|place| [place.volt, place.ah_per_volt]).collect(),
        doubts: curve.doubts.clone(),
    })
}

fn at_reference(
    analysis: &Analysis,
    setting: &Setting,
    temperatures: &[Warmth],
) -> Option<AtReference> {
    if setting.chemistry != Some(Chemistry::LeadAcid) {
        return None;
    }
    let main = analysis.phases.get(analysis.main_discharge?)?;
    let on_pack = temperatures.iter().find(|warmth| warmth.probe == Probe::Pack);
    let cutoff = main.end.as_ref().and_then(|end| end.cutoff);
    let capacity_ah = cutoff.map_or(main.discharged_ah, |cutoff| cutoff.discharged_ah);
    let corrected = temperature::correct(
        capacity_ah,
        main.exposure.hour,
        on_pack.and_then(|warmth| warmth.begin_celsius),
        setting.chemistry,
        &setting.rules,
    );
    Some(AtReference {
        capacity_ah: corrected.capacity_ah,
        reference_celsius: corrected.reference_celsius,
        says: corrected.says,
    })
}
