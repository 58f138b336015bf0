//! What holds for every file and crate: no unsafe code, the bounds of clippy,
//! a first line that says what the file is, a length that shows its subject.

use super::graph::metadata;
use super::{read, sources};

/// A file above this fails; above the other it is named.
const LONGEST_LINES: usize = 500;
const LONG_LINES: usize = 400;

#[test]
fn unsafe_code_is_forbidden_in_every_crate() {
    assert!(read("Cargo.toml").contains("unsafe_code = \"forbid\""));
    for package in metadata().workspace_packages() {
        let manifest = read(package.manifest_path.as_std_path());
        assert!(manifest.contains("[lints]\nworkspace = true"), "{}", package.name);
    }
    // Cargo's lints reach every target; an attribute cannot undo `forbid`.
    let test = concat!("allow(", "unsafe_code)");
    for file in sources() {
        assert!(!read(&file).contains(test), "{}", file.display());
    }
}

#[test]
fn clocks_files_and_printing_are_kept_out_of_decoders_and_methods() {
    let bounds = read("clippy.toml");
    for folder in ["decoders", "analysis/methods"] {
        let own = read(format!("{folder}/clippy.toml"));
        for line in bounds.lines().filter(|line| line.contains("threshold")) {
            assert!(own.contains(line), "{folder}/clippy.toml lacks `{line}`");
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
