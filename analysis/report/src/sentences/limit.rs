//! What a limit says when it is passed and when it is over. Alarms, markers,
//! the command line and the status share these.

use ampledger_types::Unit;
use ampledger_types::alarm::LimitKind;

use crate::{dates, numbers};

/// What a limit has to tell.
#[derive(Clone, Copy, Debug)]
pub struct LimitSaid<'a> {
    /// Its name.
    pub name: &'a str,
    /// What it watches.
    pub kind: LimitKind,
    /// On which source.
    pub source: Option<&'a str>,
    /// The value that decided.
    pub value: Option<f64>,
    /// The limit.
    pub bound: f64,
    /// Whether it is passed upwards.
    pub is_above: bool,
    /// For how long it had to be beyond, s.
    pub hold_second: f64,
    /// The unit's symbol.
    pub unit: &'a str,
    /// How the session stands, where it is about one.
    pub session: Option<&'a str>,
    /// Whether the connection to its meter was lost, so that nobody sees whether
    /// the discharge goes on.
    pub is_out_of_sight: bool,
}

/// `pack-low: 19.9 V on bench-shunt, at or below 20.0 V for 3 s.`
pub fn limit_passed(said: &LimitSaid) -> String {
    let name = said.name;
    let (value, bound) = (amount(said.value, said.unit), limit(said.bound, said.unit));
    let of_session = said.session.map_or(String::new(), |sentence| format!(" {sentence}"));
    match said.kind {
        LimitKind::NoData => {
            let silent = dates::duration(said.value.unwrap_or(said.bound));
            format!("{name}: nothing heard{} for {silent}.", on(" of", said))
        }
        LimitKind::EndOfDischarge if said.is_out_of_sight => {
            format!("{name}: the discharge is out of sight.{of_session}")
        }
        LimitKind::EndOfDischarge => format!("{name}: the discharge is over.{of_session}"),
        LimitKind::Target => format!("{name}: {value}, target {bound}.{of_session}"),
        LimitKind::StoreNearlyFull => {
            format!("{name}: {value} are left for the record, {bound} are wanted.")
        }
        _ => {
            let side = if said.is_above { "at or above" } else { "at or below" };
            let held = match said.hold_second > 0.0 {
                true => format!(" for {}", dates::duration(said.hold_second)),
                false => String::new(),
            };
            format!("{name}: {value}{}, {side} {bound}{held}.", on(" on", said))
        }
    }
}

/// `pack-low is over: 20.6 V on bench-shunt.`
pub fn limit_over(said: &LimitSaid) -> String {
    let name = said.name;
    match said.kind {
        LimitKind::NoData => {
            format!("{name} is over: {} is heard again.", said.source.unwrap_or("it"))
        }
        LimitKind::EndOfDischarge | LimitKind::Target => format!("{name} is over."),
        _ => format!("{name} is over: {}{}.", amount(said.value, said.unit), on(" on", said)),
    }
}

/// `This is a test of pack-low; nothing is wrong.`
pub fn limit_tested(name: &str) -> String {
    format!("This is a test of {name}; nothing is wrong.")
}

fn on(word: &str, said: &LimitSaid) -> String {
    said.source.map_or(String::new(), |source| format!("{word} {source}"))
}

fn amount(value: Option<f64>, symbol: &str) -> String {
    match (value, unit(symbol)) {
        (None, _) => "unknown".to_owned(),
        (Some(value), Some(unit)) => numbers::value(value, unit),
        (Some(value), None) => format!("{value:.1} {symbol}").replace('-', "−"),
    }
}

fn limit(value: f64, symbol: &str) -> String {
    match unit(symbol) {
        Some(unit) => numbers::given(value, unit),
        None => format!("{} {symbol}", numbers::plain(value)),
    }
}

fn unit(symbol: &str) -> Option<Unit> {
    let all =
        [Unit::Volt, Unit::Ampere, Unit::Celsius, Unit::AmpereHour, Unit::WattHour, Unit::Second];
    all.into_iter().find(|unit| unit.symbol() == symbol)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOW: LimitSaid = LimitSaid {
        name: "pack-low",
        kind: LimitKind::UnderVoltage,
        source: Some("bench-shunt"),
        value: Some(19.94),
        bound: 20.0,
        is_above: false,
        hold_second: 3.0,
        unit: "V",
        session: None,
        is_out_of_sight: false,
    };

    #[test]
    fn every_kind_says_what_it_saw() {
        for (said, sentence) in [
            (LOW, "pack-low: 19.9 V on bench-shunt, at or below 20.0 V for 3 s."),
            (
                LimitSaid {
                    name: "hot",
                    kind: LimitKind::TemperatureRise,
                    value: Some(2.34),
                    bound: 2.0,
                    is_above: true,
                    hold_second: 0.0,
                    unit: "K/min",
                    ..LOW
                },
                "hot: 2.3 K/min on bench-shunt, at or above 2 K/min.",
            ),
            (
                LimitSaid { name: "mute", kind: LimitKind::NoData, value: Some(61.0), ..LOW },
                "mute: nothing heard of bench-shunt for 61 s.",
            ),
            (
                LimitSaid {
                    name: "half",
                    kind: LimitKind::Target,
                    value: Some(30.01),
                    bound: 30.0,
                    unit: "Ah",
                    session: Some("GAL-07 is discharging: 30.0 of 60 Ah so far."),
                    ..LOW
                },
                "half: 30.0 Ah, target 30 Ah. GAL-07 is discharging: 30.0 of 60 Ah so far.",
            ),
            (
                LimitSaid {
                    name: "disk",
                    kind: LimitKind::StoreNearlyFull,
                    value: Some(812.4),
                    bound: 1024.0,
                    unit: "MiB",
                    ..LOW
                },
                "disk: 812.4 MiB are left for the record, 1024 MiB are wanted.",
            ),
        ] {
            assert_eq!(limit_passed(&said), sentence);
        }
    }

    #[test]
    fn a_discharge_that_nobody_sees_any_more_is_not_called_over() {
        let done = LimitSaid { name: "done", kind: LimitKind::EndOfDischarge, ..LOW };
        assert_eq!(limit_passed(&done), "done: the discharge is over.");
        let lost = LimitSaid { is_out_of_sight: true, ..done };
        assert_eq!(limit_passed(&lost), "done: the discharge is out of sight.");
    }

    #[test]
    fn what_is_over_says_so() {
        let back = LimitSaid { value: Some(20.6), ..LOW };
        assert_eq!(limit_over(&back), "pack-low is over: 20.6 V on bench-shunt.");
        let heard = LimitSaid { kind: LimitKind::NoData, ..LOW };
        assert_eq!(limit_over(&heard), "pack-low is over: bench-shunt is heard again.");
    }
}
