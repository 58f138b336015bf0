//! A computed figure with all that stands behind it: its uncertainty term by
//! term, the findings that support it, what keeps it from being proven.

use serde::{Deserialize, Serialize};

use crate::result::Moment;
use crate::unit::Unit;

/// How well a figure is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// The record holds the evidence.
    Proven,
    /// A figure, but something is missing; the reasons say what.
    Provisional,
    /// No figure can be given; the reasons say why.
    Undetermined,
}

/// A computed figure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// The value; `None` if and only if the status is undetermined.
    pub value: Option<f64>,
    /// Its unit, as people write it.
    pub unit: String,
    /// Expanded uncertainty (k = 2) in the same unit, where it can be stated.
    pub expanded_uncertainty: Option<f64>,
    /// Why it cannot be stated, in plain words: what is lacking.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub uncertainty_lacking: Vec<String>,
    /// What the uncertainty is made of, as far as it is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub budget: Option<Budget>,
    /// How well it is known.
    pub status: Status,
    /// What keeps it from being proven, in plain words.
    pub reasons: Vec<String>,
    /// What the record holds for it and against it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub evidence: Vec<Finding>,
    /// How it was computed.
    pub method: String,
    /// On what that rests.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub method_source: String,
}

/// What an uncertainty is made of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// Every term, the largest first.
    pub terms: Vec<Term>,
    /// Combined standard uncertainty of the terms, in the figure's unit.
    pub standard: f64,
    /// Effective degrees of freedom; `None` where they are without end.
    pub degrees_of_freedom: Option<f64>,
    /// The coverage factor.
    pub coverage: f64,
}

/// One way in which a figure can be off.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Term {
    /// What it is, in a word or two.
    pub name: String,
    /// How far each way, in the figure's unit; of a normal one its standard
    /// deviation.
    pub half_width: f64,
    /// What is known between: `rectangular`, `normal`, `triangular`, `arcsine`.
    pub shape: String,
    /// Its standard uncertainty, in the figure's unit.
    pub standard: f64,
    /// Where it comes from, in plain words.
    pub says: String,
}

/// Whether the record meets a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// It does.
    Met,
    /// It does not.
    Missed,
    /// It cannot be told.
    NotKnown,
}

/// One rule held against the record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// What the rule is about, in a word or two.
    pub rule: String,
    /// Whether it is met.
    pub standing: Standing,
    /// When; before the session's start where an earlier part of the record
    /// shows it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moment: Option<Moment>,
    /// What was found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// What is asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<f64>,
    /// Unit of both.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub unit: String,
    /// In plain words.
    pub says: String,
}

impl Figure {
    /// A figure that rests on something unproven.
    pub fn provisional(value: f64, unit: Unit, method: &str, reasons: Vec<String>) -> Self {
        let status = Status::Provisional;
        Figure { value: Some(value), status, ..Figure::undetermined(unit, method, reasons) }
    }

    /// A figure that cannot be given.
    pub fn undetermined(unit: Unit, method: &str, reasons: Vec<String>) -> Self {
        Figure {
            value: None,
            unit: unit.symbol().to_owned(),
            expanded_uncertainty: None,
            uncertainty_lacking: Vec::new(),
            budget: None,
            status: Status::Undetermined,
            reasons,
            evidence: Vec::new(),
            method: method.to_owned(),
            method_source: String::new(),
        }
    }

    /// The finding under a rule.
    pub fn finding(&self, rule: &str) -> Option<&Finding> {
        self.evidence.iter().find(|finding| finding.rule == rule)
    }
}
