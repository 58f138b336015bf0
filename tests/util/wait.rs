//! Waiting for a condition, with a deadline. A test never sleeps to let
//! something happen; it asks until it has happened.

use std::time::{Duration, Instant};

/// How long a test waits before it gives up: long enough for a busy machine.
pub const PATIENCE: Duration = Duration::from_secs(120);

const POLL: Duration = Duration::from_millis(20);

/// Asks until there is an answer; panics with `what` at the deadline.
#[track_caller]
pub fn until<T>(what: &str, mut ask: impl FnMut() -> Option<T>) -> T {
    let deadline = Instant::now() + PATIENCE;
    loop {
        if let Some(answer) = ask() {
            return answer;
        }
        assert!(Instant::now() < deadline, "waited {PATIENCE:?} for this in vain: {what}");
        std::thread::sleep(POLL);
    }
}
