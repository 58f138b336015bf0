//! `[sources.NAME.sessions]`: whether sessions begin and end by themselves.

use serde::Deserialize;

/// What the rules may do on a source.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SessionsConfig {
    /// Whether a pack that is connected, or a load that comes on, begins one;
    /// if not said, on everything but a replay and a mains-side meter.
    #[serde(default)]
    pub open: Option<bool>,
    /// Whether the end of a discharge and a rest, or a pack that is gone, end
    /// one that began by itself.
    #[serde(default = "yes")]
    pub close: bool,
    /// Other sources that such a session takes along.
    #[serde(default)]
    pub with: Vec<String>,
}

fn yes() -> bool {
    true
}

impl Default for SessionsConfig {
    fn default() -> Self {
        SessionsConfig { open: None, close: true, with: Vec::new() }
    }
}
