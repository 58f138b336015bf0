//! What proves a figure, in a few words; and how warm it was.

use ampledger_types::result::{Figure, Finding, Probe, Standing, Warmth};

use crate::numbers;
use ampledger_types::Unit;

/// Of a full start only these are told; the rest stands in the evidence.
const FULL: [&str; 5] =
    ["voltage reached", "taper", "rest before the load", "nothing drawn since", "custody"];
/// What else proves a capacity.
const OTHERS: [&str; 3] = ["offset", "gaps", "end"];
/// Custody that nobody had to vouch for needs no words.
const UNBROKEN: &str = "never out of sight since";

/// `full at start (charged to 29.2 V, …)`, `no gap longer than 2 s`, …
pub(super) fn proof(figure: &Figure) -> Vec<String> {
    let said = |rule: &&str| figure.finding(rule).map(|finding| finding.says.as_str());
    let full = FULL.iter().filter_map(said).filter(|says| *says != UNBROKEN);
    let full: Vec<&str> = full.collect();
    let full = (!full.is_empty()).then(|| format!("full at start ({})", full.join(", ")));
    let others = OTHERS.iter().filter_map(said).map(str::to_owned);
    full.into_iter().chain(others).collect()
}

/// Whether a rule is met, in a word or two.
pub fn finding_standing(finding: &Finding) -> &'static str {
    match finding.standing {
        Standing::Met => "met",
        Standing::Missed => "not met",
        Standing::NotKnown => "not known",
    }
}

/// `22 to 26 °C`, with its place where that is not the pack; the pack's probe
/// goes before the others.
pub fn warmth(all: &[Warmth]) -> Option<String> {
    let known = all.iter().min_by_key(|warmth| warmth.probe)?;
    let whole = |celsius: f64| {
        let rounded = numbers::plain(celsius.round());
        rounded.replacen('-', "\u{2212}", 1)
    };
    let (low, high) = (whole(known.low_celsius), whole(known.high_celsius));
    let unit = Unit::Celsius.symbol();
    let range =
        if low == high { format!("{low} {unit}") } else { format!("{low} to {high} {unit}") };
    Some(match known.probe {
        Probe::Pack => range,
        Probe::Air => format!("{range} in the air"),
        Probe::Other => format!("{range} at a probe"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(probe: Probe, low_celsius: f64, high_celsius: f64) -> Warmth {
        let (begin_celsius, moved_kelvin) = (None, None);
        Warmth { probe, low_celsius, high_celsius, begin_celsius, moved_kelvin }
    }

    #[test]
    fn the_packs_own_temperature_goes_first_and_others_say_where() {
        let air = at(Probe::Air, 20.6, 21.4);
        assert_eq!(warmth(&[air]).unwrap(), "21 °C in the air");
        assert_eq!(warmth(&[air, at(Probe::Pack, 22.2, 25.8)]).unwrap(), "22 to 26 °C");
        assert_eq!(warmth(&[at(Probe::Other, -4.6, 0.2)]).unwrap(), "−5 to 0 °C at a probe");
        assert_eq!(warmth(&[]), None);
    }
}
