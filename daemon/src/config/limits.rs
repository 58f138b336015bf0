//! `[limits.NAME]`: what is watched, from when on it is too much, and which
//! actions are told.

use ampledger_decoders::ConfigProblem;
use ampledger_methods::{LimitRule, Side};
use ampledger_types::alarm::LimitKind;
use serde::Deserialize;

/// One limit. Which of the values it has goes by its kind.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitConfig {
    /// What is watched.
    pub kind: LimitKind,
    /// On which source; a limit over sessions or the store may name none.
    #[serde(default)]
    pub source: Option<String>,
    /// In which channel; else the first of its kind on the source.
    #[serde(default)]
    pub channel: Option<String>,
    /// Over- and under-voltage, V.
    #[serde(default)]
    pub volt: Option<f64>,
    /// Over-current, A, in either direction.
    #[serde(default)]
    pub ampere: Option<f64>,
    /// Over- and under-temperature, °C.
    #[serde(default)]
    pub celsius: Option<f64>,
    /// Rise of a temperature, K a minute.
    #[serde(default)]
    pub kelvin_per_minute: Option<f64>,
    /// No data for this long, s.
    #[serde(default)]
    pub silent_second: Option<f64>,
    /// Room left on the store's disk, MiB.
    #[serde(default)]
    pub free_mebibyte: Option<f64>,
    /// Target: given by the pack, Ah.
    #[serde(default)]
    pub discharged_ah: Option<f64>,
    /// Target: given by the pack, Wh.
    #[serde(default)]
    pub discharged_wh: Option<f64>,
    /// Target: taken by the pack, Ah.
    #[serde(default)]
    pub charged_ah: Option<f64>,
    /// Target: taken by the pack, Wh.
    #[serde(default)]
    pub charged_wh: Option<f64>,
    /// Target: a falling voltage comes to this, V.
    #[serde(default)]
    pub falls_to_volt: Option<f64>,
    /// Target: a rising voltage comes to this, V.
    #[serde(default)]
    pub rises_to_volt: Option<f64>,
    /// Target: the session has lasted this long, s.
    #[serde(default)]
    pub lasted_second: Option<f64>,
    /// Under-voltage: at or below this there is no pack, and nothing is said, V.
    #[serde(default)]
    pub absent_volt: Option<f64>,
    /// By how much a value must come back, in its own unit; 1 % of the limit if
    /// missing.
    #[serde(default)]
    pub hysteresis: Option<f64>,
    /// For how long it must be beyond, s; 3 s for readings if missing.
    #[serde(default)]
    pub hold_second: Option<f64>,
    /// Whether it stays until a person has seen it.
    #[serde(default)]
    pub latch: bool,
    /// Whether the actions are told when it is over, too.
    #[serde(default = "yes")]
    pub tell_over: bool,
    /// The actions, by name.
    #[serde(default)]
    pub actions: Vec<String>,
}

fn yes() -> bool {
    true
}

/// A value that a limit can have: its key, its kind, on which side it is
/// passed, its unit.
struct Key {
    name: &'static str,
    kinds: &'static [LimitKind],
    side: Side,
    value: Option<f64>,
}

impl LimitConfig {
    fn keys(&self) -> [Key; 13] {
        use LimitKind as Kind;
        let key = |name, kinds, side, value| Key { name, kinds, side, value };
        const VOLTAGE: &[LimitKind] = &[LimitKind::OverVoltage, LimitKind::UnderVoltage];
        const CELSIUS: &[LimitKind] = &[LimitKind::OverTemperature, LimitKind::UnderTemperature];
        const TARGET: &[LimitKind] = &[LimitKind::Target];
        let volt_side = if self.kind == Kind::OverVoltage { Side::Above } else { Side::Below };
        let celsius_side =
            if self.kind == Kind::OverTemperature { Side::Above } else { Side::Below };
        [
            key("volt", VOLTAGE, volt_side, self.volt),
            key("ampere", &[Kind::OverCurrent], Side::Above, self.ampere),
            key("celsius", CELSIUS, celsius_side, self.celsius),
            key("kelvin_per_minute", &[Kind::TemperatureRise], Side::Above, self.kelvin_per_minute),
            key("silent_second", &[Kind::NoData], Side::Above, self.silent_second),
            key("free_mebibyte", &[Kind::StoreNearlyFull], Side::Below, self.free_mebibyte),
            key("discharged_ah", TARGET, Side::Above, self.discharged_ah),
            key("discharged_wh", TARGET, Side::Above, self.discharged_wh),
            key("charged_ah", TARGET, Side::Above, self.charged_ah),
            key("charged_wh", TARGET, Side::Above, self.charged_wh),
            key("falls_to_volt", TARGET, Side::Below, self.falls_to_volt),
            key("rises_to_volt", TARGET, Side::Above, self.rises_to_volt),
            key("lasted_second", TARGET, Side::Above, self.lasted_second),
        ]
    }

    /// The key that holds its value, and the rule; the end of a discharge has
    /// no value.
    pub fn rule(&self) -> (&'static str, LimitRule) {
        let given = self.keys().into_iter().find_map(|key| Some((key.name, key.side, key.value?)));
        let (name, side, bound) = given.unwrap_or(("", Side::Above, 1.0));
        let is_once = matches!(self.kind, LimitKind::Target | LimitKind::EndOfDischarge);
        let usual = if is_once { 0.0 } else { bound.abs() * 0.01 };
        let hold = if self.kind.is_of_readings() { 3.0 } else { 0.0 };
        let rule = LimitRule {
            side,
            bound,
            hysteresis: self.hysteresis.unwrap_or(usual),
            hold_second: self.hold_second.unwrap_or(hold),
            latch: self.latch,
        };
        (name, rule)
    }

    /// What is wrong beyond the form of the keys. `sources` and `actions` are
    /// the names that exist.
    pub fn check(&self, sources: &[String], actions: &[String]) -> Vec<ConfigProblem> {
        let mut problems = Vec::new();
        let word = self.kind.word();
        let all = self.keys();
        let fits = |key: &&Key| key.kinds.contains(&self.kind);
        let wanted: Vec<&str> = all.iter().filter(fits).map(|key| key.name).collect();
        for key in all.iter().filter(|key| key.value.is_some() && !fits(key)) {
            let what = format!("`{word}` has no such value");
            problems.push(ConfigProblem::new(key.name, what));
        }
        let given = all.iter().filter(fits).filter(|key| key.value.is_some()).count();
        if !wanted.is_empty() && given != 1 {
            let what = format!("`{word}` needs one of: {}", wanted.join(", "));
            problems.push(ConfigProblem::new("kind", what));
        }
        let numbers = all.iter().map(|key| (key.name, key.value));
        let more = [("hysteresis", self.hysteresis), ("hold_second", self.hold_second)];
        for (name, value) in numbers.chain(more) {
            let may_be_negative = name == "celsius";
            if value.is_some_and(|v| !v.is_finite() || (v < 0.0 && !may_be_negative)) {
                problems.push(ConfigProblem::new(name, "must be a number, and not below 0"));
            }
        }
        if self.absent_volt.is_some() && self.kind != LimitKind::UnderVoltage {
            problems.push(ConfigProblem::new("absent_volt", format!("`{word}` has no such value")));
        }
        let needs_source = self.kind.is_of_readings() || self.kind == LimitKind::NoData;
        match &self.source {
            None if needs_source => {
                problems.push(ConfigProblem::new("source", format!("`{word}` needs a source")));
            }
            Some(name) if !sources.contains(name) => {
                let what = format!("there is no source `{name}`");
                problems.push(ConfigProblem::new("source", what));
            }
            _ => {}
        }
        for name in self.actions.iter().filter(|name| !actions.contains(name)) {
            problems.push(ConfigProblem::new("actions", format!("there is no action `{name}`")));
        }
        problems
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problems(toml: &str) -> Vec<String> {
        let value: serde_json::Value = figment::Figment::from(
            <figment::providers::Toml as figment::providers::Format>::string(toml),
        )
        .extract()
        .unwrap();
        let limit: LimitConfig = serde_json::from_value(value).unwrap();
        let names = |name: &str| vec![name.to_owned()];
        let all = limit.check(&names("bench-shunt"), &names("yard")).into_iter();
        all.map(|problem| format!("{}: {}", problem.key, problem.what)).collect()
    }

    #[test]
    fn every_kind_has_a_value_that_fits_and_refuses_the_others() {
        for (kind, value) in [
            ("over-voltage", "volt = 29.2"),
            ("under-voltage", "volt = 20.0"),
            ("over-current", "ampere = 60.0"),
            ("over-temperature", "celsius = 45.0"),
            ("under-temperature", "celsius = -5.0"),
            ("temperature-rise", "kelvin_per_minute = 1.0"),
            ("no-data", "silent_second = 60.0"),
            ("end-of-discharge", ""),
            ("target", "charged_ah = 57.0"),
            ("store-nearly-full", "free_mebibyte = 1024.0"),
        ] {
            let head = format!("kind = \"{kind}\"\nsource = \"bench-shunt\"\n");
            assert_eq!(problems(&format!("{head}{value}")), [""; 0], "{kind}");
            let other = if kind == "over-current" { "volt = 1.0" } else { "ampere = 1.0" };
            assert!(!problems(&format!("{head}{value}\n{other}")).is_empty(), "{kind}");
            if kind != "end-of-discharge" {
                assert!(!problems(&head).is_empty(), "{kind} needs a value");
            }
        }
    }

    #[test]
    fn what_a_limit_names_must_be_there() {
        let low = "kind = \"under-voltage\"\nvolt = 20.0\n";
        assert_eq!(problems(low), ["source: `under-voltage` needs a source"]);
        let unknown = format!("{low}source = \"clamp\"\nactions = [\"shed\"]");
        let expected = ["source: there is no source `clamp`", "actions: there is no action `shed`"];
        assert_eq!(problems(&unknown), expected);
    }

    #[test]
    fn a_target_is_one_figure() {
        let two = "kind = \"target\"\ncharged_ah = 57.0\nlasted_second = 60.0\n";
        assert_eq!(problems(two).len(), 1);
    }
}
