//! `[sources.NAME.plugin]`: the library that decodes a source, and how much it
//! may take. It is described here; what loads it is a process of its own.

use std::path::PathBuf;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::{ConfigProblem, DecoderConfig};
use crate::mapping::Mapping;

/// The decoder's name of every plugin.
pub const PLUGIN: &str = "plugin";

/// A decoder in a library of its own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PluginConfig {
    /// The library, by its absolute path.
    pub file: PathBuf,
    /// How long it may take over what it is given, seconds.
    #[serde(default = "default_reply")]
    pub reply_second: f64,
    /// How much memory its process may have, MiB.
    #[serde(default = "default_memory")]
    pub memory_mib: u64,
}

fn default_reply() -> f64 {
    2.0
}

fn default_memory() -> u64 {
    256
}

impl PluginConfig {
    /// The longest that it may take over what it is given.
    pub fn reply_limit(&self) -> Duration {
        Duration::try_from_secs_f64(self.reply_second).unwrap_or_default()
    }

    /// What is wrong beyond the form of the keys.
    fn check(&self) -> Vec<ConfigProblem> {
        let mut problems = Vec::new();
        if !self.file.is_absolute() {
            let what =
                "must be an absolute path, as /usr/local/lib/ampledger/plugins/yard_shunt.so";
            problems.push(ConfigProblem::new("plugin.file", what));
        }
        if !(0.1..=60.0).contains(&self.reply_second) {
            problems.push(ConfigProblem::new("plugin.reply_second", "must be 0.1 to 60"));
        }
        if !(32..=4096).contains(&self.memory_mib) {
            problems.push(ConfigProblem::new("plugin.memory_mib", "must be 32 to 4096"));
        }
        problems
    }
}

/// What is wrong with a decoder's name, with its library, or with what it is
/// built from.
pub fn check(
    decoder: &str,
    plugin: Option<&PluginConfig>,
    config: &DecoderConfig,
) -> Vec<ConfigProblem> {
    match (decoder, plugin) {
        (PLUGIN, Some(plugin)) => {
            plugin.check().into_iter().chain(Mapping::new(config).err()).collect()
        }
        (PLUGIN, None) => {
            let what = "a plugin needs its library: give the source a table `plugin` with `file`";
            vec![ConfigProblem::new("plugin", what)]
        }
        (_, Some(_)) => {
            let what = "only a source with decoder = \"plugin\" has one";
            vec![ConfigProblem::new("plugin", what)]
        }
        (_, None) => super::build(decoder, config).err().into_iter().collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(decoder: &str, plugin: Option<serde_json::Value>) -> Vec<String> {
        let plugin = plugin.map(|plugin| serde_json::from_value(plugin).unwrap());
        let problems = check(decoder, plugin.as_ref(), &DecoderConfig::default());
        problems.into_iter().map(|problem| problem.key).collect()
    }

    #[test]
    fn a_plugin_has_an_absolute_path_and_sensible_bounds() {
        let good = serde_json::json!({ "file": "/usr/lib/x.so" });
        assert_eq!(keys(PLUGIN, Some(good.clone())), [""; 0]);
        let wrong = serde_json::json!({ "file": "x.so", "reply_second": 0.0, "memory_mib": 5 });
        let told = ["plugin.file", "plugin.reply_second", "plugin.memory_mib"];
        assert_eq!(keys(PLUGIN, Some(wrong)), told);
        assert_eq!(keys(PLUGIN, None), ["plugin"]);
        assert_eq!(keys("text-lines", Some(good)), ["plugin"]);
        assert_eq!(keys("plugi", None), ["decoder"]);
    }
}
