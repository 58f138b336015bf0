//! What a rule decided about the pack on a source, with the reading that
//! decided it: the words of markers.

use ampledger_methods::{PackEvent, PackRule, Rules};
use ampledger_types::session::OpenedBy;
use ampledger_types::source::PoweredBy;
use ampledger_types::{Session, Unit};

use super::ends::connection_lost;
use crate::{dates, numbers};

/// What a rule decided: `a pack is connected: 26.6 V kept within 0.5 % for
/// 10 s, no current`
///
/// `source` is the one it was seen on, `powered_by` what powers its meter.
pub fn decided(event: &PackEvent, source: &str, powered_by: Option<PoweredBy>) -> String {
    let rules = Rules::default();
    let volt =
        event.voltage_volt.map_or("no voltage".to_owned(), |v| numbers::value(v, Unit::Volt));
    let ampere =
        event.current_ampere.map_or("no current".to_owned(), |a| numbers::value(a, Unit::Ampere));
    let lasted = |second| dates::duration(second);
    let flows = event.current_ampere.is_some_and(|a| a.abs() > rules.connect_load_ampere);
    match event.rule {
        PackRule::Connected => format!(
            "a pack is connected: {volt} kept within {} for {}, no current",
            numbers::given(rules.connect_settle_percent, Unit::Percent),
            lasted(rules.connect_settle_second)
        ),
        PackRule::LoadBegan => format!(
            "a load came on and stayed for {}: {ampere} at {volt}",
            lasted(rules.rest_leave_second)
        ),
        PackRule::ChargeBegan => format!(
            "a charge began and went on for {}: {ampere} at {volt}",
            lasted(rules.rest_leave_second)
        ),
        PackRule::Tripped => {
            format!("protection trip: current and voltage went at once under load, to {volt}")
        }
        PackRule::WentDark => {
            let is_charged = event.current_ampere.is_some_and(|a| a > 0.0);
            went_dark(&format!("{ampere} at {volt}"), is_charged, source, powered_by)
        }
        PackRule::CameBack if event.goes_on => {
            format!("readings are back: {ampere} at {volt}, about what they were")
        }
        PackRule::CameBack => format!(
            "the voltage is back: {volt}; if this is another pack, end the session and begin one"
        ),
        PackRule::Ended if flows => format!(
            "the test is over: nothing was heard for {}, last {ampere} at {volt}",
            lasted(rules.close_rest_second)
        ),
        PackRule::Ended => format!(
            "the discharge is over and the pack has rested for {}, last {volt}",
            lasted(rules.close_rest_second)
        ),
        PackRule::Gone if event.voltage_volt.is_some_and(|v| v < rules.connect_none_volt) => {
            format!("the pack is gone: {volt} for {}", lasted(rules.gone_low_second))
        }
        PackRule::Gone if flows => format!(
            "the pack is gone: nothing was heard for {}, last {ampere} at {volt}",
            lasted(rules.gone_dark_second)
        ),
        PackRule::Gone => format!(
            "the pack is gone: nothing was heard for {}, last {volt} with no load",
            lasted(rules.gone_dark_second)
        ),
    }
}

/// Nothing more came while a current flowed; `last` is what came last.
fn went_dark(last: &str, is_charged: bool, source: &str, powered_by: Option<PoweredBy>) -> String {
    let when = if is_charged { "while charging" } else { "under load" };
    match powered_by {
        Some(PoweredBy::SomethingElse) => {
            format!("readings stopped {when}, last {last}: {}", connection_lost(source))
        }
        _ if is_charged => format!("went dark {when}, last {last}"),
        _ => format!("went dark {when}, last {last}: probable protection trip"),
    }
}

/// Of a session that nobody has taken up: `opened by rule; name its pack to
/// keep it: ampledger tag 3 --pack LABEL`
pub fn opened_by(session: &Session) -> Option<String> {
    (session.opened_by == OpenedBy::Rule).then(|| {
        format!(
            "opened by rule; name its pack to keep it: ampledger tag {} --pack LABEL",
            session.id
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn event(rule: PackRule, volt: f64, ampere: f64) -> PackEvent {
        PackEvent {
            rule,
            since_us: 0,
            at_us: 0,
            voltage_volt: Some(volt),
            current_ampere: Some(ampere),
            goes_on: false,
        }
    }

    fn said(event: &PackEvent) -> String {
        decided(event, "bench-shunt", None)
    }

    #[test]
    fn every_rule_says_what_it_saw() {
        for (rule, volt, ampere, said) in [
            (
                PackRule::Connected,
                26.61,
                0.0,
                "a pack is connected: 26.6 V kept within 0.5 % for 10 s, no current",
            ),
            (
                PackRule::LoadBegan,
                25.9,
                -12.1,
                "a load came on and stayed for 2 s: −12.1 A at 25.9 V",
            ),
            (
                PackRule::Tripped,
                3.0,
                0.0,
                "protection trip: current and voltage went at once under load, to 3.00 V",
            ),
            (
                PackRule::WentDark,
                20.3,
                -12.0,
                "went dark under load, last −12.0 A at 20.3 V: probable protection trip",
            ),
            (PackRule::WentDark, 28.3, 12.0, "went dark while charging, last 12.0 A at 28.3 V"),
            (
                PackRule::Ended,
                25.1,
                0.0,
                "the discharge is over and the pack has rested for 30 min, last 25.1 V",
            ),
            (
                PackRule::Ended,
                20.3,
                -12.0,
                "the test is over: nothing was heard for 30 min, last −12.0 A at 20.3 V",
            ),
            (PackRule::Gone, 0.2, 0.0, "the pack is gone: 0.200 V for 60 s"),
            (
                PackRule::Gone,
                27.4,
                12.0,
                "the pack is gone: nothing was heard for 10 min, last 12.0 A at 27.4 V",
            ),
            (
                PackRule::Gone,
                26.4,
                0.0,
                "the pack is gone: nothing was heard for 10 min, last 26.4 V with no load",
            ),
        ] {
            assert_eq!(self::said(&event(rule, volt, ampere)), said);
        }
    }

    #[test]
    fn a_meter_that_the_pack_does_not_power_lost_its_connection() {
        let said = |ampere| {
            let powered_by = Some(PoweredBy::SomethingElse);
            decided(&event(PackRule::WentDark, 25.8, ampere), "bench-shunt", powered_by)
        };
        assert_eq!(
            said(-12.0),
            "readings stopped under load, last −12.0 A at 25.8 V: \
             the connection to bench-shunt was lost"
        );
        assert_eq!(
            said(12.0),
            "readings stopped while charging, last 12.0 A at 25.8 V: \
             the connection to bench-shunt was lost"
        );
    }

    #[test]
    fn what_goes_on_as_before_is_not_asked_for_its_pack() {
        let mut back = event(PackRule::CameBack, 25.8, -12.0);
        assert!(said(&back).ends_with("if this is another pack, end the session and begin one"));
        back.goes_on = true;
        assert_eq!(said(&back), "readings are back: −12.0 A at 25.8 V, about what they were");
    }
}
