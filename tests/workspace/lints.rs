//! What holds for every file and crate: no unsafe code, the bounds of clippy,
//! a first line that says what the file is, a length that shows its subject.

use super::graph::metadata;
use super::{read, sources};

/// A file above this fails; above the other it is named.
const LONGEST_LINES: usize = 500;
const LONG_LINES: usize = 400;

/// The crates at the C interface of plugins, which cannot do without unsafe code.
const AT_THE_EDGE: [&str; 2] = ["ampledger-plugin", "ampledger-host"];

/// The files of those crates that have it.
const WITH_UNSAFE_CODE: [&str; 6] = [
    "decoders/host/src/adapter.rs",
    "decoders/host/src/callbacks.rs",
    "decoders/host/src/fence.rs",
    "decoders/host/src/library.rs",
    "decoders/plugin/src/outputs.rs",
    "decoders/plugin/src/shim.rs",
];

#[test]
fn unsafe_code_is_forbidden_in_every_crate_but_at_the_plugins_edge() {
    assert!(read("Cargo.toml").contains("unsafe_code = \"forbid\""));
    for package in metadata().workspace_packages() {
        let manifest = read(package.manifest_path.as_std_path());
        let lints = match AT_THE_EDGE.contains(&package.name.as_str()) {
            // There every unsafe block says why it is sound, or clippy fails.
            true => "unsafe_code = \"deny\"",
            false => "[lints]\nworkspace = true",
        };
        assert!(manifest.contains(lints), "{}", package.name);
        let reasons = "undocumented_unsafe_blocks = \"warn\"";
        let is_edge = AT_THE_EDGE.contains(&package.name.as_str());
        assert!(!is_edge || manifest.contains(reasons), "{}", package.name);
    }
    // Cargo's lints reach every target; an attribute cannot undo `forbid`.
    let test = concat!("allow(", "unsafe_code");
    let found: Vec<String> = sources()
        .into_iter()
        .filter(|file| read(file).contains(test))
        .map(|file| file.display().to_string())
        .collect();
    assert_eq!(found, WITH_UNSAFE_CODE);
}

#[test]
fn clocks_files_and_printing_are_kept_out_of_decoders_and_methods() {
    let bounds = read("clippy.toml");
    // The crates inside the decoders' folder do I/O, and have the usual bounds.
    let inside = ["decoders/plugin", "decoders/boundary", "decoders/host"];
    for folder in ["decoders", "analysis/methods"].into_iter().chain(inside) {
        let own = read(format!("{folder}/clippy.toml"));
        for line in bounds.lines().filter(|line| line.contains("threshold")) {
            assert!(own.contains(line), "{folder}/clippy.toml lacks `{line}`");
        }
        if inside.contains(&folder) {
            continue;
        }
        for banned in [
            "std::time::Instant::now",
            "std::time::SystemTime::now",
            "std::fs::File::open",
            "std::env::var",
            "std::println",
            "std::eprintln",
        ] {
            assert!(own.contains(banned), "{folder}/clippy.toml lacks {banned}");
        }
    }
}

#[test]
fn a_failure_unwinds_in_every_profile() {
    // A task that fails is caught and begun again; with `abort` it would take the
    // daemon along.
    let manifest = read("Cargo.toml");
    assert!(manifest.contains("[profile.release]"), "the profiles are here");
    assert!(!manifest.contains(concat!("panic", " =")), "no profile says what a panic does");
}

#[test]
fn every_file_opens_by_saying_what_it_is() {
    for file in sources() {
        let text = read(&file);
        let says = text.starts_with("//! ") || text.starts_with("// ");
        assert!(says, "{} does not", file.display());
    }
}

#[test]
fn no_file_is_too_long_to_show_its_subject() {
    let lengths = sources().into_iter().map(|file| (read(&file).lines().count(), file));
    let long: Vec<_> = lengths.filter(|(lines, _)| *lines > LONG_LINES).collect();
    for (lines, file) in &long {
        eprintln!("getting long: {} has {lines} lines", file.display());
    }
    let too_long: Vec<_> = long.iter().filter(|(lines, _)| *lines > LONGEST_LINES).collect();
    assert!(too_long.is_empty(), "{too_long:?}");
}
