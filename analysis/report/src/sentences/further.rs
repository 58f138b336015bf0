//! What a session shows beside its capacity, a sentence each.

use ampledger_types::Unit;
use ampledger_types::further::{
    CurvePeak, Efficiency, Further, Incremental, InverterLoss, ResistanceStep, ShortCircuit,
};
use ampledger_types::pack_view::{Peukert, Stand};

use crate::{dates, numbers};

/// Steps of the load that are told; all are in the JSON.
const STEPS: usize = 3;
/// Peaks of dQ/dV that are told.
const PEAKS: usize = 3;

/// Everything there is, a sentence each.
pub fn further(further: &Further) -> Vec<String> {
    let mut said: Vec<String> =
        further.resistance_steps.iter().take(STEPS).map(resistance).collect();
    if let Some(more) = further.resistance_steps.len().checked_sub(STEPS).filter(|n| *n > 0) {
        let s = if more == 1 { "" } else { "s" };
        said.push(format!("{more} more step{s} of the load read."));
    }
    said.extend(further.short_circuit.as_ref().map(short_circuit));
    said.extend(further.efficiency.as_ref().map(efficiency));
    said.extend(further.standby.map(|draw| {
        let ah = numbers::value(draw.ah, Unit::AmpereHour);
        let mean = numbers::value(draw.ampere, Unit::Ampere);
        let lasted = dates::duration(draw.hour * 3600.0);
        format!("Standby draw: {ah} in {lasted}, {mean} mean.")
    }));
    said.extend(further.at_reference.as_ref().map(|at| match at.capacity_ah {
        Some(ah) => format!(
            "{} at {} ({}).",
            numbers::value(ah, Unit::AmpereHour),
            numbers::given(at.reference_celsius, Unit::Celsius),
            at.says
        ),
        None => format!("No capacity at its reference temperature: {}.", at.says),
    }));
    said.extend(further.inverter.as_ref().map(inverter));
    said.extend(further.incremental.as_ref().map(incremental));
    said.extend(further.peukert.as_ref().map(peukert));
    said.extend(further.self_discharge.as_ref().map(stand));
    said
}

/// `Inverter: 8.6 ± 1.2 W idle and 1.071 ± 0.012 W for each watt given …`
fn inverter(found: &InverterLoss) -> String {
    let idle = match found.idle_expanded_watt {
        Some(u) => numbers::uncertain(found.idle_watt, u, Unit::Watt),
        None => format!("{} W", numbers::plain_to(found.idle_watt, 3)),
    };
    let slope = match found.slope_expanded {
        Some(u) => numbers::uncertain(found.slope, u, Unit::Watt),
        None => format!("{} W", numbers::plain_to(found.slope, 4)),
    };
    let [low, mean, high] = found.given_watt.map(|watt| numbers::plain_to(watt, 3));
    format!(
        "Inverter: it takes {idle} idle and {slope} for each watt that it gives; {} at {mean} W. \
         From {} pairs of readings between {low} and {high} W.{}",
        numbers::percent(found.efficiency),
        found.pairs,
        provisional(&found.doubts)
    )
}

/// `Incremental capacity: peaks at 26.30 ± 0.03 V (312 Ah/V), …`
fn incremental(found: &Incremental) -> String {
    let peak = |peak: &CurvePeak| {
        let volt = match peak.expanded_volt {
            Some(u) => numbers::uncertain(peak.volt, u, Unit::Volt),
            None => numbers::value(peak.volt, Unit::Volt),
        };
        format!("{volt} ({} Ah/V)", numbers::plain_to(peak.ah_per_volt, 3))
    };
    let peaks: Vec<String> = found.peaks.iter().take(PEAKS).map(peak).collect();
    let more = match found.peaks.len().saturating_sub(PEAKS) {
        0 => String::new(),
        n => format!(" and {n} lower"),
    };
    let s = if found.peaks.len() == 1 { "" } else { "s" };
    format!(
        "Incremental capacity dQ/dV: peak{s} at {}{more}.{}",
        peaks.join(", "),
        provisional(&found.doubts)
    )
}

/// `Resistance 20.1 ± 0.4 mΩ 1 s, … after the step from 0.0 A to −12.0 A at 2:10:58.`
fn resistance(step: &ResistanceStep) -> String {
    let reads: Vec<String> = step
        .read
        .iter()
        .map(|read| {
            let milli = read.ohm * 1e3;
            let value = match read.expanded_ohm.map(|u| u * 1e3).filter(|u| *u > 0.0) {
                Some(u) => numbers::uncertain(milli, u, Unit::Ohm).replace(" Ω", " mΩ"),
                None => format!("{} mΩ", numbers::plain_to(milli, 3)),
            };
            format!("{value} {} s", numbers::plain(read.delay_second))
        })
        .collect();
    let interval = step.read.first().map_or(0.0, |read| read.interval_second);
    format!(
        "Resistance {} after the step from {} to {} at {} (delays up to {} s shorter).",
        reads.join(", "),
        numbers::value(step.from_ampere, Unit::Ampere),
        numbers::value(step.to_ampere, Unit::Ampere),
        dates::stopwatch(step.moment.test_time_second),
        numbers::plain_to(interval, 1),
    )
}

fn short_circuit(found: &ShortCircuit) -> String {
    let ampere = numbers::plain_to((found.at_least_ampere / 10.0).floor() * 10.0, 2);
    let delay = found.delay_second.map_or(String::new(), |s| format!(" ({} s)", numbers::plain(s)));
    format!("A short circuit carries at least {ampere} A{delay}: {}.", found.caution)
}

fn efficiency(found: &Efficiency) -> String {
    let share = |value: f64, expanded: Option<f64>| match expanded.filter(|u| *u > 0.0) {
        Some(u) => numbers::uncertain(value * 100.0, u * 100.0, Unit::Percent),
        None => numbers::percent(value),
    };
    let charge = share(found.coulombic, found.coulombic_expanded);
    let energy = found.energy.map_or(String::new(), |energy| {
        format!(", {} of the energy", share(energy, found.energy_expanded))
    });
    let doubts = provisional(&found.doubts);
    format!("Efficiency of the cycle: {charge} of the charge{energy}.{doubts}")
}

/// `Peukert's exponent 1.14 (u 0.01).`
pub fn peukert(found: &Peukert) -> String {
    let u = found
        .exponent_standard
        .map_or(String::new(), |u| format!(" (u = {} from the scatter)", numbers::plain_to(u, 2)));
    format!(
        "Peukert's exponent {}{u}.{}",
        numbers::plain_to(found.exponent, 4),
        provisional(&found.doubts)
    )
}

/// What a stand cost.
pub fn stand(found: &Stand) -> String {
    let lost = match found.expanded_percent.filter(|u| *u > 0.0) {
        Some(u) => numbers::uncertain(found.percent, u, Unit::Percent),
        None => numbers::value(found.percent, Unit::Percent),
    };
    // A straight line says nothing once it has passed the whole.
    let a_month = match found.percent_a_month {
        percent if percent < 100.0 => {
            format!(", {} in 30 days", numbers::value(percent, Unit::Percent))
        }
        _ => String::new(),
    };
    format!(
        "Self-discharge between sessions {} and {}: {lost} in {} days{a_month}.{}",
        found.before,
        found.after,
        numbers::plain_to(found.days, 2),
        provisional(&found.doubts)
    )
}

fn provisional(doubts: &[String]) -> String {
    match doubts.is_empty() {
        true => String::new(),
        false => format!(" Provisional: {}.", doubts.join("; ")),
    }
}

#[cfg(test)]
mod tests {
    use ampledger_types::further::{ResistanceRead, Standby};

    use super::*;
    use crate::sentences::samples;

    #[test]
    fn each_has_its_sentence() {
        let read = |delay_second, ohm| ResistanceRead {
            delay_second,
            interval_second: 0.5,
            ohm,
            expanded_ohm: Some(0.000_4),
        };
        let step = ResistanceStep {
            moment: samples::moment(7_858.0),
            from_ampere: 0.0,
            to_ampere: -12.0,
            read: vec![read(1.0, 0.020_1), read(10.0, 0.024)],
            lacking: Vec::new(),
        };
        let of = Further {
            resistance_steps: vec![step; 4],
            short_circuit: Some(ShortCircuit {
                at_least_ampere: 1_322.4,
                delay_second: Some(1.0),
                caution: "an estimate".to_owned(),
            }),
            efficiency: Some(Efficiency {
                coulombic: 0.996_5,
                coulombic_expanded: Some(0.001),
                energy: Some(0.922),
                energy_expanded: None,
                doubts: vec!["the ends are not alike".to_owned()],
            }),
            standby: Some(Standby { ampere: 0.455, watt: None, hour: 20.0, ah: 9.1, wh: None }),
            ..Further::default()
        };
        let said = further(&of);
        assert_eq!(
            said[0],
            "Resistance 20.1 ± 0.4 mΩ 1 s, 24.0 ± 0.4 mΩ 10 s after the step from 0.000 A to \
             −12.0 A at 2:10:58 (delays up to 0.5 s shorter)."
        );
        assert_eq!(said[3], "1 more step of the load read.");
        assert_eq!(said[4], "A short circuit carries at least 1320 A (1 s): an estimate.");
        assert_eq!(
            said[5],
            "Efficiency of the cycle: 99.65 ± 0.10 % of the charge, 92.2 % of the energy. \
             Provisional: the ends are not alike."
        );
        assert_eq!(said[6], "Standby draw: 9.10 Ah in 20 h, 0.455 A mean.");
        assert!(further(&Further::default()).is_empty());
    }

    #[test]
    fn an_inverter_and_the_peaks_of_a_curve_have_theirs() {
        let of = Further {
            inverter: Some(InverterLoss {
                idle_watt: 8.6,
                idle_expanded_watt: Some(1.2),
                slope: 1.071,
                slope_expanded: Some(0.012),
                pairs: 412,
                given_watt: [300.0, 640.0, 1000.0],
                efficiency: 0.922,
                doubts: Vec::new(),
            }),
            incremental: Some(Incremental {
                step_volt: 0.04,
                peaks: vec![
                    CurvePeak { volt: 26.3, expanded_volt: Some(0.03), ah_per_volt: 312.4 },
                    CurvePeak { volt: 25.9, expanded_volt: None, ah_per_volt: 80.0 },
                ],
                curve: Vec::new(),
                doubts: vec![
                    "12.1 A in the mean is above 3.0 A: peaks are moved and blunted".to_owned(),
                ],
            }),
            ..Further::default()
        };
        let said = further(&of);
        assert_eq!(
            said[0],
            "Inverter: it takes 8.6 ± 1.2 W idle and 1.071 ± 0.012 W for each watt that it gives; \
             92.2 % at 640 W. From 412 pairs of readings between 300 and 1000 W."
        );
        assert_eq!(
            said[1],
            "Incremental capacity dQ/dV: peaks at 26.30 ± 0.03 V (312 Ah/V), 25.9 V (80.0 Ah/V). \
             Provisional: 12.1 A in the mean is above 3.0 A: peaks are moved and blunted."
        );
    }
}
