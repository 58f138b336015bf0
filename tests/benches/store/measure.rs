//! What another program costs: processor time and the most memory it held. The
//! kernel tells that only of all children together, so each program is run by
//! a fresh copy of this one, whose only child it is.

use std::process::{Command, Stdio};
use std::time::Duration;

use nix::sys::resource::{UsageWho, getrusage};

use super::Failure;

const WORD: &str = "--measure";

/// What a program cost.
#[derive(Clone, Copy)]
pub struct Took {
    /// In user space and in the kernel.
    pub cpu: Duration,
    /// Its largest resident set.
    pub peak_bytes: u64,
}

/// Whether this process is such a copy.
pub fn is_asked_for() -> bool {
    std::env::args().nth(1).is_some_and(|word| word == WORD)
}

/// What such a copy does: runs the rest of its command line, prints the cost in
/// microseconds and kilobytes.
pub fn run() -> Result<(), Failure> {
    let words: Vec<String> = std::env::args().skip(2).collect();
    let (program, arguments) = words.split_first().ok_or("nothing to measure")?;
    let status = Command::new(program)
        .args(arguments)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .status()?;
    if !status.success() {
        return Err(format!("{program}: {status}").into());
    }
    let used = getrusage(UsageWho::RUSAGE_CHILDREN)?;
    let micros = |time: nix::sys::time::TimeVal| time.tv_sec() * 1_000_000 + time.tv_usec();
    println!("{} {}", micros(used.user_time()) + micros(used.system_time()), used.max_rss());
    Ok(())
}

/// Runs a command to its end.
pub fn measured(words: &[String]) -> Result<Took, Failure> {
    let output = Command::new(std::env::current_exe()?)
        .arg(WORD)
        .args(words)
        .stderr(Stdio::inherit())
        .output()?;
    let said = String::from_utf8(output.stdout)?;
    let mut numbers = said.split_whitespace().map(str::parse);
    match (numbers.next(), numbers.next()) {
        (Some(Ok(micros)), Some(Ok(kilobytes))) => {
            Ok(Took { cpu: Duration::from_micros(micros), peak_bytes: kilobytes * 1024 })
        }
        _ => Err(format!("{} cannot be measured: {said}", words.join(" ")).into()),
    }
}
