//! Where the real binaries are. `AMPLEDGER_BINARIES` names their folder;
//! without it they are built first, so that no test meets a stale one.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The workspace's folder.
pub fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("the workspace")
}

/// Cargo, in the workspace.
fn cargo() -> Command {
    let mut cargo = Command::new(env!("CARGO"));
    cargo.current_dir(root());
    cargo
}

/// One of the workspace's binaries.
pub fn binary(name: &str) -> PathBuf {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    let path = FOLDER.get_or_init(folder).join(name);
    assert!(path.is_file(), "{} is not there", path.display());
    path
}

fn folder() -> PathBuf {
    match std::env::var_os("AMPLEDGER_BINARIES") {
        Some(folder) => root().join(folder),
        None => build(),
    }
}

/// Builds into the target folder that this test itself was built into.
fn build() -> PathBuf {
    let test = std::env::current_exe().expect("this test's own path");
    let profile = test.ancestors().nth(2).expect("target/PROFILE/deps/TEST").to_owned();
    let target = profile.parent().expect("target/PROFILE");
    let mut command = cargo();
    command.args([
        "build",
        "--quiet",
        "-p",
        "ampledgerd",
        "-p",
        "ampledger",
        "-p",
        "ampledger-host",
    ]);
    command.arg("--target-dir").arg(target);
    if profile.ends_with("release") {
        command.arg("--release");
    }
    let status = command.status().expect("cargo cannot be run");
    assert!(status.success(), "the binaries cannot be built");
    profile
}
