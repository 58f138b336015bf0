//! Gathers what a plugin says during one call: bounded in number and size,
//! made safe to print, and only while it is its turn.

use std::thread::ThreadId;

use ampledger_decoders::{Complaint, ComplaintKind, Output};

use crate::fields::Fields;

/// Most outputs for one input.
pub(crate) const MOST_OUTPUTS: usize = 4096;
/// Most bytes in the outputs for one input.
pub(crate) const MOST_BYTES: usize = 1 << 20;
/// Most values of one reading.
pub(crate) const MOST_VALUES: usize = 256;
/// Longest name of a field, bytes.
pub(crate) const LONGEST_NAME: usize = 128;
/// Longest text in a complaint, identity or answer, characters.
const LONGEST_TEXT: usize = 200;
/// Longest piece that is sent at once, bytes.
const LONGEST_SENT: usize = 64 << 10;
/// Longest state, bytes.
pub(crate) const LONGEST_STATE: usize = 512 << 10;
/// Most refusals of options.
const MOST_REFUSALS: usize = 16;

/// What the plugin was called for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Turn {
    /// It was not called.
    Nobody,
    /// `open`
    Opening,
    /// `handle`
    Handling,
    /// `save`
    Saving,
}

/// What a plugin says.
#[derive(Debug)]
pub(crate) struct Collector {
    pub(crate) thread: ThreadId,
    pub(crate) turn: Turn,
    pub(crate) now_us: i64,
    pub(crate) outputs: Vec<Output>,
    pub(crate) state: Option<Vec<u8>>,
    pub(crate) refusals: Vec<(String, String)>,
    /// It said more than it may.
    pub(crate) flooded: bool,
    pub(crate) fields: Fields,
    bytes: usize,
}

impl Collector {
    pub(crate) fn new(fields: Fields) -> Self {
        Collector {
            thread: std::thread::current().id(),
            turn: Turn::Nobody,
            now_us: 0,
            outputs: Vec::new(),
            state: None,
            refusals: Vec::new(),
            flooded: false,
            fields,
            bytes: 0,
        }
    }

    /// It is the plugin's turn.
    pub(crate) fn begin(&mut self, turn: Turn, now_us: i64) {
        (self.turn, self.now_us, self.bytes, self.flooded) = (turn, now_us, 0, false);
    }

    /// Whether something of that size may be said now.
    fn may_say(&mut self, bytes: usize) -> bool {
        if self.turn != Turn::Handling || self.flooded {
            return false;
        }
        self.bytes = self.bytes.saturating_add(bytes);
        self.flooded = self.outputs.len() >= MOST_OUTPUTS || self.bytes > MOST_BYTES;
        !self.flooded
    }

    /// A reading.
    pub(crate) fn reading<'t>(
        &mut self,
        instrument_t_us: Option<i64>,
        count: usize,
        values: impl Iterator<Item = (&'t str, f64)>,
    ) -> bool {
        if !self.may_say(count * 16) {
            return false;
        }
        self.fields.reading(self.now_us, instrument_t_us, values, &mut self.outputs);
        true
    }

    /// A complaint.
    pub(crate) fn complaint(&mut self, kind: ComplaintKind, skipped: u64, detail: &[u8]) -> bool {
        let skipped = usize::try_from(skipped).unwrap_or(usize::MAX);
        self.say(detail.len(), || {
            Output::Complaint(Complaint::new(kind, skipped, printable(detail)))
        })
    }

    /// Who the instrument is.
    pub(crate) fn identity(&mut self, text: &[u8]) -> bool {
        self.say(text.len(), || Output::Identity {
            instrument: String::new(),
            text: printable(text),
        })
    }

    /// Bytes to send.
    pub(crate) fn send(&mut self, endpoint: u16, bytes: &[u8]) -> bool {
        bytes.len() <= LONGEST_SENT
            && self.say(bytes.len(), || Output::Send { endpoint, bytes: bytes.to_vec() })
    }

    /// A command's end.
    pub(crate) fn done(&mut self, id: u64, worked: bool, text: &[u8]) -> bool {
        self.say(text.len(), || {
            let result = match (worked, text) {
                (true, []) => Ok(serde_json::Value::Null),
                (true, text) => serde_json::from_slice(text)
                    .map_err(|error| format!("its answer is no JSON: {error}")),
                (false, text) => Err(printable(text)),
            };
            Output::CommandDone { id, result }
        })
    }

    /// Anything else.
    pub(crate) fn say(&mut self, bytes: usize, output: impl FnOnce() -> Output) -> bool {
        let may = self.may_say(bytes);
        if may {
            self.outputs.push(output());
        }
        may
    }

    /// The state, once.
    pub(crate) fn state(&mut self, bytes: &[u8]) -> bool {
        let may = self.turn == Turn::Saving && self.state.is_none();
        let may = may && bytes.len() <= LONGEST_STATE;
        if may {
            self.state = Some(bytes.to_vec());
        }
        may
    }

    /// What is wrong with an option.
    pub(crate) fn refuse(&mut self, key: &[u8], what: &[u8]) -> bool {
        let may = self.turn == Turn::Opening && self.refusals.len() < MOST_REFUSALS;
        if may {
            self.refusals.push((printable(key), printable(what)));
        }
        may
    }
}

/// A text of the plugin's, cut and safe to print.
fn printable(text: &[u8]) -> String {
    let text = String::from_utf8_lossy(text);
    let mut shown = String::new();
    for c in text.trim().chars().take(LONGEST_TEXT) {
        match c.is_control() {
            true => shown.extend(c.escape_default()),
            false => shown.push(c),
        }
    }
    if text.chars().nth(LONGEST_TEXT).is_some() {
        shown.push('…');
    }
    shown
}
