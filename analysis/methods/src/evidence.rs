//! What the record holds for or against a claim: findings, each under the rule
//! that asks for it, with time and value. Plain data.

use serde::Serialize;

use crate::efficiency::ChargeEnd;

/// Whether the record meets a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Standing {
    /// It does.
    Met,
    /// It does not.
    Missed,
    /// It cannot be told.
    NotKnown,
}

/// What all findings together come to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Proof {
    /// Every rule is met.
    Found,
    /// Some are.
    Partly,
    /// There is nothing to it in the record.
    #[default]
    Absent,
}

/// One rule held against the record.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Finding {
    /// What the rule is about, in a word or two.
    pub rule: &'static str,
    /// Whether it is met.
    pub standing: Standing,
    /// When, µs of test time.
    pub t_us: Option<i64>,
    /// What was found.
    pub value: Option<f64>,
    /// What is asked for.
    pub limit: Option<f64>,
    /// Unit of both.
    pub unit: &'static str,
    /// In plain words, without the time.
    pub says: String,
}

impl Finding {
    /// A finding with words only.
    pub fn new(rule: &'static str, standing: Standing, says: String) -> Finding {
        Finding { rule, standing, t_us: None, value: None, limit: None, unit: "", says }
    }

    /// With what was found and what is asked for.
    pub fn valued(self, value: f64, limit: f64, unit: &'static str) -> Finding {
        Finding { value: Some(value), limit: Some(limit), unit, ..self }
    }

    /// With its time.
    pub fn at(self, t_us: Option<i64>) -> Finding {
        Finding { t_us, ..self }
    }
}

/// `Met` where it is so.
pub(crate) fn met(is_so: bool) -> Standing {
    if is_so { Standing::Met } else { Standing::Missed }
}

/// That a pack was full when its discharge began.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct FullEvidence {
    /// What it comes to.
    pub proof: Proof,
    /// Rule by rule.
    pub findings: Vec<Finding>,
    /// What a finished taper left uncharged, Ah (an estimate): its time
    /// constant times its last current.
    pub uncharged_ah: Option<f64>,
    /// The most that can have been drawn unseen between charge and load, Ah:
    /// offset and dead band over the time between.
    pub unseen_ah: Option<f64>,
    /// When the proving charge ended, µs of test time.
    pub charge_end_us: Option<i64>,
    /// How it stood then.
    pub charge_end: Option<ChargeEnd>,
}

impl FullEvidence {
    /// What keeps it from being proven, in plain words.
    pub fn doubts(&self) -> impl Iterator<Item = &str> {
        let open = self.findings.iter().filter(|f| f.standing != Standing::Met);
        open.map(|f| f.says.as_str())
    }

    /// The finding under a rule.
    pub fn finding(&self, rule: &str) -> Option<&Finding> {
        self.findings.iter().find(|f| f.rule == rule)
    }
}
