//! `iec62056-21`: readouts of a mains-side meter after IEC 62056-21.
//!
//! ```text
//! us:  /?!\r\n                          a request, unless the meter pushes
//! it:  /ABC3BENCH01\r\n                 maker, a character for the rate, type
//! it:  STX                              only where there is a block check
//!      0.0.0(12345678)\r\n              address(value*unit), several a line
//!      1.8.0(0001234.567*kWh)\r\n
//!      !\r\n
//!      ETX BCC
//! ```
//! One readout is one sample; its time is that of its end. The rate is never
//! changed: the meter's own is the connection's. Values that belong to earlier
//! periods, profiles and the programming mode are not read.

use std::sync::Arc;

use ampledger_types::Group;
use serde::{Deserialize, Serialize};

use super::readings::{Place, Readings, text};
use crate::config::{ConfigProblem, DecoderConfig};
use crate::decoder::{
    BadSnapshot, Complaint, ComplaintKind, Decoder, Descriptor, Input, Integrity, Output, excerpt,
};
use crate::mapping::{Field, Groups, Mapping};
use crate::number::split_number;

mod options;
pub mod readout;
#[cfg(test)]
mod tests;

use options::Options;
use readout::{Framer, Piece, data_sets};

/// ACK, protocol 0, rate 0 (it stays as it is), mode 0 (readout).
const ACKNOWLEDGEMENT: &[u8] = b"\x06000\r\n";

/// What is being waited for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
enum Phase {
    /// To be opened.
    #[default]
    Closed,
    /// What the meter sends by itself.
    Listening,
    /// The time of the next request.
    Idle(i64),
    /// A readout; silence until this time ends the waiting.
    Waiting { latest_us: i64, next_us: i64, has_acknowledged: bool },
}

/// Everything that depends on what came before.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct State {
    framer: Framer,
    phase: Phase,
    /// Who it is, as it said last.
    identity: String,
}

/// The decoder.
struct Iec62056 {
    options: Options,
    fields: Vec<(String, Field)>,
    group: Arc<Group>,
    state: State,
}

impl Decoder for Iec62056 {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            Input::Opened { .. } => {
                self.state = State { phase: Phase::Listening, ..State::default() };
                self.request(now_us, now_us, out);
            }
            Input::Received { bytes, .. } => self.received(now_us, bytes, out),
            Input::Sent { .. } => self.still_waiting(now_us, out),
            Input::Deadline => self.deadline(now_us, out),
            Input::Command(command) => out.push(Output::CommandDone {
                id: command.id,
                result: Err("iec62056-21 takes no commands".to_owned()),
            }),
            Input::Closed => {
                self.state.framer.give_up(&mut |piece| {
                    out.extend(complaint(&piece));
                });
                self.state = State::default();
                out.push(Output::Wake(None));
            }
            Input::Drained => {}
        }
    }

    fn snapshot(&self) -> Vec<u8> {
        serde_json::to_vec(&self.state).unwrap_or_default()
    }

    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        let state: State =
            serde_json::from_slice(snapshot).map_err(|error| BadSnapshot(error.to_string()))?;
        if !state.framer.is_possible() {
            return Err(BadSnapshot("no readout is in this state".to_owned()));
        }
        self.state = state;
        Ok(())
    }
}

impl Iec62056 {
    fn new(config: &DecoderConfig) -> Result<Self, ConfigProblem> {
        let options: Options = config.options()?;
        options.check()?;
        let mapping = Mapping::new(config)?;
        let mut fields = Vec::new();
        for name in mapping.names() {
            if let Some(field) = mapping.field(name)? {
                fields.push((name.to_owned(), field));
            }
        }
        if fields.is_empty() {
            let what = "there must be one at least, named by its code, as in `1.8.0`";
            return Err(ConfigProblem::new("fields", what));
        }
        let channels = fields.iter().map(|(_, field)| field.channel.clone()).collect();
        let group = Groups::default().of(channels);
        Ok(Iec62056 { options, fields, group, state: State::default() })
    }

    /// Asks for a readout, where the meter has to be asked.
    fn request(&mut self, now_us: i64, due_us: i64, out: &mut Vec<Output>) {
        let Some(request) = &self.options.request else { return };
        let latest_us = now_us.saturating_add(self.options.timeout_us());
        let next_us = due_us.saturating_add(self.options.every_us()).max(now_us);
        self.state.phase = Phase::Waiting { latest_us, next_us, has_acknowledged: false };
        out.push(Output::Send { endpoint: 0, bytes: request.as_bytes().to_vec() });
        out.push(Output::Wake(Some(latest_us)));
    }

    /// Whatever goes over the line shows that it is not silent.
    fn still_waiting(&mut self, now_us: i64, out: &mut Vec<Output>) {
        if let Phase::Waiting { latest_us, .. } = &mut self.state.phase {
            *latest_us = now_us.saturating_add(self.options.timeout_us());
            out.push(Output::Wake(Some(*latest_us)));
        }
    }

    /// The readout is there, or will not come any more.
    fn end_waiting(&mut self, out: &mut Vec<Output>) {
        if let Phase::Waiting { next_us, .. } = self.state.phase {
            self.state.phase = Phase::Idle(next_us);
            out.push(Output::Wake(Some(next_us)));
        }
    }

    fn deadline(&mut self, now_us: i64, out: &mut Vec<Output>) {
        match self.state.phase {
            Phase::Closed | Phase::Listening => {}
            Phase::Idle(due_us) | Phase::Waiting { latest_us: due_us, .. } if now_us < due_us => {
                out.push(Output::Wake(Some(due_us)));
            }
            Phase::Idle(due_us) => self.request(now_us, due_us, out),
            Phase::Waiting { .. } => {
                if self.state.framer.pending() == 0 {
                    let what = "no readout came after the request".to_owned();
                    out.push(Output::Complaint(Complaint::new(ComplaintKind::NoAnswer, 0, what)));
                }
                self.state.framer.give_up(&mut |piece| {
                    out.extend(complaint(&piece));
                });
                self.end_waiting(out);
            }
        }
    }

    fn received(&mut self, now_us: i64, bytes: &[u8], out: &mut Vec<Output>) {
        if self.state.phase == Phase::Closed {
            return;
        }
        let mut framer = std::mem::take(&mut self.state.framer);
        framer.push(bytes, |piece| {
            out.extend(complaint(&piece));
            match piece {
                Piece::Identification(line) => self.identified(line, out),
                Piece::Readout { lines, is_checked } => {
                    self.readout(now_us, lines, is_checked, out);
                    self.end_waiting(out);
                }
                Piece::BadCheck { .. } => self.end_waiting(out),
                Piece::Incomplete(_) | Piece::Outside(_) => {}
            }
        });
        self.state.framer = framer;
        self.still_waiting(now_us, out);
    }

    fn identified(&mut self, line: &[u8], out: &mut Vec<Output>) {
        let identity = text(line);
        if self.state.identity != identity {
            self.state.identity = identity.into_owned();
            let text = self.state.identity.clone();
            out.push(Output::Identity { instrument: String::new(), text });
        }
        if let Phase::Waiting { has_acknowledged, .. } = &mut self.state.phase
            && self.options.acknowledge
            && !std::mem::replace(has_acknowledged, true)
        {
            out.push(Output::Send { endpoint: 0, bytes: ACKNOWLEDGEMENT.to_vec() });
        }
    }

    /// One sample; what the readout lacks is missing. Without a block check,
    /// one line that cannot be read costs the whole: the end of an earlier
    /// readout and the beginning of this one may be lost between.
    fn readout(&self, t_us: i64, lines: &[u8], is_checked: bool, out: &mut Vec<Output>) {
        let lines = text(lines);
        let mut values: Vec<Option<Result<f64, String>>> = vec![None; self.fields.len()];
        let mut readings = Readings::default();
        for trouble in self.take(&lines, &mut values) {
            if !is_checked {
                let what = format!("a readout is damaged: {trouble}");
                let complaint = Complaint::new(ComplaintKind::Implausible, lines.len(), what);
                return out.push(Output::Complaint(complaint));
            }
            readings.complain(trouble);
        }
        for (value, (code, _)) in values.into_iter().zip(&self.fields) {
            match value {
                Some(value) => readings.push(code, value),
                None => readings.push_unknown(code, "not in the readout"),
            }
        }
        readings.finish(Place::arrival(t_us), self.group.clone(), &lines, out);
    }

    /// Reads each code's first value. Returns what is wrong with the lines.
    fn take(&self, lines: &str, values: &mut [Option<Result<f64, String>>]) -> Vec<String> {
        let mut trouble = Vec::new();
        for line in lines.split(['\r', '\n']) {
            let sets = data_sets(line).unwrap_or_else(|why| {
                trouble.push(format!("{} is {why}", excerpt(line)));
                Vec::new()
            });
            for set in sets {
                let of_set = |((code, _), _): &(&(String, Field), _)| code == set.code;
                match self.fields.iter().zip(values.iter_mut()).find(of_set) {
                    Some(((_, field), value @ None)) => *value = Some(number(&set, field)),
                    Some(((code, _), _)) => trouble.push(format!("`{code}` comes twice")),
                    None => {}
                }
            }
        }
        trouble
    }
}

/// The number of a data set; NaN where it is empty. Zeros in front and a unit
/// of its own are as the meter writes them.
fn number(set: &readout::DataSet<'_>, field: &Field) -> Result<f64, String> {
    match split_number(set.value.trim(), '.') {
        Some((value, "")) => field.read(value, set.unit),
        _ if set.value.trim().is_empty() => Ok(f64::NAN),
        _ => Err(format!("{} is no number", excerpt(set.value))),
    }
}

fn complaint(piece: &Piece<'_>) -> Option<Output> {
    let (kind, bytes, what) = match piece {
        Piece::Identification(_) | Piece::Readout { .. } => return None,
        Piece::BadCheck { got, computed, bytes } => (
            ComplaintKind::BadCheck,
            *bytes,
            format!("block check mismatch: got 0x{got:02X}, computed 0x{computed:02X}"),
        ),
        Piece::Incomplete(bytes) => {
            (ComplaintKind::Incomplete, *bytes, "a readout without its end".to_owned())
        }
        Piece::Outside(bytes) => {
            (ComplaintKind::NotMine, *bytes, format!("{bytes} bytes outside a readout"))
        }
    };
    Some(Output::Complaint(Complaint::new(kind, bytes, what)))
}

/// The entry in the list.
pub static DESCRIPTOR: Descriptor = Descriptor {
    name: "iec62056-21",
    version: "1",
    summary: "reads a mains-side meter that sends readouts after IEC 62056-21",
    integrity: |_| Integrity::Sum,
    build: |config| Ok(Box::new(Iec62056::new(config)?)),
};
