//! The documents say what is there: every path and test they name exists, and
//! everything that must be named is.

use std::collections::BTreeSet;

use super::graph::metadata;
use super::{read, sources};
use crate::util::root;

/// Documents whose paths are checked.
const CHECKED: [&str; 4] = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "docs/README.md"];

/// The two commands of a fresh machine.
const FIRST: &str = "cargo build --release && target/release/ampledger demo";
const SECOND: &str = "tests/run";

/// What stands between single backticks, outside fenced blocks.
fn quoted(text: &str) -> Vec<String> {
    let mut fenced = false;
    let mut words = Vec::new();
    for line in text.lines() {
        if line.trim_start().starts_with("```") {
            fenced = !fenced;
        } else if !fenced {
            words.extend(line.split('`').skip(1).step_by(2).map(str::to_owned));
        }
    }
    words
}

/// Whether a quoted word means a path of this tree: it has a slash, and begins
/// with something that lies at the top.
fn is_path(word: &str) -> bool {
    let top = word.split('/').next().unwrap_or_default();
    let plain = word.chars().all(|c| c.is_ascii_alphanumeric() || "/._-".contains(c));
    plain && word.contains('/') && top != "target" && !top.is_empty() && root().join(top).is_dir()
}

#[test]
fn every_path_that_a_document_names_exists() {
    for document in CHECKED {
        let folder = root().join(document);
        let folder = folder.parent().expect("a folder");
        for word in quoted(&read(document)).into_iter().filter(|word| is_path(word)) {
            let there = root().join(&word).exists() || folder.join(&word).exists();
            assert!(there, "{document} names `{word}`, which is not there");
        }
    }
}

/// The decisions' file names, in order.
fn decisions() -> Vec<String> {
    let folder = std::fs::read_dir(root().join("docs/decisions")).expect("the decisions");
    let mut names: Vec<String> = folder
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn every_test_that_a_document_names_exists() {
    let all: Vec<String> = sources().iter().map(read).collect();
    let decisions = decisions().into_iter().map(|name| format!("docs/decisions/{name}"));
    for document in decisions.chain(["DEVELOPERS.md".to_owned()]) {
        let is_test = |word: &String| word.contains("::") && word.contains('_');
        let tests: Vec<String> = quoted(&read(&document)).into_iter().filter(is_test).collect();
        assert!(!tests.is_empty(), "{document} names no test that holds what it says");
        for name in tests {
            let function = format!("fn {}(", name.rsplit("::").next().unwrap_or_default());
            assert!(all.iter().any(|t| t.contains(&function)), "{document}: no test `{name}`");
        }
    }
}

/// Every test of this tree, with the module it is in: `faults::line::half_a_line`.
fn tests() -> BTreeSet<String> {
    let mut tests = BTreeSet::new();
    for path in sources() {
        let path = path.with_extension("");
        let folders = path.iter().map(|part| part.to_string_lossy().into_owned());
        let inside = folders.skip_while(|part| part != "tests" && part != "src").skip(1);
        let module = inside.collect::<Vec<String>>().join("::");
        let text = read(path.with_extension("rs"));
        let mut lines = text.lines().map(str::trim).peekable();
        while let Some(line) = lines.next() {
            let is_test = line == "#[test]" || line.starts_with("#[tokio::test");
            let next = lines.peek().unwrap_or(&"").trim_start_matches("async ");
            if let (true, Some(name)) = (is_test, next.strip_prefix("fn ")) {
                tests.insert(format!("{module}::{}", name.split('(').next().unwrap_or_default()));
            }
        }
    }
    tests
}

#[test]
fn every_fault_of_the_table_is_shown_by_tests_that_exist() {
    let (text, tests) = (read("docs/faults.md"), tests());
    let rows: Vec<&str> = text.lines().filter(|line| line.starts_with("| ")).skip(2).collect();
    assert!(rows.len() >= 18, "rows are missing: {}", rows.len());
    for row in rows {
        let shown = row.rsplit(" | ").next().unwrap_or_default();
        let named = quoted(shown);
        assert!(!named.is_empty(), "no test shows this: {row}");
        for name in named {
            assert!(tests.contains(&name), "docs/faults.md names `{name}`, which is no test");
        }
    }
}

#[test]
fn the_contributors_map_names_every_crate_and_its_folder() {
    let text = read("DEVELOPERS.md");
    for package in metadata().workspace_packages() {
        let folder = package.manifest_path.parent().expect("a folder").as_std_path();
        let folder = folder.strip_prefix(root()).expect("inside").display().to_string();
        assert!(text.contains(&format!("`{}`", package.name)), "{} is missing", package.name);
        assert!(text.contains(&format!("`{folder}/`")), "{folder}/ is missing");
    }
}

#[test]
fn every_decision_is_in_the_index() {
    let index = read("docs/README.md");
    let names = decisions();
    assert!(!names.is_empty());
    for (name, number) in names.iter().zip(1..) {
        assert!(name.starts_with(&format!("{number:04}-")), "{name} is out of order");
        assert!(index.contains(&format!("decisions/{name}")), "{name} is not in the index");
    }
}

#[test]
fn every_document_is_in_the_index() {
    let index = read("docs/README.md");
    for folder in ["", "decoders/"] {
        for entry in std::fs::read_dir(root().join("docs").join(folder)).expect("documents") {
            let name = entry.expect("an entry").file_name().to_string_lossy().into_owned();
            let is_named = index.contains(&format!("]({folder}{name})"));
            let is_document = name.ends_with(".md") && name != "README.md";
            assert!(!is_document || is_named, "{folder}{name} is not in the index");
        }
    }
}

#[test]
fn the_readme_begins_with_the_job_and_two_commands() {
    let text = read("README.md");
    let mut blocks = text.split("```");
    let job = blocks.next().expect("a beginning");
    let paragraphs = job.split("\n\n").filter(|p| !p.trim().is_empty() && !p.starts_with('#'));
    assert!(paragraphs.count() <= 2, "the job in one paragraph, then the commands:\n{job}");
    let first = blocks.next().expect("the commands");
    let commands: Vec<&str> = first.lines().skip(1).filter(|l| !l.trim().is_empty()).collect();
    assert_eq!(commands, [FIRST, SECOND]);
}
