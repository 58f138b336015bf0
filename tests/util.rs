//! What every test uses: a bench in a folder of its own, the real binaries,
//! the API, and waiting for a condition. Nothing here knows what is tested.

mod api;
mod bench;
mod binaries;
mod daemon;
pub mod plugins;
mod python;
pub mod record;
pub mod sources;
mod wait;

pub use api::Api;
pub use bench::{Bench, Run};
pub use binaries::{binary, root};
pub use daemon::Daemon;
pub use python::{Python, script};
pub use wait::{PATIENCE, until};

/// A number from the environment, for the long runs; `usual` if it is not set.
pub fn rounds(usual: u32) -> u32 {
    match std::env::var("AMPLEDGER_ROUNDS") {
        Ok(text) => text.parse().expect("AMPLEDGER_ROUNDS is no number"),
        Err(_) => usual,
    }
}

/// Says why a test does nothing on this machine. With `AMPLEDGER_NO_SKIP=1`,
/// as in CI, that is a failure.
pub fn skip(why: &str) {
    let forbidden = std::env::var_os("AMPLEDGER_NO_SKIP").is_some_and(|v| v == "1");
    assert!(!forbidden, "skipped, which is not allowed here: {why}");
    eprintln!("skipped: {why}");
}
