//! A test per message: what a person reads who mistyped something.

use super::*;

fn problems(text: &str) -> Vec<String> {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), text).unwrap();
    let problems = match load(Some(file.path()), &Overrides::default()) {
        Ok(config) => config.problems,
        Err(ConfigError::Unusable(problems)) => problems,
        Err(other) => return vec![other.to_string()],
    };
    let name = file.path().display().to_string();
    problems.iter().map(|p| p.to_string().replace(&name, "FILE")).collect()
}

const GOOD: &str = "
[sources.bench-shunt]
decoder = \"text-lines\"
[sources.bench-shunt.serial]
path = \"/dev/ttyUSB0\"
baud = 9600
[sources.bench-shunt.fields.I]
quantity = \"current_ampere\"
";

#[test]
fn a_good_file_has_no_problems() {
    assert_eq!(problems(GOOD), Vec::<String>::new());
}

#[test]
fn a_wrong_key_is_told_with_line_and_nearest() {
    let text = GOOD.replace("baud", "buad").replace("quantity", "quantiti");
    let told = problems(&text);
    assert!(
        told[0].starts_with("FILE:6: `sources.bench-shunt.serial.buad`: unknown field `buad`"),
        "{told:?}"
    );
    assert!(told[0].ends_with("did you mean `baud`?"), "{told:?}");
    assert!(
        told[1].contains("FILE:8:") && told[1].contains("did you mean `quantity`?"),
        "{told:?}"
    );
}

#[test]
fn a_wrong_source_refuses_that_source_only() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let text = format!("{GOOD}\n[sources.load]\ndecoder = \"scpy\"\n");
    std::fs::write(file.path(), text).unwrap();
    let config = load(Some(file.path()), &Overrides::default()).unwrap();
    assert_eq!(config.sources.keys().collect::<Vec<_>>(), ["bench-shunt"]);
    let told: Vec<_> = config.refused["load"].iter().map(Problem::to_string).collect();
    assert!(told.iter().any(|t| t.contains("did you mean `scpi`?")), "{told:?}");
    assert!(told.iter().any(|t| t.contains("a connection is missing")), "{told:?}");
}

#[test]
fn a_wrong_section_gets_the_nearest() {
    assert_eq!(
        problems("[source.x]\n"),
        ["FILE:1: `source`: there is no such section; did you mean `sources`?"]
    );
}

#[test]
fn no_toml_at_all_is_told_with_its_line() {
    let told = problems("[store]\npath = = 3\n");
    assert!(told[0].contains(":2: "), "{told:?}");
}

#[test]
fn flags_win_over_the_file() {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), "[store]\npath = \"/a.db\"\n").unwrap();
    let overrides = Overrides { store: Some("/b.db".into()), socket: None };
    assert_eq!(load(Some(file.path()), &overrides).unwrap().store.path, PathBuf::from("/b.db"));
}

#[test]
fn a_wrong_key_in_a_section_that_all_need_is_told_but_stops_nothing() {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), "[api]\nsoket = \"/x\"\n").unwrap();
    let config = load(Some(file.path()), &Overrides::default()).unwrap();
    assert!(config.problems[0].to_string().contains("did you mean `socket`?"));
    assert_eq!(config.api.socket, PathBuf::from("/run/ampledger/ampledger.sock"));
}

#[test]
fn a_key_is_never_shown() {
    let key = "231d39c1d7cc1ab1aee224cd096db932";
    let file = tempfile::NamedTempFile::new().unwrap();
    let text = format!(
        "[sources.clamp]\ndecoder = \"bthome\"\nreplay = {{ file = \"x\" }}\n\
         options = {{ key = \"{key}\", address = \"54:48:E6:8F:80:A5\" }}\n"
    );
    std::fs::write(file.path(), text).unwrap();
    let config = load(Some(file.path()), &Overrides::default()).unwrap();
    let shown = format!("{config:?}");
    assert!(shown.contains("54:48:E6") && !shown.contains(key), "{shown}");
}

#[test]
fn what_is_wrong_inside_a_list_of_options_is_told_with_its_own_line() {
    let text = "[sources.load]\ndecoder = \"scpi\"\nserial = { path = \"/dev/x\" }\n\
                [sources.load.options]\nqueries = [\n  { send = \"READ?\", fields = [\"U\"] },\n  \
                { sned = \"READ?\", fields = [\"I\"] },\n]\n";
    let told = problems(text);
    assert!(told[0].starts_with("FILE:7: `sources.load.options.queries[1]"), "{told:?}");
}

/// The decoders' own reading of a source lets the daemon's keys pass, and no others.
#[test]
fn both_readings_of_a_source_know_the_same_keys() {
    let wrong = "[sources.x]\nno_such_key = 1\n";
    let here = problems(wrong)[0].split_once("expected").unwrap().1.to_owned();
    let there = ampledger_decoders::config::FileSource::read(wrong, None).err().unwrap();
    let there = there[0].what.split_once("expected").unwrap().1.to_owned();
    let keys = |text: &str| {
        let keys = text.split('`').skip(1).step_by(2).map(str::to_owned);
        keys.collect::<std::collections::BTreeSet<String>>()
    };
    assert_eq!(keys(&here), keys(&there));
}
