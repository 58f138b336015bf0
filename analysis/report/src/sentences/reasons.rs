//! The reasons that keep a figure from being proven, and why one cannot be
//! given. Each is a fragment without a full stop; they are joined by `;`.

use ampledger_types::result::{EndReason, Gap, Phase};
use ampledger_types::{Instrument, Unit};

use super::ends::{apart, connection_lost, ended_above};
use super::gap;
use crate::{dates, numbers};

/// There was no current channel.
pub const NO_CURRENT: &str = "no current was recorded";
/// All of the current is beyond what any pack of that rating carries.
pub const CURRENT_NOT_BELIEVED: &str =
    "no pack of this rating carries the current that was read; see whether it is written in mA";

/// There was no voltage for some of the current.
pub const VOLTAGE_LACKING: &str = "a voltage was lacking for part of the time";

/// There was no voltage channel.
pub const NO_VOLTAGE: &str = "no voltage was recorded";

/// There was no row at all.
pub const NOTHING_RECORDED: &str = "nothing was recorded";

/// There is no end voltage.
pub const NO_CUTOFF: &str = "no cut-off voltage is set";

/// There was no discharge.
pub const NO_DISCHARGE: &str = "there was no discharge";

/// The session still grows.
pub const STILL_OPEN: &str = "the session is still open";

/// A break of unknown length.
pub const LENGTH_UNKNOWN: &str =
    "the boot clock broke off and how long the break was cannot be known";

/// Why a start is not proven to be full: the rules that are not met, each
/// reason once.
pub fn not_full(open: &[&str]) -> String {
    let mut reasons: Vec<&str> = Vec::new();
    for reason in open {
        if !reasons.contains(reason) {
            reasons.push(reason);
        }
    }
    format!("no proof that it was full at the start: {}", reasons.join(", "))
}

/// How a meter is wired, as far as it is not said.
pub fn not_described(instrument: &Instrument) -> Vec<String> {
    let lacking = [
        (instrument.powered_by.is_none(), "what powers it"),
        (instrument.voltage_sensed_at.is_none(), "where the voltage is read"),
        (instrument.draws_ahead_of_sensor.is_none(), "what draws current ahead of it"),
        (instrument.reading.is_none(), "whether a reading is an average"),
    ];
    let lacking: Vec<&str> = lacking.iter().filter(|(lacks, _)| *lacks).map(|(_, w)| *w).collect();
    let unsaid = (!lacking.is_empty())
        .then(|| format!("of the meter it is not said {}", lacking.join(", nor ")));
    let draws = instrument.draws_ahead_of_sensor.as_deref().map(str::trim);
    let draws = draws.filter(|what| !["nothing", "none", ""].contains(what));
    let unseen = draws.map(|what| format!("the meter does not see what {what} draws"));
    unsaid.into_iter().chain(unseen).collect()
}

/// Why the main discharge gives no capacity to its cut-off, where it ended
/// above it; `None` where it did not.
pub fn cutoff_not_reached(phase: &Phase, cutoff_volt: f64) -> Option<String> {
    if !ended_above(phase, Some(cutoff_volt)) {
        return None;
    }
    let cutoff = numbers::given(cutoff_volt, Unit::Volt);
    let at = phase
        .last_voltage_volt
        .map_or(String::new(), |v| format!(" at {}", apart(v, Some(cutoff_volt))));
    Some(match phase.end_reason? {
        EndReason::CutoffVoltage => return None,
        EndReason::ProtectionTrip => {
            format!("the pack's protection probably tripped{at}, before {cutoff}")
        }
        EndReason::DarkUnderLoad => match &phase.lost_source {
            Some(source) => format!("{} under load{at}, before {cutoff}", connection_lost(source)),
            None => format!("the instrument went dark under load{at}, before {cutoff}"),
        },
        EndReason::LoadRemoved => {
            format!("the load was removed{at}, above the cut-off of {cutoff}")
        }
        EndReason::ChargeBegan => format!("a charge began{at}, before {cutoff}"),
        EndReason::SessionEnded => {
            format!("the session was stopped under load{at}, before {cutoff}")
        }
        EndReason::Running => format!("the discharge still runs and has not reached {cutoff}"),
    })
}

/// Nobody ever set the wall clock.
pub const CLOCK_NOT_SET: &str = "The wall clock was not synchronised in the whole of the session, \
                                 so its dates are not to be trusted. No figure depends on them.";

/// All gaps of a stretch: those that were bridged as one reason, and those that
/// were not counted.
pub fn gaps(gaps: &[Gap]) -> Vec<String> {
    // A channel that stood still is a gap round whatever silences lie in it.
    let span = |gap: &Gap| (gap.start.test_time_second, gap.end.test_time_second);
    let lies_in = |inner: &Gap, outer: &Gap| {
        let ((from, to), (begun, ended)) = (span(inner), span(outer));
        begun <= from && to <= ended && span(inner) != span(outer)
    };
    let whole = gaps.iter().filter(|gap| !gaps.iter().any(|other| lies_in(gap, other)));
    let (bridged, left): (Vec<Gap>, Vec<Gap>) = whole.partition(|g| g.estimated_ah.is_some());
    [bridged, left].iter().filter_map(|alike| together(alike)).collect()
}

/// `3 gaps of 42 s in all were bridged by straight lines (0.32 Ah, at most
/// 0.40 Ah)`
fn together(alike: &[Gap]) -> Option<String> {
    if let [] | [_] = alike {
        return alike.first().map(gap);
    }
    let length = |g: &Gap| g.end.test_time_second - g.start.test_time_second;
    let ah = |v: f64| numbers::value(v, Unit::AmpereHour);
    let (count, sum) = (alike.len(), dates::duration(alike.iter().map(length).sum()));
    let most = ah(alike.iter().map(|g| g.highest_ah).sum());
    let estimate: Option<f64> = alike.iter().map(|g| g.estimated_ah.map(f64::abs)).sum();
    let how = match estimate.map(ah) {
        Some(estimate) => format!("were bridged by straight lines ({estimate}, at most {most})"),
        None => format!("were not counted (they can hide up to {most})"),
    };
    Some(format!("{count} gaps of {sum} in all {how}"))
}

/// The recording clock did not run at the pace of real time.
pub fn clock_rate(rate: f64) -> String {
    format!("the clock ran at {} times real time", numbers::plain(rate))
}

#[cfg(test)]
mod tests {
    use ampledger_types::source::{PoweredBy, ReadingKind, VoltageSensedAt};

    use super::*;
    use crate::sentences::samples;

    #[test]
    fn each_end_before_the_cutoff_is_a_reason_of_its_own() {
        let mut phase = samples::discharge();
        phase.last_voltage_volt = Some(23.1);
        let mut said = |reason| {
            phase.end_reason = Some(reason);
            cutoff_not_reached(&phase, 20.0).unwrap_or_default()
        };
        for (reason, words) in [
            (EndReason::CutoffVoltage, ""),
            (
                EndReason::ProtectionTrip,
                "the pack's protection probably tripped at 23.1 V, before 20.0 V",
            ),
            (
                EndReason::DarkUnderLoad,
                "the instrument went dark under load at 23.1 V, before 20.0 V",
            ),
            (EndReason::LoadRemoved, "the load was removed at 23.1 V, above the cut-off of 20.0 V"),
            (EndReason::ChargeBegan, "a charge began at 23.1 V, before 20.0 V"),
            (
                EndReason::SessionEnded,
                "the session was stopped under load at 23.1 V, before 20.0 V",
            ),
            (EndReason::Running, "the discharge still runs and has not reached 20.0 V"),
        ] {
            assert_eq!(said(reason), words);
        }
    }

    #[test]
    fn an_end_below_the_cutoff_is_left_to_the_method_to_explain() {
        let mut phase = samples::discharge();
        phase.last_voltage_volt = Some(19.9);
        phase.end_reason = Some(EndReason::ProtectionTrip);
        assert_eq!(cutoff_not_reached(&phase, 20.0), None);
    }

    #[test]
    fn many_gaps_are_one_reason_and_those_not_counted_another() {
        let gap = |length: f64, estimated_ah| Gap {
            start: samples::moment(100.0 * length),
            end: samples::moment(101.0 * length),
            estimated_ah,
            highest_ah: 0.25,
        };
        let counted = Some(0.1);
        let mut all = vec![gap(4.0, counted), gap(9.0, counted), gap(29.0, counted)];
        let bridged =
            "3 gaps of 42 s in all were bridged by straight lines (0.300 Ah, at most 0.750 Ah)";
        assert_eq!(gaps(&all), [bridged]);
        all.push(gap(30.0, None));
        let left = "a gap of 30 s was not counted (it can hide up to 0.250 Ah)";
        assert_eq!(gaps(&all), [bridged, left]);
        all.push(gap(15.0, None));
        let left = "2 gaps of 45 s in all were not counted (they can hide up to 0.500 Ah)";
        assert_eq!(gaps(&all), [bridged, left]);
        // Within the last one.
        all.push(Gap { end: samples::moment(1505.0), ..gap(15.0, None) });
        assert_eq!(gaps(&all), [bridged, left]);
        let one = "a gap of 4 s was bridged by a straight line (0.100 Ah, at most 0.250 Ah)";
        assert_eq!(gaps(&all[..1]), [one]);
    }

    #[test]
    fn a_meter_is_asked_for_what_nobody_said_of_it() {
        let mut shunt = Instrument {
            powered_by: Some(PoweredBy::PackUnderTest),
            voltage_sensed_at: Some(VoltageSensedAt::Sensor),
            ..Instrument::default()
        };
        assert_eq!(
            not_described(&shunt),
            ["of the meter it is not said what draws current ahead of it, nor whether a reading \
              is an average"]
        );
        shunt.reading = Some(ReadingKind::Average);
        shunt.draws_ahead_of_sensor = Some("nothing".to_owned());
        assert!(not_described(&shunt).is_empty());
        shunt.draws_ahead_of_sensor = Some("the protection board".to_owned());
        assert_eq!(
            not_described(&shunt),
            ["the meter does not see what the protection board draws"]
        );
    }

    #[test]
    fn reasons_carry_their_figures() {
        assert_eq!(
            not_full(&["rested 12 min, not 30 min to 24 h", "rested 12 min, not 30 min to 24 h"]),
            "no proof that it was full at the start: rested 12 min, not 30 min to 24 h"
        );
        assert_eq!(clock_rate(600.0), "the clock ran at 600 times real time");
    }
}
