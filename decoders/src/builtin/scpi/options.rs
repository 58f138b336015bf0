//! `[sources.NAME.options]` of `scpi`, and the queries they make.

use std::collections::BTreeSet;
use std::sync::Arc;

use ampledger_types::{Channel, Group};
use serde::Deserialize;

use crate::config::{ConfigProblem, DecoderConfig};
use crate::mapping::{Field, Mapping};

/// The options; `queries` must be there.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Options {
    /// What is asked again and again.
    pub queries: Vec<QueryOptions>,
    /// Ask `*IDN?` after opening.
    #[serde(default = "yes")]
    pub identify: bool,
    /// What ends a line that is sent.
    #[serde(default = "line_feed")]
    pub terminator: String,
    /// How long an answer may take, ms.
    #[serde(default = "timeout")]
    pub timeout_ms: u32,
    /// How long the line must be quiet before it is trusted again, ms.
    #[serde(default = "quiet")]
    pub quiet_ms: u32,
    /// Lines that are sent after opening and have no answer.
    #[serde(default)]
    pub setup: Vec<String>,
    /// Ask `SYST:ERR?` after an answer that is missing or wrong.
    #[serde(default)]
    pub check_errors: bool,
}

/// One query.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QueryOptions {
    /// The line to send, e.g. `MEAS:VOLT?`.
    pub send: String,
    /// How often, ms.
    #[serde(default = "every")]
    pub every_ms: u32,
    /// What its values are, in order; `-` for one that is not used.
    pub fields: Vec<String>,
}

fn yes() -> bool {
    true
}

fn line_feed() -> String {
    "\n".to_owned()
}

fn timeout() -> u32 {
    1000
}

fn quiet() -> u32 {
    200
}

fn every() -> u32 {
    1000
}

/// A query, ready to be asked.
#[derive(Debug)]
pub struct Query {
    /// The line to send, without its end.
    pub send: String,
    /// How often, microseconds.
    pub every_us: i64,
    /// Name and field of each value; `None` for one that is not used.
    pub fields: Vec<Option<(String, Field)>>,
    /// What its values are.
    pub group: Arc<Group>,
}

impl Options {
    /// Checks the options and makes the queries.
    pub fn queries(&self, config: &DecoderConfig) -> Result<Vec<Query>, ConfigProblem> {
        let problem =
            |key: &str, what: &str| Err(ConfigProblem::new(format!("options.{key}"), what));
        if !matches!(self.terminator.as_str(), "\n" | "\r" | "\r\n") {
            return problem("terminator", r#"must be "\n", "\r\n" or "\r""#);
        }
        if !(10..=60_000).contains(&self.timeout_ms) {
            return problem("timeout_ms", "must lie between 10 and 60000");
        }
        if !(1..=60_000).contains(&self.quiet_ms) {
            return problem("quiet_ms", "must lie between 1 and 60000");
        }
        if self.queries.is_empty() {
            return problem("queries", "there must be one at least");
        }
        for (i, line) in self.setup.iter().enumerate() {
            if !is_line(line) || line.contains('?') {
                return problem(&format!("setup[{i}]"), "must be one line that asks nothing");
            }
        }
        let mapping = Mapping::new(config)?;
        let mut unused: BTreeSet<&str> = mapping.names().collect();
        let mut queries: Vec<Query> = Vec::new();
        for (i, options) in self.queries.iter().enumerate() {
            let query = options.query(&format!("options.queries[{i}]"), &mapping)?;
            if queries.iter().any(|q| q.send == query.send) {
                return problem(&format!("queries[{i}].send"), "is asked by another query already");
            }
            options.fields.iter().for_each(|name| {
                unused.remove(name.as_str());
            });
            queries.push(query);
        }
        match unused.pop_first() {
            Some(name) => {
                let what = "no query has it among its `fields`";
                Err(ConfigProblem::new(format!("fields.{name}"), what))
            }
            None => Ok(queries),
        }
    }
}

impl QueryOptions {
    fn query(&self, key: &str, mapping: &Mapping) -> Result<Query, ConfigProblem> {
        let problem =
            |part: &str, what: String| Err(ConfigProblem::new(format!("{key}.{part}"), what));
        if !is_line(&self.send) || !self.send.contains('?') {
            return problem(
                "send",
                "must be one line with a question mark, as in MEAS:VOLT?".into(),
            );
        }
        if !(10..=86_400_000).contains(&self.every_ms) {
            return problem("every_ms", "must lie between 10 and 86400000".into());
        }
        let mut fields = Vec::new();
        let mut channels: Vec<Channel> = Vec::new();
        for (i, name) in self.fields.iter().enumerate() {
            if name == "-" {
                fields.push(None);
                continue;
            }
            match mapping.field(name)? {
                Some(field) if !channels.contains(&field.channel) => {
                    channels.push(field.channel.clone());
                    fields.push(Some((name.clone(), field)));
                }
                Some(_) => {
                    return problem(&format!("fields[{i}]"), format!("`{name}` is there twice"));
                }
                None => {
                    let what = format!("`{name}` is not among the source's fields; add it there");
                    return problem(&format!("fields[{i}]"), what);
                }
            }
        }
        if channels.is_empty() {
            return problem("fields", "there must be one at least".into());
        }
        Ok(Query {
            send: self.send.clone(),
            every_us: i64::from(self.every_ms) * 1000,
            fields,
            group: Arc::new(Group { name: self.send.clone(), channels }),
        })
    }
}

pub fn is_line(text: &str) -> bool {
    const LONGEST: usize = 256;
    (1..=LONGEST).contains(&text.len()) && text.bytes().all(|b| b == b' ' || b.is_ascii_graphic())
}
