//! The decoder's one entry: what it is given and what it can say.

use std::sync::Arc;

use ampledger_types::{Frame, FrameKind, Group, Sample};
use serde::{Deserialize, Serialize};

use crate::config::{ConfigProblem, DecoderConfig};

/// What happened on the connection.
#[derive(Clone, Debug, PartialEq)]
pub enum Input<'a> {
    /// It was opened afresh: whatever was half read is void.
    Opened {
        /// `true` for a record that is played from its beginning, as a file
        /// is: its first line is whole, and when its bytes arrive says nothing
        /// about when they were measured. `false` for a live line, which may
        /// be tuned into half-way.
        record: bool,
    },
    /// Bytes arrived.
    Received {
        /// Which characteristic or address; 0 where there is only one.
        endpoint: u16,
        /// The bytes, split anywhere.
        bytes: &'a [u8],
    },
    /// What [`Output::Send`] asked for has been written.
    Sent {
        /// Where to.
        endpoint: u16,
        /// What was written.
        bytes: &'a [u8],
    },
    /// What [`Output::Drain`] asked for is done: the line was quiet.
    Drained,
    /// The time asked for with [`Output::Wake`] has come.
    Deadline,
    /// Somebody wants something of the instrument.
    Command(&'a Command),
    /// It was closed or lost.
    Closed,
}

impl<'a> Input<'a> {
    /// What a frame of the log was when it happened, so that it can be given
    /// again. `command` is where a command is put, for the input to point at.
    pub fn from_frame(
        frame: &'a Frame,
        command: &'a mut Option<Command>,
    ) -> Result<Self, serde_json::Error> {
        let (endpoint, bytes) = (frame.endpoint, frame.payload.as_slice());
        Ok(match frame.kind {
            FrameKind::Opened => Input::Opened { record: bytes == [1] },
            FrameKind::Received => Input::Received { endpoint, bytes },
            FrameKind::Sent => Input::Sent { endpoint, bytes },
            FrameKind::Drained => Input::Drained,
            FrameKind::Deadline => Input::Deadline,
            FrameKind::Command => Input::Command(command.insert(serde_json::from_slice(bytes)?)),
            FrameKind::Closed => Input::Closed,
        })
    }
}

/// Something asked of an instrument.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Command {
    /// Comes back in [`Output::CommandDone`].
    pub id: u64,
    /// What to do, a word of the decoder's own.
    pub name: String,
    /// With what.
    #[serde(default)]
    pub arguments: serde_json::Value,
}

/// What a decoder says.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// A sample; its time is `now` unless the instrument's own is the axis.
    Sample(Sample),
    /// Something it could not read, or does not believe.
    Complaint(Complaint),
    /// The instrument said who it is.
    Identity {
        /// Which instrument on the line; empty where there is only one.
        instrument: String,
        /// Its own words, cut to a sensible length.
        text: String,
    },
    /// Write these bytes; [`Input::Sent`] follows.
    Send {
        /// Where to; 0 where there is only one.
        endpoint: u16,
        /// What.
        bytes: Vec<u8>,
    },
    /// Throw away what arrives until nothing has arrived for so long, so that
    /// a late answer is not taken for the next; [`Input::Drained`] follows.
    Drain {
        /// For how long it must be quiet, microseconds.
        quiet_us: i64,
    },
    /// Give [`Input::Deadline`] at this time. The latest one counts; `None`
    /// calls it off.
    Wake(Option<i64>),
    /// A command is done, or not.
    CommandDone {
        /// Which.
        id: u64,
        /// What came of it, or why not.
        result: Result<serde_json::Value, String>,
    },
}

/// Something that could not be read. It ends nothing: the caller counts it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Complaint {
    /// What kind.
    pub kind: ComplaintKind,
    /// How many bytes were given up for it.
    pub bytes_skipped: usize,
    /// In words; short, and safe to print.
    pub detail: String,
}

impl Complaint {
    /// A complaint; quote what was received with [`excerpt`].
    pub fn new(kind: ComplaintKind, bytes_skipped: usize, detail: impl Into<String>) -> Self {
        Complaint { kind, bytes_skipped, detail: detail.into() }
    }
}

/// The beginning of what was received, short and safe to print.
pub fn excerpt(text: &str) -> String {
    const LONGEST_CHARS: usize = 48;
    let mut shown = String::new();
    for c in text.chars().take(LONGEST_CHARS) {
        match c {
            '"' | '\'' | '\\' => shown.push(c),
            c => shown.extend(c.escape_debug()),
        }
    }
    if text.chars().nth(LONGEST_CHARS).is_some() {
        shown.push('…');
    }
    format!("`{shown}`")
}

/// The beginning of bytes that were received, in hexadecimal.
pub fn excerpt_bytes(bytes: &[u8]) -> String {
    const MOST_BYTES: usize = 16;
    let shown: Vec<String> = bytes.iter().take(MOST_BYTES).map(|b| format!("{b:02x}")).collect();
    let more = if bytes.len() > MOST_BYTES { " …" } else { "" };
    format!("`{}{more}`", shown.join(" "))
}

/// Why something could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ComplaintKind {
    /// It is not what this decoder reads.
    NotMine,
    /// It is cut off, or too long.
    Incomplete,
    /// Its checksum is wrong.
    BadCheck,
    /// It was read, but cannot be true or is no number.
    Implausible,
    /// The instrument did not answer in time.
    NoAnswer,
    /// The instrument reported an error of its own.
    InstrumentError,
}

impl ComplaintKind {
    /// The word that counters and files use.
    pub const fn word(self) -> &'static str {
        match self {
            ComplaintKind::NotMine => "not_mine",
            ComplaintKind::Incomplete => "incomplete",
            ComplaintKind::BadCheck => "bad_check",
            ComplaintKind::Implausible => "implausible",
            ComplaintKind::NoAnswer => "no_answer",
            ComplaintKind::InstrumentError => "instrument_error",
        }
    }
}

/// Where what a decoder says goes, one after the other.
pub trait Outlet {
    /// Takes something that it says.
    fn say(&mut self, output: Output);

    /// A decoder of lines begins with the next; what it says is about that one.
    fn line(&mut self) {}

    /// Takes a sample that is only lent: a value for each channel of the group.
    fn sample(&mut self, group: &Arc<Group>, at: At, values: &[f64]) {
        let (group, At { t_us, instrument_t_us }) = (Arc::clone(group), at);
        self.say(Output::Sample(Sample { group, t_us, instrument_t_us, values: values.to_vec() }));
    }
}

impl Outlet for Vec<Output> {
    fn say(&mut self, output: Output) {
        self.push(output);
    }
}

/// The times of a sample, microseconds.
#[derive(Clone, Copy, Debug)]
pub struct At {
    /// On our clock.
    pub t_us: i64,
    /// The instrument's own, where it sends one.
    pub instrument_t_us: Option<i64>,
}

impl At {
    /// That of arrival, where the instrument sends no time.
    pub(crate) fn arrival(t_us: i64) -> Self {
        At { t_us, instrument_t_us: None }
    }

    /// That of arrival, with the instrument's own beside it.
    pub(crate) fn beside(t_us: i64, instrument_t_us: Option<i64>) -> Self {
        At { t_us, instrument_t_us }
    }
}

/// A decoder. Memory is bounded whatever it is given, and rubbish costs only
/// the frame it fell into.
pub trait Decoder: Send {
    /// Takes in one thing that happened at `now_us` (boot clock, microseconds,
    /// never going backwards) and appends what there is to say to `out`.
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>);

    /// Takes in bytes, as [`Decoder::handle`] does, and lends what it makes of
    /// them: in a record of millions of rows nothing is made anew for each. A
    /// decoder of lines tells of each.
    fn lend(&mut self, now_us: i64, bytes: &[u8], out: &mut dyn Outlet) {
        let mut said = Vec::new();
        self.handle(now_us, Input::Received { endpoint: 0, bytes }, &mut said);
        said.into_iter().for_each(|output| out.say(output));
    }

    /// The whole state, so that a frame log can be decoded from here on.
    fn snapshot(&self) -> Vec<u8>;

    /// Takes up a state that [`Decoder::snapshot`] gave.
    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot>;
}

/// A snapshot that is not this decoder's.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the decoder's saved state cannot be read: {0}")]
pub struct BadSnapshot(pub String);

/// What protects a frame against damage on the way. A decoder without any says
/// so, and so does every reading's origin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Integrity {
    /// Nothing: a flipped bit can pass as another number.
    None,
    /// A sum or parity.
    Sum,
    /// A cyclic redundancy check or better.
    Crc,
}

impl Integrity {
    /// What it means for the readings, in words.
    pub const fn words(self) -> &'static str {
        match self {
            Integrity::None => "no checksum: a flipped bit passes as another number",
            Integrity::Sum => "protected by a sum",
            Integrity::Crc => "protected by a cyclic redundancy check or better",
        }
    }
}

/// One line of the list of decoders.
pub struct Descriptor {
    /// Its name in the configuration; this is its identity.
    pub name: &'static str,
    /// Grows whenever the same input may give other samples.
    pub version: &'static str,
    /// What it reads, in a sentence.
    pub summary: &'static str,
    /// What protects its frames, configured like this.
    pub integrity: fn(&DecoderConfig) -> Integrity,
    /// Makes one from a source's configuration.
    pub build: fn(&DecoderConfig) -> Result<Box<dyn Decoder>, ConfigProblem>,
}
