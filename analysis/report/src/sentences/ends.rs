//! How a discharge ended, in words that follow the pack's name.

use ampledger_types::Unit;
use ampledger_types::result::{EndReason, Phase};

use crate::numbers;

/// How a discharge ended, to follow a subject: `went dark under load at
/// 20.3 V: probable protection trip`. `None` for a phase that is no discharge.
///
/// `cutoff_volt` is the end voltage that was set.
pub fn discharge_ended(phase: &Phase, cutoff_volt: Option<f64>) -> Option<String> {
    let at =
        phase.last_voltage_volt.map_or(String::new(), |v| format!(" at {}", apart(v, cutoff_volt)));
    let cutoff = cutoff_volt.map(|v| numbers::given(v, Unit::Volt));
    Some(match phase.end_reason? {
        EndReason::CutoffVoltage => match cutoff {
            Some(volt) => format!("reached its cut-off of {volt} under load"),
            None => "reached its cut-off voltage under load".to_owned(),
        },
        EndReason::ProtectionTrip => {
            format!("lost current and voltage{at}: probable protection trip{}", cause(phase))
        }
        EndReason::DarkUnderLoad => match &phase.lost_source {
            Some(source) => {
                format!("was last read under load{at}: {}", connection_lost(source))
            }
            None => format!("went dark under load{at}: probable protection trip{}", cause(phase)),
        },
        EndReason::LoadRemoved => match cutoff.filter(|_| ended_above(phase, cutoff_volt)) {
            Some(volt) => format!("had its load removed{at}, above the cut-off of {volt}"),
            None => format!("had its load removed{at}"),
        },
        EndReason::ChargeBegan => format!("was put on charge{at}"),
        EndReason::SessionEnded => format!("was under load{at} when the session was stopped"),
        EndReason::Running => "is still discharging".to_owned(),
    })
}

/// Of a meter that something else than the pack powers and that is heard no
/// more: `the connection to bench-shunt was lost`
pub(super) fn connection_lost(source: &str) -> String {
    format!("the connection to {source} was lost")
}

/// A voltage with the digits that tell it from the cut-off.
pub(super) fn apart(volt: f64, cutoff_volt: Option<f64>) -> String {
    numbers::told_from(volt, cutoff_volt.unwrap_or(volt), Unit::Volt)
}

/// How a discharge ended, in a word or two for a table.
pub fn ending(reason: EndReason) -> &'static str {
    match reason {
        EndReason::CutoffVoltage => "cut-off voltage",
        EndReason::ProtectionTrip => "protection trip",
        EndReason::DarkUnderLoad => "dark under load",
        EndReason::LoadRemoved => "load removed",
        EndReason::ChargeBegan => "charge began",
        EndReason::SessionEnded => "session stopped",
        EndReason::Running => "running",
    }
}

/// Whether the last voltage under load lay above the cut-off.
pub(super) fn ended_above(phase: &Phase, cutoff_volt: Option<f64>) -> bool {
    phase.last_voltage_volt.zip(cutoff_volt).is_some_and(|(last, cutoff)| last > cutoff)
}

fn cause(phase: &Phase) -> &'static str {
    match phase.trip_means_empty {
        Some(true) => ", empty by its voltage",
        Some(false) => ", cause unknown (over-current and heat trip it too)",
        None => "",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sentences::samples;

    fn ended(reason: EndReason, volt: f64) -> String {
        let mut phase = samples::discharge();
        phase.end_reason = Some(reason);
        phase.last_voltage_volt = Some(volt);
        discharge_ended(&phase, Some(20.0)).unwrap()
    }

    #[test]
    fn every_end_has_its_words() {
        for (reason, volt, words) in [
            (EndReason::CutoffVoltage, 19.98, "reached its cut-off of 20.0 V under load"),
            (
                EndReason::ProtectionTrip,
                20.3,
                "lost current and voltage at 20.3 V: probable protection trip",
            ),
            (
                EndReason::DarkUnderLoad,
                20.3,
                "went dark under load at 20.3 V: probable protection trip",
            ),
            (
                EndReason::LoadRemoved,
                23.1,
                "had its load removed at 23.1 V, above the cut-off of 20.0 V",
            ),
            (EndReason::ChargeBegan, 24.1, "was put on charge at 24.1 V"),
            (
                EndReason::SessionEnded,
                22.0,
                "was under load at 22.0 V when the session was stopped",
            ),
            (EndReason::Running, 22.0, "is still discharging"),
        ] {
            assert_eq!(ended(reason, volt), words);
        }
    }

    #[test]
    fn a_meter_that_the_pack_does_not_power_lost_its_connection_and_no_trip_is_said() {
        let mut phase = samples::discharge();
        phase.end_reason = Some(EndReason::DarkUnderLoad);
        phase.last_voltage_volt = Some(25.8);
        phase.lost_source = Some("bench-shunt".to_owned());
        assert_eq!(
            discharge_ended(&phase, None).unwrap(),
            "was last read under load at 25.8 V: the connection to bench-shunt was lost"
        );
    }

    #[test]
    fn a_trip_says_empty_only_where_the_voltage_does() {
        let mut phase = samples::discharge();
        phase.end_reason = Some(EndReason::DarkUnderLoad);
        phase.last_voltage_volt = Some(25.6);
        phase.trip_means_empty = Some(false);
        assert_eq!(
            discharge_ended(&phase, None).unwrap(),
            "went dark under load at 25.6 V: probable protection trip, \
             cause unknown (over-current and heat trip it too)"
        );
    }

    #[test]
    fn a_load_removed_below_the_cutoff_is_not_called_above_it() {
        assert_eq!(ended(EndReason::LoadRemoved, 19.9), "had its load removed at 19.9 V");
    }

    #[test]
    fn a_rest_has_no_such_end() {
        assert_eq!(discharge_ended(&samples::rest(), Some(20.0)), None);
    }
}
