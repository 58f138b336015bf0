//! The worked cases of `data/method-vectors.json`, read by name. Each case
//! names its own source. Not every test file uses all of it.
#![allow(dead_code)]
#![allow(clippy::unwrap_used, reason = "a case that cannot be read fails the test")]

use serde_json::Value;

pub struct Case {
    pub method: String,
    pub name: String,
    pub inputs: Value,
    pub expected: Value,
}

impl Case {
    pub fn number(&self, name: &str) -> f64 {
        self.inputs[name].as_f64().unwrap_or_else(|| panic!("no input {name}"))
    }

    pub fn numbers(&self, name: &str) -> Vec<f64> {
        let list = self.inputs[name].as_array().unwrap_or_else(|| panic!("no inputs {name}"));
        list.iter().map(|v| v.as_f64().unwrap()).collect()
    }

    pub fn says(&self, name: &str) -> f64 {
        self.expected[name].as_f64().unwrap_or_else(|| panic!("nothing expected as {name}"))
    }

    pub fn says_all(&self, name: &str) -> Vec<f64> {
        let list = self.expected[name].as_array().unwrap_or_else(|| panic!("no list {name}"));
        list.iter().map(|v| v.as_f64().unwrap()).collect()
    }

    /// Fails where `ours` is not what the case expects under a name.
    pub fn check(&self, name: &str, ours: f64, relative: f64) {
        let theirs = self.says(name);
        let is_near = (ours - theirs).abs() <= relative * theirs.abs().max(1e-9);
        assert!(is_near, "{}, {}: {name} is {ours}, not {theirs}", self.method, self.name);
    }
}

pub fn all() -> Vec<Case> {
    let all: Value = serde_json::from_str(include_str!("../data/method-vectors.json")).unwrap();
    let text = |v: &Value| v.as_str().unwrap().to_owned();
    let case = |v: &Value| Case {
        method: text(&v["method"]),
        name: text(&v["case"]),
        inputs: v["inputs"].clone(),
        expected: v["expected"].clone(),
    };
    all.as_array().unwrap().iter().map(case).collect()
}

pub fn cases(method: &str, beginning: &str) -> Vec<Case> {
    let fits = |c: &Case| c.method == method && c.name.starts_with(beginning);
    let found: Vec<Case> = all().into_iter().filter(fits).collect();
    assert!(!found.is_empty(), "no case '{beginning}' of '{method}'");
    found
}

pub fn case(method: &str, beginning: &str) -> Case {
    cases(method, beginning).remove(0)
}
