//! Our own program, reading a CSV file into a store or writing one out of it.

use std::path::Path;
use std::process::{Command, Stdio};

use super::{Failure, binaries};

/// Our import.
pub fn import(file: &Path, store: &Path) -> Vec<String> {
    let settings = "--pack BENCH --rated-ah 50 --cutoff-voltage 10 \
                    --current-sign charging-positive --json";
    let program = binaries::binary("ampledger");
    let mut words = vec![text(&program), "import".into(), text(file), "--store".into()];
    words.push(text(store));
    words.extend(settings.split_whitespace().map(str::to_owned));
    words
}

/// Our export of the first session.
pub fn export(store: &Path, file: &Path) -> Vec<String> {
    let program = text(&binaries::binary("ampledger"));
    let words = ["export", "1", "--force", "--store", &text(store), "--output", &text(file)];
    std::iter::once(program).chain(words.into_iter().map(str::to_owned)).collect()
}

/// Runs a command that prints JSON.
pub fn answer(words: &[String]) -> Result<serde_json::Value, Failure> {
    let (program, arguments) = words.split_first().ok_or("no command")?;
    let output = Command::new(program).args(arguments).stdin(Stdio::null()).output()?;
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into());
    }
    Ok(serde_json::from_slice(&output.stdout)?)
}

/// A path as an argument.
pub fn text(path: &Path) -> String {
    path.display().to_string()
}
