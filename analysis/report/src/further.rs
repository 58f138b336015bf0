//! What a session shows beside its capacity, from what the methods found.

use ampledger_methods::resistance::{FoundStep, StepRead};
use ampledger_methods::{Analysis, Setting, efficiency, inverter, temperature};
use ampledger_types::Chemistry;
use ampledger_types::further::{
    AtReference, Efficiency, Further, ResistanceRead, ResistanceStep, ShortCircuit, Standby,
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
