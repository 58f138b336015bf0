//! `[sources.NAME]` as far as a decoder is concerned: which one, its options,
//! its fields. One reading for the daemon and for those who decode without it.
//! Text and values come in, everything that is wrong goes out; no file is read.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde::de::{DeserializeOwned, IgnoredAny};
use serde_json::{Map, Value};

use super::locate::{self, first_name, first_place};
use super::plugin::{self, PLUGIN, PluginConfig};
use super::{ConfigProblem, DecoderConfig, FieldConfig, nearest, with_nearest};
use crate::builtin;
use crate::decoder::{Decoder, Descriptor};

/// A source's table. What belongs to its connection and its instrument is let
/// pass: the daemon checks it.
#[derive(Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DecoderTable {
    /// Name of the decoder.
    pub decoder: String,
    /// The library it is in, where it is a plugin.
    #[serde(default)]
    pub plugin: Option<PluginConfig>,
    #[serde(default)]
    options: Map<String, Value>,
    #[serde(default)]
    fields: BTreeMap<String, FieldConfig>,
    #[serde(default, rename = "serial")]
    _serial: IgnoredAny,
    #[serde(default, rename = "ble")]
    _ble: IgnoredAny,
    #[serde(default, rename = "sessions")]
    _sessions: IgnoredAny,
    #[serde(default, rename = "replay")]
    _replay: IgnoredAny,
    #[serde(default, rename = "instrument")]
    _instrument: IgnoredAny,
}

impl DecoderTable {
    /// What the decoder is built from.
    pub fn config(&self) -> DecoderConfig {
        DecoderConfig { options: self.options.clone(), fields: self.fields.clone() }
    }

    /// What is wrong beyond the form of the keys.
    pub fn check(&self) -> Vec<ConfigProblem> {
        plugin::check(&self.decoder, self.plugin.as_ref(), &self.config())
    }

    /// A fresh decoder, with its line in the list.
    pub fn build(&self) -> Result<(&'static Descriptor, Box<dyn Decoder>), ConfigProblem> {
        build(&self.decoder, &self.config())
    }
}

/// A fresh decoder of that name; what is wrong with the name or the
/// configuration otherwise.
pub fn build(
    decoder: &str,
    config: &DecoderConfig,
) -> Result<(&'static Descriptor, Box<dyn Decoder>), ConfigProblem> {
    if decoder == PLUGIN {
        let what = "a plugin runs in a process of its own; try it with `ampledger plugin check`";
        return Err(ConfigProblem::new("decoder", what));
    }
    let Some(descriptor) = builtin::find(decoder) else {
        let names = builtin::BUILTIN.iter().map(|d| d.name).chain([PLUGIN]);
        let what = format!("there is no decoder `{decoder}`; there are {}", listed(names.clone()));
        return Err(ConfigProblem::new("decoder", suggesting(what, decoder, names)));
    };
    Ok((descriptor, (descriptor.build)(config)?))
}

/// One thing that is wrong with a configuration file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileProblem {
    /// On which line, where that is known.
    pub line: Option<usize>,
    /// The key, counted from the top; empty where the whole file is meant.
    pub key: String,
    /// What is wrong and what would be right.
    pub what: String,
}

/// A source of a configuration file, with a decoder that can be built.
#[derive(Clone)]
pub struct FileSource {
    /// Its name.
    pub name: String,
    /// Its table.
    pub table: DecoderTable,
}

impl FileSource {
    /// Finds the source in the text of a whole configuration or of a single
    /// `[sources.NAME]`; `name` may be left out where there is only one.
    /// Everything that is wrong comes at once.
    pub fn read(text: &str, name: Option<&str>) -> Result<FileSource, Vec<FileProblem>> {
        let tables = tables(text)?;
        let (name, table) = choose(tables, name).map_err(|wrong| vec![problem(text, wrong)])?;
        let (source, problems) = checked(text, name, table);
        source.filter(|_| problems.is_empty()).ok_or(problems)
    }

    /// Every source in the text; there may be none.
    pub fn all(text: &str) -> Result<Vec<FileSource>, Vec<FileProblem>> {
        let (mut sources, mut problems) = (Vec::new(), Vec::new());
        for (name, table) in tables(text)? {
            let (source, wrong) = checked(text, name, table);
            sources.extend(source);
            problems.extend(wrong);
        }
        if problems.is_empty() { Ok(sources) } else { Err(problems) }
    }
}

fn problem(text: &str, problem: ConfigProblem) -> FileProblem {
    let ConfigProblem { key, what } = problem;
    FileProblem { line: locate::line_of(text, &key), key, what }
}

/// The tables of the sources.
fn tables(text: &str) -> Result<Map<String, Value>, Vec<FileProblem>> {
    if let Some((line, what)) = locate::syntax_error(text) {
        return Err(vec![FileProblem { line: Some(line), key: String::new(), what }]);
    }
    let mut file: Value = toml_edit::de::from_str(text)
        .map_err(|error| vec![problem(text, ConfigProblem::new("", error.message()))])?;
    match file.get_mut("sources").map(Value::take) {
        Some(Value::Object(tables)) => Ok(tables),
        None => Ok(Map::new()),
        Some(_) => {
            let wrong = ConfigProblem::new("sources", "must hold a table per source");
            Err(vec![problem(text, wrong)])
        }
    }
}

/// A source, and everything that is wrong with it, by line.
fn checked(text: &str, name: String, table: Value) -> (Option<FileSource>, Vec<FileProblem>) {
    let prefix = format!("sources.{name}");
    let (table, mut problems) = collect::<DecoderTable>(&prefix, table);
    for wrong in table.iter().flat_map(DecoderTable::check) {
        problems.push(ConfigProblem { key: format!("{prefix}.{}", wrong.key), ..wrong });
    }
    let mut problems: Vec<FileProblem> =
        problems.into_iter().map(|wrong| problem(text, wrong)).collect();
    problems.sort_by_key(|problem| problem.line);
    (table.map(|table| FileSource { name, table }), problems)
}

/// The source's table out of the file.
fn choose(
    mut sources: Map<String, Value>,
    name: Option<&str>,
) -> Result<(String, Value), ConfigProblem> {
    if sources.is_empty() {
        let what = "there is no source in it; it needs a table `[sources.NAME]`";
        return Err(ConfigProblem::new("", what));
    }
    let names: Vec<String> = sources.keys().cloned().collect();
    let known = || names.iter().map(String::as_str);
    let name = match (name, names.as_slice()) {
        (Some(name), _) => name.to_owned(),
        (None, [only]) => only.clone(),
        (None, _) => {
            let what = format!("there are several sources: {}; say which", listed(known()));
            return Err(ConfigProblem::new("sources", what));
        }
    };
    match sources.remove(&name) {
        Some(table) => Ok((name, table)),
        None => {
            let what = format!("there is no source `{name}`; there are {}", listed(known()));
            Err(ConfigProblem::new("sources", suggesting(what, &name, known())))
        }
    }
}

fn listed<'a>(names: impl Iterator<Item = &'a str>) -> String {
    names.map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ")
}

fn suggesting<'a>(mut what: String, name: &str, known: impl Iterator<Item = &'a str>) -> String {
    if let Some(near) = nearest(name, known) {
        what.push_str(&format!("; did you mean `{near}`?"));
    }
    what
}

/// Reads a table that stands at `prefix`. What is wrong is noted, with its
/// whole key and the nearest word, and left out, so that the next thing is
/// found as well; no value if too little is left.
pub fn collect<T: DeserializeOwned>(
    prefix: &str,
    mut value: Value,
) -> (Option<T>, Vec<ConfigProblem>) {
    let mut problems: Vec<ConfigProblem> = Vec::new();
    loop {
        let error = match serde_path_to_error::deserialize::<_, T>(&value) {
            Ok(read) => return (Some(read), problems),
            Err(error) => error,
        };
        let path = error.path().to_string();
        let message = error.into_inner().to_string();
        let inside = inner_key(&path, unknown_field(&message));
        let key = if inside.is_empty() { prefix.to_owned() } else { format!("{prefix}.{inside}") };
        let inside_it = format!("{key}.");
        let is_follow_on = message.starts_with("missing field")
            && problems.iter().any(|p| p.key.starts_with(&inside_it));
        // A mistyped key is a missing one as well: it is told once.
        if !is_follow_on {
            problems.push(ConfigProblem::new(key, with_nearest(&message)));
        }
        if !remove(&mut value, &inside) {
            return (None, problems);
        }
    }
}

fn unknown_field(message: &str) -> Option<&str> {
    message.strip_prefix("unknown field `")?.split('`').next()
}

/// The key below the table that an error is about.
fn inner_key(path: &str, unknown: Option<&str>) -> String {
    let path = if path == "." { "" } else { path };
    match unknown {
        Some(name) if path.is_empty() => name.to_owned(),
        Some(name) if path != name && !path.ends_with(&format!(".{name}")) => {
            format!("{path}.{name}")
        }
        _ => path.to_owned(),
    }
}

/// Takes the value at a key out; `false` if there is none.
fn remove(value: &mut Value, key: &str) -> bool {
    match value {
        Value::Object(table) => {
            let Some((name, rest)) = first_name(key, table.keys().map(String::as_str)) else {
                return false;
            };
            let name = name.to_owned();
            match rest {
                "" => table.remove(&name).is_some(),
                rest => table.get_mut(&name).is_some_and(|inner| remove(inner, rest)),
            }
        }
        Value::Array(list) => match first_place(key) {
            Some((place, "")) if place < list.len() => {
                list.remove(place);
                true
            }
            Some((place, rest)) => list.get_mut(place).is_some_and(|inner| remove(inner, rest)),
            None => false,
        },
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
[store]
path = "/var/lib/ampledger/ampledger.db"

[sources.bench-shunt]
decoder = "text-lines"
serial = { path = "/dev/ttyUSB0", baud = 9600 }

[sources.bench-shunt.fields.U]
quantity = "voltage_volt"
"#;

    fn told(text: &str, name: Option<&str>) -> Vec<String> {
        let Err(problems) = FileSource::read(text, name) else { return Vec::new() };
        let line = |line: Option<usize>| line.map_or("-".to_owned(), |line| line.to_string());
        problems.iter().map(|p| format!("{} {}: {}", line(p.line), p.key, p.what)).collect()
    }

    #[test]
    fn a_whole_configuration_and_a_single_table_are_read_alike() {
        let whole = FileSource::read(GOOD, None).ok().unwrap();
        let single = &GOOD[GOOD.find("[sources").unwrap()..];
        let single = FileSource::read(single, Some("bench-shunt")).ok().unwrap();
        assert_eq!(
            (whole.name.as_str(), whole.table.decoder.as_str()),
            ("bench-shunt", "text-lines")
        );
        assert_eq!(whole.table.config(), single.table.config());
        assert_eq!(whole.table.config().fields.len(), 1);
    }

    #[test]
    fn everything_that_is_wrong_is_told_at_once_with_its_line() {
        let text = GOOD.replace("quantity", "quantiti").replace("serial", "serail");
        let told = told(&text, None);
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(told[0].starts_with("7 sources.bench-shunt.serail: unknown field"), "{told:?}");
        assert!(told[0].ends_with("did you mean `serial`?"), "{told:?}");
        assert!(told[1].starts_with("10 sources.bench-shunt.fields.U.quantiti:"), "{told:?}");
    }

    #[test]
    fn what_the_decoder_refuses_is_told_with_its_line_through_lists() {
        let text = r#"[sources.quay]
decoder = "frames"
[sources.quay.options]
framing = "cobs"
[[sources.quay.options.frames]]
name = "live"
fields = [
  { name = "U", at = 0, type = "u16" },
  { name = "x", at = 2, type = "u17" },
]
[sources.quay.fields]
U = { quantity = "voltage_volt" }
"#;
        let wrong = told(text, None);
        assert!(
            wrong[0].starts_with("9 sources.quay.options.frames[0].fields[1].type"),
            "{wrong:?}"
        );
        let wrong = told(&text.replace("u17", "u16"), None);
        assert!(
            wrong[0].starts_with("9 sources.quay.options.frames[0].fields[1].name"),
            "{wrong:?}"
        );
        let wrong = told(&text.replace("\"frames\"", "\"frame\""), None);
        assert!(wrong[0].starts_with("2 ") && wrong[0].contains("`frames`?"), "{wrong:?}");
    }

    #[test]
    fn the_source_must_be_said_where_there_are_several() {
        let two = format!("{GOOD}[sources.clamp]\ndecoder = \"bthome\"\n");
        assert!(told(&two, None)[0].contains("say which"), "{:?}", told(&two, None));
        assert_eq!(told(&two, Some("clamp")), [""; 0]);
        assert!(told(&two, Some("clamb"))[0].ends_with("did you mean `clamp`?"));
        assert!(told("[store]\n", None)[0].contains("[sources.NAME]"));
        assert!(told("[sources.x\n", None)[0].starts_with("1 "));
    }

    #[test]
    fn a_field_with_dots_in_its_name_hides_no_further_mistake() {
        let text = "[sources.ac]\ndecoder = \"iec62056-21\"\n[sources.ac.fields.\"32.7.0\"]\n\
                    quantity = \"voltage_volt\"\nunti = \"V\"\n[sources.ac.fields.\"31.7.0\"]\n\
                    quantity = \"current_ampere\"\nscael = 2.0\n";
        let lines: Vec<String> = told(text, None).iter().map(|t| t[..1].to_owned()).collect();
        assert_eq!(lines, ["5", "8"]);
    }
}
