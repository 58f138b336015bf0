//! A bench: one folder with its configuration, store and socket, and the
//! command line tool talking to that socket.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;
use tempfile::TempDir;

use super::api::Api;
use super::binaries::binary;
use super::daemon::Daemon;

/// A folder of a test's own. It goes away with the test, unless it failed.
pub struct Bench {
    folder: Option<TempDir>,
    path: PathBuf,
}

impl Bench {
    /// A fresh bench whose configuration has these sources, as TOML.
    pub fn new(sources: &str) -> Bench {
        let folder = tempfile::Builder::new().prefix("ampledger-").tempdir().expect("a folder");
        let path = folder.path().to_owned();
        let bench = Bench { folder: Some(folder), path };
        bench.configure(sources);
        bench
    }

    /// A path in the bench's folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }

    /// The configuration file.
    pub fn config(&self) -> PathBuf {
        self.path("ampledger.toml")
    }

    /// The store's file.
    pub fn store(&self) -> PathBuf {
        self.path("bench.db")
    }

    /// The API's socket.
    pub fn socket(&self) -> PathBuf {
        self.path("api.sock")
    }

    /// Writes the configuration anew. `DIR` in it stands for the folder.
    pub fn configure(&self, sources: &str) {
        let mut text = String::new();
        writeln!(text, "[store]\npath = {:?}", self.store()).expect("a string");
        writeln!(text, "[api]\nsocket = {:?}", self.socket()).expect("a string");
        text.push_str(&sources.replace("DIR", &self.path.display().to_string()));
        self.write("ampledger.toml", text.as_bytes());
    }

    /// Writes a file into the folder.
    pub fn write(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, bytes).expect("a file in the test's folder");
        path
    }

    /// The daemon, ready to be started by hand.
    pub fn daemon_command(&self) -> Command {
        let mut command = clean(&binary("ampledgerd"), &self.path);
        command.arg("--config").arg(self.config());
        command
    }

    /// Starts the daemon and waits until it answers.
    pub fn daemon(&self) -> Daemon {
        self.daemon_at_rate(1.0)
    }

    /// Starts the daemon with its clock running `rate` times as fast.
    pub fn daemon_at_rate(&self, rate: f64) -> Daemon {
        let mut command = self.daemon_command();
        command.arg("--clock-rate").arg(rate.to_string());
        Daemon::start(command, &self.path, self.api())
    }

    /// The API of this bench's daemon.
    pub fn api(&self) -> Api {
        Api::at(self.socket())
    }

    /// Runs `ampledger` with these arguments, separated by blanks, against
    /// this bench's daemon.
    pub fn ampledger(&self, arguments: &str) -> Run {
        let arguments: Vec<&str> = arguments.split_whitespace().collect();
        self.ampledger_with(&arguments)
    }

    /// The same with arguments that hold blanks.
    pub fn ampledger_with(&self, arguments: &[&str]) -> Run {
        let mut command = clean(&binary("ampledger"), &self.path);
        command.arg("--socket").arg(self.socket()).args(arguments).stdin(Stdio::null());
        let output = command.output().expect("ampledger cannot be run");
        Run { command: format!("ampledger {}", arguments.join(" ")), output }
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        if std::thread::panicking()
            && let Some(folder) = self.folder.take()
        {
            eprintln!("the bench's folder is kept: {}", folder.keep().display());
        }
    }
}

/// A command that sees nothing of the tester's own settings.
fn clean(program: &Path, folder: &Path) -> Command {
    let mut command = Command::new(program);
    command.env_clear().env("PATH", std::env::var_os("PATH").unwrap_or_default());
    command.env("HOME", folder).env("TZ", "UTC").env("LANG", "C.UTF-8").current_dir(folder);
    command
}

/// What a run of the command line tool came to.
pub struct Run {
    command: String,
    output: Output,
}

impl Run {
    /// Its exit code.
    #[track_caller]
    pub fn code(&self) -> i32 {
        self.output.status.code().unwrap_or_else(|| panic!("{}: killed", self.command))
    }

    /// What it printed.
    pub fn out(&self) -> String {
        String::from_utf8(self.output.stdout.clone()).expect("standard output is no text")
    }

    /// What it complained about.
    pub fn err(&self) -> String {
        String::from_utf8_lossy(&self.output.stderr).into_owned()
    }

    /// The same, if it succeeded; otherwise the test ends here.
    #[track_caller]
    pub fn good(self) -> Run {
        let code = self.code();
        assert_eq!(code, 0, "{} failed\n{}{}", self.command, self.out(), self.err());
        self
    }

    /// The same, if it failed with this code.
    #[track_caller]
    pub fn fails_with(self, code: i32) -> Run {
        let seen = self.code();
        assert_eq!(seen, code, "{}\n{}{}", self.command, self.out(), self.err());
        self
    }

    /// What it printed as JSON.
    #[track_caller]
    pub fn json(self) -> Value {
        let run = self.good();
        let out = run.out();
        serde_json::from_str(&out)
            .unwrap_or_else(|e| panic!("{}: {e} in what should be JSON:\n{out}", run.command))
    }
}
