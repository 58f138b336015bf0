//! One host process: started with nothing of ours, spoken to in numbered
//! batches under a deadline, and ended when it does not keep to it.

use std::borrow::Cow;
use std::os::unix::process::ExitStatusExt;
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use ampledger_decoders::driver::guard;
use ampledger_decoders::{DecoderConfig, Output};
use ampledger_types::Frame;

use crate::pipe::{End, Pipes};
use crate::wire::{self, Described, FromHost, Groups, HEAD_BYTES, Numbered, ToHost, WIRE_VERSION};

/// How long a host may take to be there; its plugin has the reply limit on top.
const START_LIMIT: Duration = Duration::from_secs(5);
/// How long it may take to end by itself once it is not needed.
const END_LIMIT: Duration = Duration::from_millis(500);

/// What is started.
#[derive(Clone, Debug)]
pub struct Launch {
    /// The host's program.
    pub host: PathBuf,
    /// The plugin's library.
    pub file: PathBuf,
    /// The decoder's configuration.
    pub config: DecoderConfig,
    /// How much memory the process may have.
    pub memory_bytes: u64,
    /// How long it may take over one batch.
    pub reply_limit: Duration,
    /// Set to end every wait at once.
    pub called_off: Arc<AtomicBool>,
}

/// What went wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FaultKind {
    /// It cannot be used as it is: no library, wrong version, wrong options.
    Refused,
    /// The process ended by itself.
    Died,
    /// It did not answer in time.
    Silent,
    /// It answered what cannot be.
    Nonsense,
    /// The plugin itself said that it cannot go on, or flooded its host.
    Broken,
    /// We have ended it.
    CalledOff,
}

/// What went wrong with a host, in words that stand for themselves.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// What kind.
    pub kind: FaultKind,
    /// In words.
    pub text: String,
    /// The input that it was handling, where that is known.
    pub number: Option<u64>,
}

impl Fault {
    fn new(kind: FaultKind, text: impl Into<String>) -> Self {
        Fault { kind, text: text.into(), number: None }
    }

    /// It did what no host does.
    pub fn nonsense(text: &str) -> Self {
        Fault::new(FaultKind::Nonsense, text)
    }
}

/// What came of a batch.
#[derive(Debug)]
pub struct Reply {
    /// All inputs up to this number are dealt with.
    pub acknowledged: u64,
    /// What the decoder took for them.
    pub spent: Duration,
    /// What it said, each with the number of its input.
    pub outputs: Vec<(u64, Output)>,
}

/// A running host with one open decoder.
#[derive(Debug)]
pub struct Process {
    child: Child,
    pipes: Pipes,
    groups: Groups,
    batch: u64,
    reply_limit: Duration,
    out: Vec<u8>,
    body: Vec<u8>,
}

impl Process {
    /// Starts a host and has it load the plugin.
    pub fn start(launch: &Launch) -> Result<(Process, Described), Fault> {
        let cannot = |error: std::io::Error| {
            let what = format!("{} cannot be started: {error}", launch.host.display());
            Fault::new(FaultKind::Refused, what)
        };
        let mut child = Command::new(&launch.host)
            .env_clear()
            .current_dir("/")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(cannot)?;
        let pipes = match Pipes::of(&mut child, launch.called_off.clone()) {
            Ok(pipes) => pipes,
            Err(_) => {
                end(&mut child);
                return Err(Fault::new(FaultKind::Refused, "the host has no pipes"));
            }
        };
        let mut process = Process {
            child,
            pipes,
            groups: Groups::default(),
            batch: 0,
            reply_limit: launch.reply_limit,
            out: Vec::new(),
            body: Vec::new(),
        };
        let described = process.open(launch)?;
        Ok((process, described))
    }

    fn open(&mut self, launch: &Launch) -> Result<Described, Fault> {
        let deadline = Instant::now() + START_LIMIT;
        let head = self.receive(deadline)?;
        match self.message(head)? {
            FromHost::Hello { wire: WIRE_VERSION } => {}
            FromHost::Hello { wire } => {
                let what = format!(
                    "{} speaks version {wire} of the wire, this program {WIRE_VERSION}; \
                     install both anew",
                    launch.host.display()
                );
                return Err(Fault::new(FaultKind::Refused, what));
            }
            _ => return Err(self.nonsense("it did not begin with a greeting")),
        }
        let config = serde_json::to_string(&launch.config).unwrap_or_default();
        let open = ToHost::Open {
            wire: WIRE_VERSION,
            file: launch.file.to_string_lossy(),
            config: Cow::Owned(config),
            memory_bytes: launch.memory_bytes,
        };
        let deadline = Instant::now() + START_LIMIT.max(self.reply_limit);
        let head = self.ask(&open, deadline)?;
        match self.message(head)? {
            FromHost::Opened(described) => Ok(described),
            _ => Err(self.nonsense("it did not say that the decoder is open")),
        }
    }

    /// Gives a batch of inputs.
    pub fn exchange<'f>(
        &mut self,
        frames: impl Iterator<Item = &'f Frame>,
    ) -> Result<Reply, Fault> {
        self.batch += 1;
        let number = self.batch;
        let inputs: Vec<Numbered<'_>> = frames.map(Numbered::of).collect();
        let deadline = Instant::now() + self.reply_limit;
        let head = self.ask(&ToHost::Batch { number, inputs }, deadline)?;
        let body = std::mem::take(&mut self.body);
        let reply = self.reply(number, head, &body);
        self.body = body;
        reply
    }

    fn reply(&mut self, number: u64, head: [u8; HEAD_BYTES], body: &[u8]) -> Result<Reply, Fault> {
        let message = wire::decode(head, body).map_err(|e| self.nonsense(&e.0))?;
        let FromHost::Said { batch, acknowledged, spent_ns, groups, outputs: said } = message
        else {
            return Err(self.gives_up(message));
        };
        if batch != number {
            return Err(self.nonsense("it answered another batch"));
        }
        self.groups.learn(&groups).map_err(|e| self.nonsense(&e.0))?;
        let mut outputs = Vec::with_capacity(said.len());
        for (input, said) in said {
            if input > acknowledged {
                return Err(self.nonsense("it answered an input that it did not acknowledge"));
            }
            let mut output = self.groups.from_wire(said).map_err(|e| self.nonsense(&e.0))?;
            // The host has done this, but its memory is the plugin's too.
            guard(&mut output);
            outputs.push((input, output));
        }
        Ok(Reply { acknowledged, spent: Duration::from_nanos(spent_ns), outputs })
    }

    /// The decoder's state; `None` if it gives none.
    pub fn save(&mut self) -> Result<Option<Vec<u8>>, Fault> {
        let deadline = Instant::now() + self.reply_limit;
        let head = self.ask(&ToHost::Save, deadline)?;
        match self.message(head)? {
            FromHost::Saved(state) => Ok(state.map(|bytes| bytes.to_vec())),
            _ => Err(self.nonsense("it did not give its state")),
        }
    }

    /// Has the decoder take up a state.
    pub fn restore(&mut self, state: &[u8]) -> Result<Result<(), String>, Fault> {
        let deadline = Instant::now() + self.reply_limit;
        let head = self.ask(&ToHost::Restore { state }, deadline)?;
        match self.message(head)? {
            FromHost::Restored(result) => Ok(result),
            _ => Err(self.nonsense("it did not say whether it took the state up")),
        }
    }

    /// The process's number.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    fn ask(&mut self, message: &ToHost<'_>, by: Instant) -> Result<[u8; HEAD_BYTES], Fault> {
        let mut out = std::mem::take(&mut self.out);
        let written = match wire::encode(message, &mut out) {
            Ok(()) => self.pipes.write(&out, by),
            Err(garbled) => return Err(self.nonsense(&garbled.0)),
        };
        self.out = out;
        // It may have said why before it ended, so a closed pipe is read first.
        match written {
            Ok(()) | Err(End::Closed) => self.receive(by),
            Err(ended) => Err(self.ended(&ended)),
        }
    }

    /// Reads one message into `body`.
    fn receive(&mut self, by: Instant) -> Result<[u8; HEAD_BYTES], Fault> {
        let mut head = [0; HEAD_BYTES];
        self.pipes.read(&mut head, by).map_err(|e| self.ended(&e))?;
        let length = wire::length(head).map_err(|e| self.nonsense(&e.0))?;
        let mut body = std::mem::take(&mut self.body);
        body.resize(length, 0);
        let read = self.pipes.read(&mut body, by);
        self.body = body;
        read.map_err(|e| self.ended(&e))?;
        Ok(head)
    }

    /// The message that was read, unless it is the end of the host.
    fn message(&mut self, head: [u8; HEAD_BYTES]) -> Result<FromHost<'_>, Fault> {
        let last = match wire::decode(head, &self.body) {
            Ok(FromHost::Refused { reason }) => Ok(FromHost::Refused { reason }),
            Ok(FromHost::Broken { number, reason }) => Ok(FromHost::Broken { number, reason }),
            Ok(_) => return wire::decode(head, &self.body).map_err(|e| nonsense(&e.0)),
            Err(garbled) => Err(garbled),
        };
        match last {
            Ok(message) => Err(self.gives_up(message)),
            Err(garbled) => Err(self.nonsense(&garbled.0)),
        }
    }

    /// The host has said why it ends, or something that is no answer.
    fn gives_up(&mut self, message: FromHost<'_>) -> Fault {
        match message {
            FromHost::Refused { reason } => {
                end(&mut self.child);
                Fault::new(FaultKind::Refused, reason)
            }
            FromHost::Broken { number, reason } => {
                end(&mut self.child);
                let words = self.words();
                let text = format!("the plugin {reason}{words}");
                Fault { number: Some(number), ..Fault::new(FaultKind::Broken, text) }
            }
            _ => self.nonsense("it answered something else"),
        }
    }

    fn nonsense(&mut self, what: &str) -> Fault {
        end(&mut self.child);
        nonsense(what)
    }

    fn ended(&mut self, why: &End) -> Fault {
        let status = end(&mut self.child);
        let words = self.words();
        match why {
            End::CalledOff => Fault::new(FaultKind::CalledOff, "it was called off"),
            End::Late => {
                let second = self.reply_limit.as_secs_f64();
                let text = format!("the plugin did not answer within {second} s{words}");
                Fault::new(FaultKind::Silent, text)
            }
            End::Closed => {
                let how = status.map_or("ended".to_owned(), how_it_ended);
                Fault::new(FaultKind::Died, format!("the plugin {how}{words}"))
            }
            End::Failed(error) => Fault::new(FaultKind::Died, format!("its pipes fail: {error}")),
        }
    }

    fn words(&mut self) -> String {
        self.pipes
            .last_words()
            .map_or(String::new(), |words| format!("; its last words: `{words}`"))
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        self.pipes.close();
        let deadline = Instant::now() + END_LIMIT;
        while Instant::now() < deadline {
            match self.child.try_wait() {
                Ok(None) => std::thread::sleep(Duration::from_millis(1)),
                _ => return,
            }
        }
        end(&mut self.child);
    }
}

fn nonsense(what: &str) -> Fault {
    Fault::new(FaultKind::Nonsense, format!("the plugin's process answers nonsense: {what}"))
}

/// Ends a process and says how it ended, or had ended.
fn end(child: &mut Child) -> Option<ExitStatus> {
    // Fails only where it has ended already.
    let _ = child.kill();
    child.wait().ok()
}

/// Signals by name; their numbers are those of Linux on every architecture
/// that Rust's standard library supports, but for SIGBUS on some (signal(7)).
fn how_it_ended(status: ExitStatus) -> String {
    let signal = match status.signal() {
        None => match status.code() {
            Some(code) => return format!("ended its process with exit code {code}"),
            None => return "ended".to_owned(),
        },
        Some(4) => "SIGILL",
        Some(6) => "SIGABRT",
        Some(7) => "SIGBUS",
        Some(8) => "SIGFPE",
        Some(9) => "SIGKILL",
        Some(11) => "SIGSEGV",
        Some(24) => "SIGXCPU",
        Some(31) => "SIGSYS",
        Some(n) => return format!("crashed (signal {n})"),
    };
    format!("crashed ({signal})")
}
