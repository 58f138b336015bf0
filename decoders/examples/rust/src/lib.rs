//! asked_load: a plugin for Ampledger in Rust, from the first line to the last.
//! It asks an electronic load for voltage and current, reads the answer, and
//! does not take a late answer for the next one.
//!
//! ```text
//! asked     READ?\n
//! answers   26.402,-12.103\n        volt, ampere
//! ```

use ampledger_plugin::{ComplaintKind, Decoder, Input, Integrity, Outputs, Refusal};
use serde::{Deserialize, Serialize};

/// What is asked.
const QUESTION: &[u8] = b"READ?\n";
/// The longest answer that is waited for. Memory is bounded by it.
const LONGEST_ANSWER: usize = 64;

/// The source's table of options. What is not known is refused, so that a
/// mistyped option is not overlooked.
#[derive(Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Options {
    /// How often it is asked, milliseconds.
    every_ms: i64,
    /// How long an answer may take, milliseconds.
    timeout_ms: i64,
}

impl Default for Options {
    fn default() -> Self {
        Options { every_ms: 1000, timeout_ms: 500 }
    }
}

/// Everything that depends on what came before. It can be written down, so that
/// a record can be decoded again from its middle.
#[derive(Default, Serialize, Deserialize)]
struct State {
    /// What has arrived of the answer.
    answer: Vec<u8>,
    /// The question is out, and the answer is not in.
    is_asking: bool,
    /// When it is asked next.
    next_us: i64,
}

/// The decoder of one source.
struct AskedLoad {
    options: Options,
    state: State,
}

impl Decoder for AskedLoad {
    const NAME: &'static str = "asked_load";
    // Raised whenever the same bytes may give other readings.
    const VERSION: &'static str = "1";
    const SUMMARY: &'static str = "an electronic load that answers READ? with volt and ampere";
    // A flipped bit in a digit would pass as another number. It is said here,
    // and shown with every reading.
    const INTEGRITY: Integrity = Integrity::None;
    const SAVES: bool = true;

    fn open(options: &str) -> Result<Self, Refusal> {
        let options: Options =
            serde_json::from_str(options).map_err(|why| Refusal::new("", why.to_string()))?;
        if options.timeout_ms <= 0 || options.every_ms < options.timeout_ms {
            let what = "must not be shorter than `timeout_ms`, which must be above 0";
            return Err(Refusal::new("every_ms", what));
        }
        Ok(AskedLoad { options, state: State::default() })
    }

    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Outputs<'_>) {
        match input {
            // The line is open: what was half read is void, and we ask.
            Input::Opened { .. } => {
                self.state = State::default();
                self.ask(now_us, out);
            }
            // The question is written: now the answer's time runs. There is no
            // clock here; we say when we want to be called again.
            Input::Sent { .. } => {
                out.wake(Some(now_us + self.options.timeout_ms * 1000));
            }
            // Cut anywhere: half an answer, or an answer and a half.
            Input::Received { bytes, .. } => self.received(now_us, bytes, out),
            // Either the answer did not come in time, or it is time to ask.
            Input::Deadline if self.state.is_asking => {
                self.state = State { next_us: self.state.next_us, ..State::default() };
                out.complaint(ComplaintKind::NoAnswer, 0, "no answer to READ?");
                // A late answer must not be taken for the next one: we ask again
                // only when nothing has arrived for a while.
                out.drain(self.options.timeout_ms * 1000);
            }
            Input::Deadline | Input::Drained => self.ask(now_us, out),
            // It takes no commands; whoever waits for one is told.
            Input::Command { json } => {
                let id = serde_json::from_str(json).ok();
                let id = id.and_then(|v: serde_json::Value| v["id"].as_u64());
                out.done(id.unwrap_or_default(), Err("it takes no commands"));
            }
            Input::Closed => self.state = State::default(),
        }
    }

    fn save(&self) -> Vec<u8> {
        serde_json::to_vec(&self.state).unwrap_or_default()
    }

    fn restore(&mut self, state: &[u8]) -> bool {
        match serde_json::from_slice::<State>(state) {
            // A state from elsewhere is believed no further than this.
            Ok(state) if state.answer.len() <= LONGEST_ANSWER => {
                self.state = state;
                true
            }
            _ => false,
        }
    }
}

impl AskedLoad {
    fn ask(&mut self, now_us: i64, out: &mut Outputs<'_>) {
        self.state.is_asking = true;
        self.state.answer.clear();
        self.state.next_us = now_us + self.options.every_ms * 1000;
        // The next request. Nothing is written here: the daemon does it, and
        // says when it is done.
        out.send(0, QUESTION);
    }

    fn received(&mut self, now_us: i64, bytes: &[u8], out: &mut Outputs<'_>) {
        if !self.state.is_asking {
            out.complaint(ComplaintKind::NotMine, bytes.len(), "it speaks without being asked");
            return;
        }
        // What follows the line's end belongs to no answer.
        let end = bytes.iter().position(|byte| *byte == b'\n');
        self.state.answer.extend_from_slice(&bytes[..end.unwrap_or(bytes.len())]);
        if end.is_some() {
            self.answered(out);
        } else if self.state.answer.len() > LONGEST_ANSWER {
            let length = self.state.answer.len();
            out.complaint(ComplaintKind::Incomplete, length, "an answer without an end");
        } else {
            return;
        }
        // The answer is in, right or wrong: wait until it is time to ask.
        self.state.is_asking = false;
        self.state.answer.clear();
        out.wake(Some(self.state.next_us.max(now_us)));
    }

    fn answered(&self, out: &mut Outputs<'_>) {
        let text = String::from_utf8_lossy(&self.state.answer);
        let mut parts = text.trim().split(',').map(|part| part.trim().parse::<f64>());
        match (parts.next(), parts.next(), parts.next()) {
            // The names `U` and `I` are ours; what they measure stands in the
            // source's configuration.
            (Some(Ok(volt)), Some(Ok(ampere)), None) => {
                out.reading(&[("U", volt), ("I", ampere)]);
            }
            _ => {
                let length = self.state.answer.len();
                out.complaint(ComplaintKind::Implausible, length, "the answer is not two numbers");
            }
        }
    }
}

// This exports it: the one function that Ampledger looks for.
ampledger_plugin::export!(AskedLoad);
