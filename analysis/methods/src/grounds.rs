//! What a capacity rests on, finding by finding: the full start, the meter, the
//! silences, the readings, the end. Judged already; put in words here.

use ampledger_types::result::EndReason;

use crate::evidence::{Finding, Standing, met};
use crate::findings::{Analysis, FoundPhase};
use crate::rules::Setting;
use crate::standing::{DoubtKind, Judged, Of};

/// Every finding under a figure of the main discharge; none without one.
pub fn grounds(analysis: &Analysis, judged: &Judged, of: Of, setting: &Setting) -> Vec<Finding> {
    let main = analysis.main_discharge.and_then(|main| analysis.phases.get(main));
    let Some(main) = main else { return Vec::new() };
    let full = main.full.iter().flat_map(|full| full.findings.iter().cloned());
    full.chain([
        accuracy(judged, setting),
        offset(judged, setting),
        silences(main, judged, setting),
        readings(main, judged),
        wiring(judged),
        averaging(main, judged, setting),
        end(main, judged, of),
    ])
    .collect()
}

/// The texts of the doubts of a kind, or that there is none.
fn doubted(judged: &Judged, kinds: &[DoubtKind], otherwise: impl FnOnce() -> String) -> String {
    let texts = judged.doubts.iter().filter(|doubt| kinds.contains(&doubt.kind));
    let texts: Vec<&str> = texts.map(|doubt| doubt.text.as_str()).collect();
    if texts.is_empty() { otherwise() } else { texts.join("; ") }
}

fn accuracy(judged: &Judged, setting: &Setting) -> Finding {
    let says = doubted(judged, &[DoubtKind::Accuracy], || {
        let gain = setting.current_gain_percent.unwrap_or_default();
        format!("current within {gain} % of the reading")
    });
    Finding::new("accuracy", met(judged.is_sure_of(DoubtKind::Accuracy)), says)
}

fn offset(judged: &Judged, setting: &Setting) -> Finding {
    const RULE: &str = "offset";
    match (setting.zero_left, setting.current_offset) {
        (Some(left), _) => {
            let says = format!("offset zeroed ({:+.3} A)", left.offset_ampere);
            let standing = met(judged.is_sure_of(DoubtKind::Offset));
            let says = doubted(judged, &[DoubtKind::Offset], || says);
            Finding {
                value: Some(left.offset_ampere),
                unit: "A",
                ..Finding::new(RULE, standing, says)
            }
        }
        (None, Some(ampere)) => {
            let standing = met(judged.is_sure_of(DoubtKind::Offset));
            let says = doubted(judged, &[DoubtKind::Offset], || {
                format!("offset within {ampere} A as stated")
            });
            Finding { value: Some(ampere), unit: "A", ..Finding::new(RULE, standing, says) }
        }
        (None, None) => {
            let says = "the current's offset is neither stated nor measured";
            Finding::new(RULE, Standing::NotKnown, says.to_owned())
        }
    }
}

fn silences(main: &FoundPhase, judged: &Judged, setting: &Setting) -> Finding {
    let rules = &setting.rules;
    let longest = main.longest_interval_second;
    let kinds = [DoubtKind::Gaps, DoubtKind::Break];
    let is_met = kinds.iter().all(|kind| judged.is_sure_of(*kind));
    let says = doubted(judged, &kinds, || {
        format!("no gap longer than {:.0} s", longest.max(rules.gap_floor_second).ceil())
    });
    Finding::new("gaps", met(is_met), says).valued(longest, rules.proven_gap_second, "s")
}

fn readings(main: &FoundPhase, judged: &Judged) -> Finding {
    let says = doubted(judged, &[DoubtKind::Readings], || match main.interruptions.len() {
        0 => "no reading that cannot be right".to_owned(),
        1 => "no reading that cannot be right; interrupted once by a short rest".to_owned(),
        n => format!("no reading that cannot be right; interrupted {n} times by a short rest"),
    });
    Finding::new("readings", met(judged.is_sure_of(DoubtKind::Readings)), says)
}

fn wiring(judged: &Judged) -> Finding {
    let says = doubted(judged, &[DoubtKind::Wiring], || {
        "voltage, sign and power fit the pack as far as they were seen".to_owned()
    });
    Finding::new("wiring", met(judged.is_sure_of(DoubtKind::Wiring)), says)
}

fn averaging(main: &FoundPhase, judged: &Judged, setting: &Setting) -> Finding {
    const RULE: &str = "averaging";
    let says = doubted(judged, &[DoubtKind::Averaging], || match setting.reading_is_average {
        Some(true) => "its readings are averages".to_owned(),
        _ => "the current is steady from reading to reading".to_owned(),
    });
    let finding = Finding::new(RULE, met(judged.is_sure_of(DoubtKind::Averaging)), says);
    match main.ripple {
        Some(share) => finding.valued(share * 100.0, setting.rules.proven_ripple_percent, "%"),
        None => finding,
    }
}

fn end(main: &FoundPhase, judged: &Judged, of: Of) -> Finding {
    let end = main.end.as_ref();
    let reason = end.map(|end| end.reason);
    let cutoff_us = end.and_then(|end| end.cutoff).map(|cutoff| cutoff.t_us);
    let is_to_cutoff = matches!(of, Of::ChargeToCutoff | Of::EnergyToCutoff);
    let says = doubted(judged, &[DoubtKind::End], || match reason {
        Some(EndReason::CutoffVoltage) => "ended at cut-off voltage".to_owned(),
        _ if is_to_cutoff => "came to its cut-off voltage under load".to_owned(),
        Some(EndReason::ProtectionTrip) => "ended by its protection, empty by its voltage".into(),
        _ => "ended".to_owned(),
    });
    let at_us = if is_to_cutoff { cutoff_us } else { None };
    let standing = met(judged.is_sure_of(DoubtKind::End));
    Finding::new("end", standing, says).at(Some(at_us.unwrap_or(main.end_us)))
}
