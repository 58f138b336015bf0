//! `[actions.NAME]`: who is told when a limit is passed. They run programs and
//! reach other machines, so they come from the configuration file alone, and
//! only from one that nobody else can write. Their contents can be secret.

use std::collections::BTreeMap;
use std::fmt;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use ampledger_decoders::ConfigProblem;
use serde::Deserialize;
use serde_json::{Value, json};

/// One action; exactly one of the four.
#[derive(Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ActionConfig {
    /// A program with its arguments; it gets the alarm as JSON on its input.
    #[serde(default)]
    pub command: Option<Vec<String>>,
    /// An address that the alarm is posted to as JSON.
    #[serde(default)]
    pub webhook: Option<WebhookConfig>,
    /// A topic that the alarm is published to as JSON.
    #[serde(default)]
    pub mqtt: Option<MqttConfig>,
    /// An instrument that is told to switch off.
    #[serde(default)]
    pub switch: Option<SwitchConfig>,
    /// How long one try may take, s.
    #[serde(default = "ten")]
    pub timeout_second: f64,
    /// It is told of the same limit at most once in this time, s.
    #[serde(default = "ten")]
    pub at_most_every_second: f64,
}

fn ten() -> f64 {
    10.0
}

/// `webhook = { … }`
#[derive(Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WebhookConfig {
    /// `http://…` or `https://…`
    pub url: String,
    /// Header lines to send along, as for a token.
    #[serde(default)]
    pub headers: BTreeMap<String, String>,
}

/// `mqtt = { … }`
#[derive(Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MqttConfig {
    /// The broker.
    pub host: String,
    /// Its port; 1883, or 8883 with TLS.
    #[serde(default)]
    pub port: Option<u16>,
    /// Whether it is spoken to with TLS, its certificate checked against the
    /// system's.
    #[serde(default)]
    pub tls: bool,
    /// With TLS, its certificate checked against these (PEM) and no others.
    #[serde(default)]
    pub ca: Option<PathBuf>,
    /// The topic.
    pub topic: String,
    /// Whether the broker keeps the last alarm for those who come later.
    #[serde(default)]
    pub retain: bool,
    /// User, where the broker wants one.
    #[serde(default)]
    pub user: Option<String>,
    /// Password.
    #[serde(default)]
    pub password: Option<String>,
}

impl MqttConfig {
    /// Whether it is spoken to with TLS.
    pub fn is_encrypted(&self) -> bool {
        self.tls || self.ca.is_some()
    }

    /// The port that is meant (those that IANA lists for MQTT).
    pub fn port(&self) -> u16 {
        self.port.unwrap_or(if self.is_encrypted() { 8883 } else { 1883 })
    }
}

/// `switch = { … }`: toward off, and never otherwise.
#[derive(Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SwitchConfig {
    /// The source whose instrument switches.
    pub source: String,
    /// On a `scpi` source: the line that switches off.
    #[serde(default)]
    pub scpi: Option<String>,
    /// On a `modbus-rtu` source: the coil that is cleared.
    #[serde(default)]
    pub coil: Option<u16>,
    /// The unit on the line, where there are several.
    #[serde(default)]
    pub unit: Option<String>,
}

impl SwitchConfig {
    /// The command for the source's decoder.
    pub fn command(&self) -> (&'static str, Value) {
        match (&self.scpi, self.coil) {
            (Some(line), _) => ("send", json!({ "line": line })),
            (None, coil) => {
                let mut arguments = json!({ "address": coil.unwrap_or(0), "value": false });
                if let Some(unit) = &self.unit {
                    arguments["unit"] = json!(unit);
                }
                ("write-coil", arguments)
            }
        }
    }

    /// `decoders` are the sources that exist, with their decoders.
    fn check(&self, decoders: &BTreeMap<String, String>) -> Option<ConfigProblem> {
        let problem =
            |key: &str, what: &str| Some(ConfigProblem::new(format!("switch.{key}"), what));
        match (decoders.get(&self.source).map(String::as_str), &self.scpi, self.coil) {
            (None, ..) => problem("source", "there is no such source"),
            (Some("scpi"), Some(line), None) if is_off(line) => None,
            (Some("scpi"), Some(_), None) => problem(
                "scpi",
                "must be one line that ends in ` OFF` or ` 0`: only off is switched",
            ),
            (Some("scpi"), ..) => problem("scpi", "a `scpi` source needs `scpi`, and no `coil`"),
            (Some("modbus-rtu"), None, Some(_)) => None,
            (Some("modbus-rtu"), ..) => {
                problem("coil", "a `modbus-rtu` source needs `coil`, and no `scpi`")
            }
            (Some(_), ..) => problem("source", "only `scpi` and `modbus-rtu` can switch"),
        }
    }
}

/// A line that can only switch something off, and only one thing.
fn is_off(line: &str) -> bool {
    let upper = line.trim().to_ascii_uppercase();
    let is_one = !upper.contains([';', '?', '\n', '\r']) && upper.is_ascii();
    is_one && (upper.ends_with(" OFF") || upper.ends_with(" 0"))
}

/// What it runs and where it goes is not for logs.
impl fmt::Debug for ActionConfig {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.kind())
    }
}

impl ActionConfig {
    /// What it does, in a word.
    pub fn kind(&self) -> &'static str {
        match (&self.command, &self.webhook, &self.mqtt) {
            (Some(_), ..) => "command",
            (None, Some(_), _) => "webhook",
            (None, None, Some(_)) => "mqtt",
            (None, None, None) => "switch",
        }
    }

    /// What is wrong beyond the form of the keys. `decoders` are the sources
    /// that exist, with their decoders.
    pub fn check(&self, decoders: &BTreeMap<String, String>) -> Vec<ConfigProblem> {
        let mut problems = Vec::new();
        let given = [
            self.command.is_some(),
            self.webhook.is_some(),
            self.mqtt.is_some(),
            self.switch.is_some(),
        ];
        if given.iter().filter(|given| **given).count() != 1 {
            let what = "give one of `command`, `webhook`, `mqtt` and `switch`";
            problems.push(ConfigProblem::new("", what));
        }
        if let Some(command) = &self.command
            && !command.first().is_some_and(|program| Path::new(program).is_absolute())
        {
            let what = "begins with a program, by its absolute path";
            problems.push(ConfigProblem::new("command", what));
        }
        if let Some(webhook) = &self.webhook
            && !webhook.url.starts_with("http://")
            && !webhook.url.starts_with("https://")
        {
            problems.push(ConfigProblem::new("webhook.url", "must begin with http:// or https://"));
        }
        if let Some(mqtt) = &self.mqtt
            && (mqtt.topic.is_empty() || mqtt.topic.contains(['#', '+', '\0']))
        {
            problems.push(ConfigProblem::new("mqtt.topic", "must be a topic without `#` and `+`"));
        }
        if let Some(ca) = self.mqtt.as_ref().and_then(|mqtt| mqtt.ca.as_ref())
            && !ca.is_absolute()
        {
            problems.push(ConfigProblem::new("mqtt.ca", "must be an absolute path"));
        }
        problems.extend(self.switch.as_ref().and_then(|switch| switch.check(decoders)));
        for (key, value, least, most) in [
            ("timeout_second", self.timeout_second, 0.1, 600.0),
            ("at_most_every_second", self.at_most_every_second, 0.0, 86_400.0),
        ] {
            if !(least..=most).contains(&value) {
                problems.push(ConfigProblem::new(key, format!("must be {least} to {most}")));
            }
        }
        problems
    }
}

/// Why actions from this file are not run: whoever can write it could have the
/// daemon run anything.
pub fn distrust(file: &Path) -> Option<String> {
    let seen = file.metadata().ok()?;
    let own = rustix::process::geteuid().as_raw();
    if seen.uid() != 0 && seen.uid() != own {
        return Some("this file must belong to root: its actions are not run".to_owned());
    }
    (seen.mode() & 0o022 != 0)
        .then(|| "others can write this file: its actions are not run; chmod go-w it".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_line_that_switches_one_thing_off_is_taken() {
        for line in ["INP OFF", "outp 0", ":SOUR:INP:STAT OFF"] {
            assert!(is_off(line), "{line}");
        }
        for line in ["INP ON", "INP 1", "OFF", "INP ON;OUTP OFF", "INP?", "INP OFF\nINP ON", "*RST"]
        {
            assert!(!is_off(line), "{line}");
        }
    }
}
