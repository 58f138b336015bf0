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
