//! Pass or fail: the limit a pack is held against, and what came of it.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// What a pack is held against.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// A new pack: all of its rating.
    New,
    /// A used one.
    Used,
    /// Its own, percent of the rating.
    Percent(f64),
}

impl FromStr for Limit {
    type Err = String;

    fn from_str(text: &str) -> Result<Limit, String> {
        let text = text.trim();
        match text {
            "new" => return Ok(Limit::New),
            "used" => return Ok(Limit::Used),
            _ => {}
        }
        let percent = text.strip_suffix('%').unwrap_or(text).trim_end().parse::<f64>();
        match percent {
            Ok(percent) if percent > 0.0 && percent <= 200.0 => Ok(Limit::Percent(percent)),
            _ => Err("write `new`, `used`, or percent of the rating above 0, as in 85".to_owned()),
        }
    }
}

impl fmt::Display for Limit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Limit::New => f.write_str("new"),
            Limit::Used => f.write_str("used"),
            Limit::Percent(percent) => write!(f, "{percent}"),
        }
    }
}

/// What a figure says against a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// Above the limit by more than the uncertainty.
    Passed,
    /// Below it by more than the uncertainty.
    Failed,
    /// Too near, or something is missing; the reasons say what.
    NotDecided,
}

/// A decision with what it rests on, all in percent of the rating.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// What is decided.
    pub decision: Decision,
    /// What the pack was held against.
    pub limit: Limit,
    /// That in percent.
    pub limit_percent: f64,
    /// What was measured; `None` where there is no figure.
    pub measured_percent: Option<f64>,
    /// Its expanded uncertainty, k = 2.
    pub uncertainty_percent: Option<f64>,
    /// The probability that the pack is above the limit, where it is known.
    pub probability: Option<f64>,
    /// Why it is not decided, in plain words.
    pub reasons: Vec<String>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_limit_is_a_word_or_percent() {
        for (text, limit) in [
            ("new", Limit::New),
            (" used ", Limit::Used),
            ("85", Limit::Percent(85.0)),
            ("70 %", Limit::Percent(70.0)),
        ] {
            assert_eq!(text.parse(), Ok(limit), "{text}");
            assert_eq!(limit.to_string().parse(), Ok(limit));
        }
        for text in ["", "0", "-5", "NaN", "201", "old"] {
            assert!(text.parse::<Limit>().is_err(), "{text}");
        }
    }
}
