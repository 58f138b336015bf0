//! The reasons that keep a figure from being proven, and why one cannot be
//! given. Each is a fragment without a full stop; they are joined by `;`.

use ampledger_types::Unit;
use ampledger_types::result::{EndReason, Gap, Phase};

use super::ends::ended_above;
use super::gap;
use crate::{dates, numbers};

/// This version looks at no evidence for a full pack.
pub const FULL_NOT_JUDGED: &str =
    "whether the pack was full at the start is not judged by this version";

/// No uncertainty is computed, though the accuracy is stated.
pub const UNCERTAINTY_NOT_COMPUTED: &str =
    "the uncertainty of the figure is not computed by this version";

/// There was no current channel.
pub const NO_CURRENT: &str = "no current was recorded";
/// All of the current is beyond what any pack of that rating carries.
pub const CURRENT_NOT_BELIEVED: &str =
    "no pack of this rating carries the current that was read; see whether it is written in mA";
/// Some of it is.
pub const CURRENTS_LEFT_OUT: &str = "currents that no pack of this rating carries were left out";
/// The meter stood at its end.
pub const CURRENT_CLIPPED: &str =
    "the meter stood at the end of its range: the current may have been higher";

/// There was no voltage for some of the current.
pub const VOLTAGE_LACKING: &str = "a voltage was lacking for part of the time";

/// The trip does not say that the pack was empty.
pub const CAUSE_UNKNOWN: &str = "the voltage before the trip does not say that the pack was empty";

/// The discharge still goes on.
pub const STILL_RUNNING: &str = "the discharge still goes on";

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

/// The meter says nothing about how good `channel` (a word) is.
pub fn accuracy_not_stated(channel: &str) -> String {
    format!("the accuracy of the {channel} channel is not stated")
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
        .map_or(String::new(), |v| format!(" at {}", numbers::value(v, Unit::Volt)));
    Some(match phase.end_reason? {
        EndReason::CutoffVoltage => return None,
        EndReason::ProtectionTrip => {
            format!("the pack's protection probably tripped{at}, before {cutoff}")
        }
        EndReason::DarkUnderLoad => {
            format!("the instrument went dark under load{at}, before {cutoff}")
        }
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

/// What a dark end can hide.
pub fn dark_end_hides(hidden_ah: f64) -> String {
    let most = numbers::value(hidden_ah, Unit::AmpereHour);
    format!("what was drawn after the last reading is not counted (at most {most})")
}

/// All gaps of a stretch: each of the longest three, then the rest in sum.
pub fn gaps(gaps: &[Gap]) -> Vec<String> {
    let length = |g: &Gap| g.end.test_time_second - g.start.test_time_second;
    let mut longest: Vec<&Gap> = gaps.iter().collect();
    longest.sort_by(|a, b| length(b).total_cmp(&length(a)));
    let others = longest.split_off(longest.len().min(3));
    let mut said: Vec<String> = longest.into_iter().map(gap).collect();
    if !others.is_empty() {
        let sum = dates::duration(others.iter().copied().map(length).sum());
        let most = others.iter().map(|g| g.highest_ah).sum();
        let most = numbers::value(most, Unit::AmpereHour);
        let (count, s) = (others.len(), if others.len() == 1 { "" } else { "s" });
        said.push(format!("{count} shorter gap{s}, {sum} in all, can hide up to {most}"));
    }
    said
}

/// Rests inside the discharge.
pub fn interrupted(times: usize) -> String {
    match times {
        1 => "the discharge was interrupted once".to_owned(),
        n => format!("the discharge was interrupted {n} times"),
    }
}

/// The recording clock did not run at the pace of real time.
pub fn clock_rate(rate: f64) -> String {
    format!("the clock ran at {} times real time", numbers::plain(rate))
}

#[cfg(test)]
mod tests {
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
    fn many_gaps_are_summed_up_behind_the_longest_three() {
        let all: Vec<Gap> = [4.0, 95.0, 5.0, 30.0, 20.0]
            .into_iter()
            .map(|length| Gap {
                start: samples::moment(100.0),
                end: samples::moment(100.0 + length),
                estimated_ah: Some(0.1),
                highest_ah: 0.25,
            })
            .collect();
        let said = gaps(&all);
        assert_eq!(said.len(), 4);
        assert!(said[0].starts_with("a gap of 95 s was bridged"), "{}", said[0]);
        assert!(said[2].starts_with("a gap of 20 s was bridged"), "{}", said[2]);
        assert_eq!(said[3], "2 shorter gaps, 9 s in all, can hide up to 0.500 Ah");
        assert_eq!(gaps(&all[..1]).len(), 1);
    }

    #[test]
    fn reasons_carry_their_figures() {
        assert_eq!(
            dark_end_hides(0.0034),
            "what was drawn after the last reading is not counted (at most 0.003 Ah)"
        );
        assert_eq!(
            accuracy_not_stated("current"),
            "the accuracy of the current channel is not stated"
        );
        assert_eq!(interrupted(1), "the discharge was interrupted once");
        assert_eq!(interrupted(3), "the discharge was interrupted 3 times");
        assert_eq!(clock_rate(600.0), "the clock ran at 600 times real time");
    }
}
