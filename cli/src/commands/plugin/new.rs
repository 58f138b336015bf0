//! `ampledger plugin new`: writes a starter, which is one of the shipped examples
//! under another name, with all that it needs to be built.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use serde::Serialize;

use crate::client::BUILD;
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::files;
use crate::screen;

/// Write a starter for a plugin
///
/// Makes a folder with a whole plugin that reads a made-up instrument, explained
/// line by line, with a capture and a configuration to try it with. Nothing else
/// is needed but a C compiler and make, or Rust.
#[derive(Args, Debug)]
pub struct New {
    /// Its name: small letters, digits and `_`
    pub name: String,
    /// The language
    #[arg(long, value_enum)]
    pub lang: Language,
    /// Where the folder is made
    #[arg(long, value_name = "DIR", default_value = ".")]
    pub folder: PathBuf,
}

/// What a starter can be written in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Language {
    /// C99 with make.
    C,
    /// Rust with cargo.
    Rust,
}

/// A file of a starter: its name and its text.
type Piece = (&'static str, &'static str);

macro_rules! shipped {
    ($path:literal) => {
        include_str!(concat!("../../../../decoders/", $path))
    };
}

const C: [Piece; 5] = [
    ("NAME.c", shipped!("examples/c/yard_shunt.c")),
    ("Makefile", shipped!("examples/c/Makefile")),
    ("ampledger_plugin.h", shipped!("include/ampledger_plugin.h")),
    ("NAME.hex", shipped!("examples/c/yard_shunt.hex")),
    ("NAME.toml", shipped!("examples/c/yard_shunt.toml")),
];

const RUST: [Piece; 9] = [
    ("Cargo.toml", shipped!("examples/rust/Cargo.toml")),
    ("src/lib.rs", shipped!("examples/rust/src/lib.rs")),
    ("NAME.frames.jsonl", shipped!("examples/rust/asked_load.frames.jsonl")),
    ("NAME.toml", shipped!("examples/rust/asked_load.toml")),
    ("ampledger-plugin/src/lib.rs", shipped!("plugin/src/lib.rs")),
    ("ampledger-plugin/src/abi.rs", shipped!("plugin/src/abi.rs")),
    ("ampledger-plugin/src/outputs.rs", shipped!("plugin/src/outputs.rs")),
    ("ampledger-plugin/src/shim.rs", shipped!("plugin/src/shim.rs")),
    ("ampledger-plugin/Cargo.toml", WRAPPER),
];

/// The wrapper as a crate of its own, outside Ampledger's workspace.
const WRAPPER: &str = "[package]
name = \"ampledger-plugin\"
description = \"Write a decoder for Ampledger in Rust, as a plugin.\"
version = \"VERSION\"
edition = \"2024\"
license = \"MIT OR Apache-2.0\"
publish = false
";

#[derive(Serialize)]
struct Made {
    folder: PathBuf,
    files: Vec<String>,
    next: Vec<String>,
}

impl New {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let name = &self.name;
        let is_sound = name.starts_with(|c: char| c.is_ascii_lowercase())
            && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
        if !is_sound {
            let message =
                format!("`{name}` is no name: small letters, digits and `_`, a letter first");
            return Err(Failure::Usage(message));
        }
        let folder = self.folder.join(name);
        files::refuse_taken(&folder, false)?;
        let pieces: &[Piece] = match self.lang {
            Language::C => &C,
            Language::Rust => &RUST,
        };
        let mut files = Vec::new();
        for (file, text) in pieces {
            let file = file.replace("NAME", name);
            write(&folder.join(&file), &self.renamed(text))?;
            files.push(file);
        }
        let made = Made { next: self.next(&folder), folder, files };
        match context.json {
            true => screen::json(&made)?,
            false => screen::say(&format!(
                "Made {} in {}. Next:\n  {}",
                made.files.join(", "),
                made.folder.display(),
                made.next.join("\n  ")
            ))?,
        }
        Ok(Exit::Good)
    }

    fn renamed(&self, text: &str) -> String {
        let name = &self.name;
        let version = BUILD.split('+').next().unwrap_or(BUILD);
        text.replace("yard_shunt", name)
            .replace("asked_load", name)
            .replace("asked-load", &name.replace('_', "-"))
            .replace("INCLUDE ?= ../../include", "INCLUDE ?= .")
            .replace("path = \"../../plugin\"", "path = \"ampledger-plugin\"")
            .replace("version = \"VERSION\"", &format!("version = \"{version}\""))
    }

    fn next(&self, folder: &Path) -> Vec<String> {
        let (name, folder) = (&self.name, folder.display());
        let check = |library: String, capture: &str| {
            format!(
                "ampledger plugin check {folder}/{library} --capture {folder}/{name}.{capture} \
                 --config {folder}/{name}.toml"
            )
        };
        match self.lang {
            Language::C => {
                vec![format!("make -C {folder}"), check(format!("{name}.so"), "hex")]
            }
            Language::Rust => vec![
                format!("(cd {folder} && cargo build --release)"),
                check(format!("target/release/lib{name}.so"), "frames.jsonl"),
            ],
        }
    }
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let cannot = || Failure::io(format!("{} cannot be written", path.display()));
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(cannot())?;
    }
    std::fs::write(path, text).map_err(cannot())
}
