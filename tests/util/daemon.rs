//! A running daemon. Whatever happens to the test, the process ends with it,
//! and if the test fails its log is printed whole.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};

use rustix::process::{Pid, Signal, kill_process};

use ampledger_types::api::{SourceStatus, StatusResponse};

use super::api::Api;
use super::wait::until;

/// A daemon that answers.
pub struct Daemon {
    child: Child,
    api: Api,
    log: PathBuf,
}

impl Daemon {
    /// Starts it and waits until it answers. Its log is appended to
    /// `daemon.log` in `folder`.
    #[track_caller]
    pub fn start(mut command: Command, folder: &Path, api: Api) -> Daemon {
        let log = folder.join("daemon.log");
        let file = File::options().create(true).append(true).open(&log).expect("the log");
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(file);
        let child = command.spawn().expect("the daemon cannot be run");
        let mut daemon = Daemon { child, api, log };
        until("the daemon answers", || {
            if let Some(status) = daemon.child.try_wait().expect("the daemon's state") {
                panic!("the daemon ended while starting: {status}");
            }
            daemon.api.try_get("/v1/status").filter(|answer| answer.status == 200)
        });
        daemon
    }

    /// Its process number.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// Memory that it holds now, KiB: `VmRSS` of proc_pid_status(5).
    pub fn resident_kib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.id()));
        let status = status.expect("the daemon's process");
        let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).expect("its memory");
        line.trim().trim_end_matches(" kB").parse().expect("a number")
    }

    /// What it has logged so far.
    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// `GET /v1/status`
    #[track_caller]
    pub fn status(&self) -> StatusResponse {
        self.api.get("/v1/status").good().read()
    }

    /// One source of the status.
    #[track_caller]
    pub fn source(&self, name: &str) -> SourceStatus {
        let sources = self.status().sources;
        let found = sources.into_iter().find(|s| s.name == name);
        found.unwrap_or_else(|| panic!("no source `{name}` in the status"))
    }

    /// Waits until this is true of a source.
    #[track_caller]
    pub fn until(
        &self,
        what: &str,
        name: &str,
        mut is: impl FnMut(&SourceStatus) -> bool,
    ) -> SourceStatus {
        until(what, || Some(self.source(name)).filter(|source| is(source)))
    }

    /// Waits until a source was opened `times` times.
    #[track_caller]
    pub fn until_opened(&self, name: &str, times: u64) {
        self.until("the source is opened", name, |s| s.counters.opened >= times);
    }

    /// Waits until a source has given `samples` samples.
    #[track_caller]
    pub fn until_samples(&self, name: &str, samples: u64) {
        self.until(&format!("{samples} samples"), name, |s| s.counters.samples >= samples);
    }

    /// Waits until so many samples are called recorded.
    #[track_caller]
    pub fn until_recorded(&self, samples: u64) -> u64 {
        until(&format!("{samples} samples are recorded"), || {
            Some(self.status().store.recorded_up_to).filter(|n| *n >= samples)
        })
    }

    /// The end of its process without a chance to do anything: `kill -9`.
    pub fn kill(mut self) {
        self.child.kill().expect("the daemon cannot be killed");
        self.child.wait().expect("the daemon's end");
    }

    /// An orderly stop: SIGTERM, and its exit status.
    #[track_caller]
    pub fn stop(mut self) -> ExitStatus {
        self.signal(Signal::TERM);
        until("the daemon stops", || self.child.try_wait().expect("the daemon's state"))
    }

    /// SIGHUP: read the configuration again.
    pub fn hang_up(&self) {
        self.signal(Signal::HUP);
    }

    fn signal(&self, signal: Signal) {
        let id = i32::try_from(self.child.id()).expect("a process number");
        kill_process(Pid::from_raw(id).expect("a process number"), signal).expect("a signal");
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Both fail only where the process has ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            eprintln!("---- log of the daemon\n{}---- end of the log", self.log());
        }
    }
}
