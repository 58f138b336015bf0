//! A daemon of a command's own: started as a child with a store and a socket of
//! its own, ended whatever happens.

use std::ffi::OsStr;
use std::fs::File;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use ampledger_types::api::StatusResponse;
use rustix::process::{Pid, Signal, kill_process};

use crate::client::{Client, ClientError};
use crate::exit::Failure;
use crate::sibling;

/// How long it may take to start, and to end in order.
const PATIENCE: Duration = Duration::from_secs(10);
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// A running daemon. Dropping it ends it.
pub struct Daemon {
    child: Child,
    /// Whose it is, in words for errors.
    whose: &'static str,
    log: PathBuf,
}

impl Daemon {
    /// Starts the daemon that belongs to this program, with these arguments.
    pub fn start(whose: &'static str, arguments: &[&OsStr], log: &Path) -> Result<Daemon, Failure> {
        let (program, mut command) = command()?;
        let cannot_log = || Failure::io(format!("{} cannot be written", log.display()));
        let out = File::create(log).map_err(cannot_log())?;
        let err = out.try_clone().map_err(cannot_log())?;
        let child = command
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(out)
            .stderr(err)
            // Ctrl-C reaches the command alone, which then ends it in order.
            .process_group(0)
            .spawn()
            .map_err(Failure::io(format!("{} does not start", program.display())))?;
        Ok(Daemon { child, whose, log: log.to_owned() })
    }

    /// Waits until it answers and has opened its source.
    pub fn wait_ready(&mut self, client: &Client) -> Result<(), Failure> {
        let begun = Instant::now();
        loop {
            let patient = begun.elapsed() < PATIENCE;
            match client.get::<StatusResponse>("/v1/status") {
                Ok(status) if status.sources.iter().all(|source| source.counters.opened > 0) => {
                    return Ok(());
                }
                Ok(status) if !patient => return Err(self.not_opened(&status)),
                Err(ClientError::NoDaemon { .. }) if patient => {}
                Err(error) => return Err(error.into()),
                Ok(_) => {}
            }
            if let Ok(Some(status)) = self.child.try_wait() {
                return Err(self.ended(&status.to_string()));
            }
            std::thread::sleep(LOOK_AGAIN);
        }
    }

    fn ended(&self, status: &str) -> Failure {
        let log = std::fs::read_to_string(&self.log).unwrap_or_default();
        let lines: Vec<&str> = log.lines().collect();
        let last = lines[lines.len().saturating_sub(5)..].join("\n");
        Failure::Io {
            what: format!("{} daemon ended by itself ({status})", self.whose),
            source: std::io::Error::other(last),
        }
    }

    fn not_opened(&self, status: &StatusResponse) -> Failure {
        let reason = status.sources.iter().find_map(|source| source.reason.clone());
        Failure::Io {
            what: format!("{} daemon does not open its source", self.whose),
            source: std::io::Error::other(reason.unwrap_or_default()),
        }
    }

    /// Ends it in order.
    pub fn stop(mut self) {
        self.end();
    }

    fn end(&mut self) {
        let pid = i32::try_from(self.child.id()).ok().and_then(Pid::from_raw);
        if let (Some(pid), Ok(None)) = (pid, self.child.try_wait()) {
            let _ = kill_process(pid, Signal::TERM);
        }
        let begun = Instant::now();
        while let Ok(None) = self.child.try_wait() {
            if begun.elapsed() > PATIENCE {
                let _ = self.child.kill();
                let _ = self.child.wait();
                return;
            }
            std::thread::sleep(LOOK_AGAIN);
        }
    }
}

/// The daemon's program, and a command that runs it with nothing from the
/// environment: a setting there could send a throwaway record into the real store.
fn command() -> Result<(PathBuf, Command), Failure> {
    let program = sibling::daemon().ok_or_else(|| Failure::Refused {
        code: "no_daemon_program",
        message: format!(
            "{} is neither beside this program nor on the PATH; build it with \
             `cargo build --release`",
            sibling::DAEMON
        ),
    })?;
    let mut command = Command::new(&program);
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("AMPLEDGER_") {
            command.env_remove(name);
        }
    }
    Ok((program, command))
}

/// What the daemon finds wrong with a configuration, a line each.
pub fn check(config: &Path) -> Result<Vec<String>, Failure> {
    let (program, mut command) = command()?;
    let output = command
        .arg("--check")
        .arg("--config")
        .arg(config)
        .stdin(Stdio::null())
        .output()
        .map_err(Failure::io(format!("{} does not start", program.display())))?;
    Ok(String::from_utf8_lossy(&output.stderr).lines().map(str::to_owned).collect())
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.end();
    }
}
