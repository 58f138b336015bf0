//! The configuration: defaults, then the file, then `AMPLEDGER_…__…` variables,
//! then flags. What is wrong with one source stops that source only; every
//! problem is told with file, line, key and the nearest key that exists.

mod actions;
mod ble;
mod limits;
mod sessions;
mod source;

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use figment::Figment;
use figment::providers::{Env, Format, Serialized, Toml};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};

use ampledger_decoders::config::{FileSource, PluginConfig, collect, locate, nearest};
use ampledger_decoders::{ConfigProblem, DecoderConfig};

pub use actions::{ActionConfig, MqttConfig, SwitchConfig, WebhookConfig};
pub use ble::{BleConfig, Plan};
pub use limits::LimitConfig;
pub use source::{
    Parity, ReplayConfig, ReplayRate, SerialConfig, SourceConfig, StopBits, UsbIdentity,
};

/// Everything the daemon is told.
#[derive(Debug)]
pub struct Config {
    /// Where to record.
    pub store: StoreConfig,
    /// Where to listen.
    pub api: ApiConfig,
    /// How to log.
    pub log: LogConfig,
    /// The sources that can be used, by name.
    pub sources: BTreeMap<String, SourceConfig>,
    /// The sources that cannot, with what is wrong.
    pub refused: BTreeMap<String, Vec<Problem>>,
    /// The limits that can be watched, by name.
    pub limits: BTreeMap<String, LimitConfig>,
    /// Those that cannot, with what is wrong.
    pub refused_limits: BTreeMap<String, Vec<Problem>>,
    /// The actions that can be done, by name.
    pub actions: BTreeMap<String, ActionConfig>,
    /// Everything that is wrong, refused sources included.
    pub problems: Vec<Problem>,
}

/// `[store]`
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StoreConfig {
    /// The SQLite file.
    pub path: PathBuf,
    /// How much of a source's frame log is kept outside sessions, MiB.
    pub frame_log_mebibyte: u64,
}

/// `[api]`
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ApiConfig {
    /// The Unix socket.
    pub socket: PathBuf,
}

/// `[log]`
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LogConfig {
    /// For people or for programs.
    pub format: LogFormat,
    /// What is let through, e.g. `info` or `info,ampledgerd=debug`.
    pub filter: String,
}

/// Who reads the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LogFormat {
    /// A line a person reads.
    Human,
    /// A JSON object a line.
    Json,
}

/// What the command line overrides.
#[derive(Clone, Debug, Default)]
pub struct Overrides {
    /// `--store`
    pub store: Option<PathBuf>,
    /// `--socket`
    pub socket: Option<PathBuf>,
}

/// Where the configuration comes from, so that it can be read again.
#[derive(Clone, Debug, Default)]
pub struct Origin {
    /// `--config`
    pub file: Option<PathBuf>,
    /// What the command line overrides.
    pub overrides: Overrides,
}

impl Origin {
    /// Reads the configuration from all the places it can come from.
    pub fn load(&self) -> Result<Config, ConfigError> {
        load(self.file.as_deref(), &self.overrides)
    }
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// In which file, or another place a setting can come from.
    pub place: String,
    /// On which line of it, where that is known.
    pub line: Option<usize>,
    /// The key, as in `sources.bench-shunt.serial.baud`.
    pub key: String,
    /// What is wrong and what would be right.
    pub what: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) if self.key.is_empty() => write!(f, "{}:{line}: {}", self.place, self.what),
            Some(line) => write!(f, "{}:{line}: `{}`: {}", self.place, self.key, self.what),
            None => write!(f, "{}: `{}`: {}", self.place, self.key, self.what),
        }
    }
}

/// A configuration that nothing can be started with.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file is missing or cannot be read.
    #[error("the configuration {path} cannot be read: {why}")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        why: std::io::Error,
    },
    /// The file is no TOML, or a variable is no value.
    #[error("{0}")]
    Malformed(String),
    /// A section that everything needs is wrong.
    #[error("{}", .0.iter().map(Problem::to_string).collect::<Vec<_>>().join("\n"))]
    Unusable(Vec<Problem>),
}

const SECTIONS: [&str; 6] = ["store", "api", "log", "sources", "limits", "actions"];

/// Reads the configuration from all the places it can come from.
pub fn load(file: Option<&Path>, overrides: &Overrides) -> Result<Config, ConfigError> {
    let text = match file {
        None => String::new(),
        Some(path) => std::fs::read_to_string(path)
            .map_err(|why| ConfigError::Unreadable { path: path.to_owned(), why })?,
    };
    let figment = layers(&text, overrides);
    let merged: Value = figment.extract().map_err(|e| malformed(file, &text, &e))?;
    Reading { file, text: &text, figment: &figment, problems: Vec::new() }.config(merged)
}

/// A decoder's name with what it is built from, and its library if it has one.
pub type DecoderTable = (String, DecoderConfig, Option<PluginConfig>);

/// The decoders of the tables `[sources.NAME]` in a text, whatever other sections
/// are in it. Everything that is wrong is told at once, with the line.
pub fn decoder_tables(file: &str, text: &str) -> Result<BTreeMap<String, DecoderTable>, String> {
    let sources = FileSource::all(text).map_err(|problems| {
        let told = problems.into_iter().map(|problem| {
            let place = file.to_owned();
            let told = Problem { place, line: problem.line, key: problem.key, what: problem.what };
            told.to_string()
        });
        told.collect::<Vec<_>>().join("\n")
    })?;
    let table = |source: FileSource| {
        let config = source.table.config();
        (source.name, (source.table.decoder, config, source.table.plugin))
    };
    Ok(sources.into_iter().map(table).collect())
}

fn layers(text: &str, overrides: &Overrides) -> Figment {
    let mut flags = Map::new();
    if let Some(path) = &overrides.store {
        flags.insert("store".into(), json!({ "path": path }));
    }
    if let Some(socket) = &overrides.socket {
        flags.insert("api".into(), json!({ "socket": socket }));
    }
    // Only names with a double underscore are settings of the daemon: the
    // command line tool has variables of its own.
    let variables =
        Env::prefixed("AMPLEDGER_").filter(|name| name.as_str().contains("__")).split("__");
    Figment::from(Serialized::defaults(defaults()))
        .merge(Toml::string(text))
        .merge(variables)
        .merge(Serialized::defaults(Value::Object(flags)))
}

fn defaults() -> Value {
    json!({
        "store": { "path": "/var/lib/ampledger/ampledger.db", "frame_log_mebibyte": 1024 },
        "api": { "socket": "/run/ampledger/ampledger.sock" },
        "log": { "format": "human", "filter": "info" },
        "sources": {},
        "limits": {},
        "actions": {},
    })
}

fn malformed(file: Option<&Path>, text: &str, error: &figment::Error) -> ConfigError {
    let place = file.map_or("the configuration".to_owned(), |p| p.display().to_string());
    match locate::syntax_error(text) {
        Some((line, what)) => ConfigError::Malformed(format!("{place}:{line}: {what}")),
        None => ConfigError::Malformed(format!("{place}: {error}")),
    }
}

/// One pass over the merged values, collecting what is wrong on the way.
struct Reading<'a> {
    file: Option<&'a Path>,
    text: &'a str,
    figment: &'a Figment,
    problems: Vec<Problem>,
}

impl Reading<'_> {
    fn config(mut self, merged: Value) -> Result<Config, ConfigError> {
        let Value::Object(mut merged) = merged else {
            return Err(ConfigError::Malformed("the configuration is no table".to_owned()));
        };
        self.unknown_sections(&merged);
        let mut take = |section: &str| merged.remove(section).unwrap_or_default();
        let (sources, limits, actions) = (take("sources"), take("limits"), take("actions"));
        let store = self.read::<StoreConfig>("store", merged.remove("store"));
        let api = self.read::<ApiConfig>("api", merged.remove("api"));
        let log = self.read::<LogConfig>("log", merged.remove("log"));
        let (Some(store), Some(api), Some(log)) = (store, api, log) else {
            return Err(ConfigError::Unusable(self.problems));
        };
        let names = |value: &Value| -> Vec<String> {
            value.as_object().into_iter().flat_map(Map::keys).cloned().collect()
        };
        let (source_names, action_names) = (names(&sources), names(&actions));
        let actions = self.trusted_actions(actions);
        let (sources, refused) = self.tables("sources", sources, |name, s: &SourceConfig| {
            s.check(name).into_iter().chain(s.check_with(&source_names)).collect()
        });
        let decoders = sources.iter().map(|(name, s)| (name.clone(), s.decoder.clone())).collect();
        let (actions, _) =
            self.tables("actions", actions, |_, a: &ActionConfig| a.check(&decoders));
        let (limits, refused_limits) = self
            .tables("limits", limits, |_, l: &LimitConfig| l.check(&source_names, &action_names));
        Ok(Config {
            store,
            api,
            log,
            sources,
            refused,
            limits,
            refused_limits,
            actions,
            problems: self.problems,
        })
    }

    fn unknown_sections(&mut self, merged: &Map<String, Value>) {
        for key in merged.keys().filter(|key| !SECTIONS.contains(&key.as_str())) {
            let mut what = "there is no such section".to_owned();
            if let Some(near) = nearest(key, SECTIONS) {
                what.push_str(&format!("; did you mean `{near}`?"));
            }
            self.problem(key, what);
        }
    }

    /// Reads the tables of a section by name; those that are wrong apart, with
    /// what is wrong.
    fn tables<T: DeserializeOwned>(
        &mut self,
        section: &str,
        value: Value,
        check: impl Fn(&str, &T) -> Vec<ConfigProblem>,
    ) -> (BTreeMap<String, T>, BTreeMap<String, Vec<Problem>>) {
        let Value::Object(tables) = value else {
            self.problem(section, "must hold a table per name".to_owned());
            return Default::default();
        };
        let (mut good, mut refused) = (BTreeMap::new(), BTreeMap::new());
        for (name, table) in tables {
            let before = self.problems.len();
            let prefix = format!("{section}.{name}");
            let config = self.read::<T>(&prefix, Some(table));
            for problem in config.iter().flat_map(|config| check(&name, config)) {
                let key = format!("{prefix}.{}", problem.key);
                self.problem(key.trim_end_matches('.'), problem.what);
            }
            match config {
                Some(config) if self.problems.len() == before => {
                    good.insert(name, config);
                }
                _ => {
                    refused.insert(name, self.problems[before..].to_vec());
                }
            }
        }
        (good, refused)
    }

    /// Nothing that somebody else can write may have the daemon run anything.
    fn trusted_actions(&mut self, actions: Value) -> Value {
        let has_some = actions.as_object().is_some_and(|tables| !tables.is_empty());
        match self.file.filter(|_| has_some).and_then(actions::distrust) {
            None => actions,
            Some(why) => {
                self.problem("actions", why);
                Value::Object(Map::new())
            }
        }
    }

    /// Reads one table; `None` if too little of it is left.
    fn read<T: DeserializeOwned>(&mut self, prefix: &str, value: Option<Value>) -> Option<T> {
        let before = self.problems.len();
        let (read, problems) = collect(prefix, value.unwrap_or_default());
        for problem in problems {
            self.problem(&problem.key, problem.what);
        }
        self.problems[before..].sort_by_key(|problem| problem.line);
        read
    }

    fn problem(&mut self, key: &str, what: String) {
        let line = locate::line_of(self.text, key);
        let place = match (line, self.figment.find_metadata(key)) {
            (None, Some(from)) if from.name.contains("environment") => {
                format!("environment variable AMPLEDGER_{}", key.to_uppercase().replace('.', "__"))
            }
            _ => self.file.map_or("the configuration".to_owned(), |p| p.display().to_string()),
        };
        self.problems.push(Problem { place, line, key: key.to_owned(), what });
    }
}

#[cfg(test)]
mod tests;
