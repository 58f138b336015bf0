//! `frames`: binary frames as a person describes them in the source's options.
//!
//! ```text
//! A5 5A | length | tag | field field … | checksum      one of many
//! ```
//! The language is in `layout/`, finding frames in `framing/`. A frame whose
//! checksum is wrong costs one byte, and the search goes on behind it. Without a
//! checksum a flipped bit passes as another number.

use std::cell::RefCell;

use serde::{Deserialize, Serialize};

use super::readings::{Place, Readings};
use crate::config::{ConfigProblem, DecoderConfig};
use crate::decoder::{
    BadSnapshot, Complaint, ComplaintKind, Decoder, Descriptor, Input, Integrity, Output, excerpt,
    excerpt_bytes,
};
use crate::framing::{Counted, Delimited, Length, Piece, cobs, slip};
use crate::layout::options::Framing;
use crate::layout::requests::Schedule;
use crate::layout::seal::Check;
use crate::layout::value::Number;
use crate::layout::{Found, Kind, Layout, Meaning};

#[cfg(test)]
mod tests;

/// Everything that depends on what came before.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct State {
    counted: Counted,
    delimited: Delimited,
    schedule: Schedule,
    /// The fault or unknown state that each field of each kind is in, so that it
    /// is reported once: kind, field, number.
    troubled: Vec<(usize, usize, i128)>,
}

/// The decoder.
struct Frames {
    layout: Layout,
    state: State,
}

impl Decoder for Frames {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            Input::Opened { record } => self.opened(now_us, record, out),
            Input::Received { endpoint: 0, bytes } => self.received(now_us, bytes, out),
            Input::Received { endpoint, bytes } => {
                let what = format!("frames come from endpoint 0, not from {endpoint}");
                out.push(complaint(ComplaintKind::NotMine, bytes.len(), what));
            }
            Input::Deadline => self.state.schedule.send(now_us, &self.layout.requests, out),
            Input::Command(command) => out.push(Output::CommandDone {
                id: command.id,
                result: Err("frames takes no commands".to_owned()),
            }),
            Input::Closed => {
                self.give_up("the connection was closed in a frame", out);
                self.state.schedule.end(out);
            }
            Input::Sent { .. } | Input::Drained => {}
        }
    }

    fn snapshot(&self) -> Vec<u8> {
        serde_json::to_vec(&self.state).unwrap_or_default()
    }

    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        let state: State =
            serde_json::from_slice(snapshot).map_err(|error| BadSnapshot(error.to_string()))?;
        let stuffed = longest_stuffed(self.layout.longest);
        let kinds = self.layout.kinds();
        let is_known = |&(kind, slot, _): &(usize, usize, i128)| {
            kinds.get(kind).is_some_and(|kind| slot < kind.slots.len())
        };
        let most: usize = kinds.iter().map(|kind| kind.slots.len()).sum();
        let fits = state.counted.pending() <= self.layout.longest
            && state.delimited.is_within(stuffed)
            && state.schedule.is_for(&self.layout.requests)
            && state.troubled.len() <= most
            && state.troubled.iter().all(is_known);
        if !fits {
            return Err(BadSnapshot("it is that of another layout".to_owned()));
        }
        self.state = state;
        Ok(())
    }
}

/// How long a frame may be before it is unstuffed: SLIP may double it.
fn longest_stuffed(longest: usize) -> usize {
    2 * longest + 2
}

/// What is wrong with one input, so that rubbish makes few complaints: kind,
/// bytes, how often, and the first in words.
#[derive(Default)]
struct Troubles(Vec<(ComplaintKind, usize, usize, String)>);

impl Troubles {
    fn add(&mut self, kind: ComplaintKind, bytes: usize, what: impl FnOnce() -> String) {
        match self.0.iter_mut().find(|trouble| trouble.0 == kind) {
            Some((_, skipped, count, _)) => (*skipped, *count) = (*skipped + bytes, *count + 1),
            None => self.0.push((kind, bytes, 1, what())),
        }
    }

    fn say(self, out: &mut Vec<Output>) {
        for (kind, bytes, count, mut what) in self.0 {
            if count > 1 {
                what.push_str(&format!(", and {} more", count - 1));
            }
            out.push(complaint(kind, bytes, what));
        }
    }
}

impl Frames {
    fn opened(&mut self, now_us: i64, record: bool, out: &mut Vec<Output>) {
        self.give_up("the connection was opened anew in a frame", out);
        self.state.delimited.opened(record);
        self.state.troubled.clear();
        match record || self.layout.requests.is_empty() {
            true => self.state.schedule.end(out),
            false => self.state.schedule.begin(now_us, &self.layout.requests, out),
        }
    }

    fn give_up(&mut self, why: &str, out: &mut Vec<Output>) {
        let pending = self.state.counted.opened() + self.state.delimited.opened(true);
        if pending > 0 {
            out.push(complaint(ComplaintKind::Incomplete, pending, why.to_owned()));
        }
    }

    fn received(&mut self, now_us: i64, bytes: &[u8], out: &mut Vec<Output>) {
        let Frames { layout, state } = self;
        let State { counted, delimited, schedule, troubled } = state;
        let mut troubles = Troubles::default();
        let mut reader = Reader { now_us, layout, schedule, troubled, out };
        let end = match layout.framing {
            Framing::Cobs => cobs::END,
            Framing::Slip => slip::END,
            Framing::Whole => {
                reader.frame(bytes, &mut troubles);
                return troubles.say(out);
            }
            Framing::Sync | Framing::Length => {
                reader.counted(counted, bytes, &mut troubles);
                return troubles.say(out);
            }
        };
        delimited.push(bytes, end, longest_stuffed(layout.longest), |piece| {
            reader.piece(piece, &mut troubles);
        });
        troubles.say(out);
    }
}

/// Reads frames that have been found.
struct Reader<'a> {
    now_us: i64,
    layout: &'a Layout,
    schedule: &'a mut Schedule,
    troubled: &'a mut Vec<(usize, usize, i128)>,
    out: &'a mut Vec<Output>,
}

impl Reader<'_> {
    fn counted(&mut self, framer: &mut Counted, bytes: &[u8], troubles: &mut Troubles) {
        let layout = self.layout;
        let mut refused = None;
        let stranger = RefCell::new(None);
        let length = |start: &[u8]| {
            let length = layout.length(start);
            if length == Length::NoFrame {
                stranger.borrow_mut().get_or_insert_with(|| match layout.find(start) {
                    Found::Unknown(tag) => unknown(tag, start),
                    _ => format!("no frame has this length: {}", excerpt_bytes(start)),
                });
            }
            length
        };
        let skipped = framer.push(bytes, &layout.sync, length, |frame| match self.refusal(frame) {
            None => {
                self.read(frame, troubles);
                true
            }
            Some(refusal) => {
                refused.get_or_insert(refusal);
                false
            }
        });
        if skipped > 0 {
            let (kind, what) = refused.unwrap_or_else(|| {
                let nothing = || format!("no frame in {}", excerpt_bytes(bytes));
                (ComplaintKind::NotMine, stranger.take().unwrap_or_else(nothing))
            });
            troubles.add(kind, skipped, || what);
        }
    }

    fn piece(&mut self, piece: Piece<'_>, troubles: &mut Troubles) {
        let stuffed = match piece {
            Piece::Whole(stuffed) => stuffed,
            Piece::Part(stuffed) => {
                let what = || "the frame may be cut off".to_owned();
                return troubles.add(ComplaintKind::Incomplete, stuffed.len(), what);
            }
            Piece::TooLong(length) => {
                let what = || too_long(self.layout.longest);
                return troubles.add(ComplaintKind::Incomplete, length, what);
            }
        };
        let payload = match self.layout.framing {
            Framing::Slip => slip::decode(stuffed).map_err(|error| error.to_string()),
            _ => cobs::decode(stuffed).map_err(|error| error.to_string()),
        };
        match payload {
            Ok(payload) => self.frame(&payload, troubles),
            Err(error) => troubles.add(ComplaintKind::NotMine, stuffed.len(), || {
                format!("{error} in {}", excerpt_bytes(stuffed))
            }),
        }
    }

    /// A frame whose two ends are certain.
    fn frame(&mut self, frame: &[u8], troubles: &mut Troubles) {
        if frame.len() > self.layout.longest {
            let what = || too_long(self.layout.longest);
            return troubles.add(ComplaintKind::Incomplete, frame.len(), what);
        }
        match self.refusal(frame) {
            None => self.read(frame, troubles),
            Some((kind, what)) => troubles.add(kind, frame.len(), || what),
        }
    }

    /// Why this is no sound frame, if it is none.
    fn refusal(&self, frame: &[u8]) -> Option<(ComplaintKind, String)> {
        match self.layout.seal.as_ref().map(|seal| (seal, seal.check(frame))) {
            None => match self.layout.find(frame) {
                Found::Unknown(tag) => Some((ComplaintKind::NotMine, unknown(tag, frame))),
                Found::Kind(..) | Found::Ignored => None,
            },
            Some((_, Check::Right)) => None,
            Some((seal, Check::Wrong(sent, computed))) => {
                let name = seal.algorithm.name();
                let what = format!("{name} is {sent:#x} and should be {computed:#x}");
                Some((ComplaintKind::BadCheck, what))
            }
            Some((_, Check::TooShort)) => {
                let what = format!("{} is too short for a checksum", excerpt_bytes(frame));
                Some((ComplaintKind::Incomplete, what))
            }
        }
    }

    fn read(&mut self, frame: &[u8], troubles: &mut Troubles) {
        self.schedule.answered();
        let (place, kind) = match self.layout.find(frame) {
            Found::Kind(place, kind) => (place, kind),
            Found::Ignored => return,
            Found::Unknown(tag) => {
                return troubles.add(ComplaintKind::NotMine, frame.len(), || unknown(tag, frame));
            }
        };
        self.states(place, kind, frame, troubles);
        let Some(group) = &kind.group else { return };
        let mut readings = Readings::default();
        for slot in &kind.slots {
            let Meaning::Reading(field) = &slot.meaning else { continue };
            let value = match slot.place.read(frame) {
                None => Err("lies behind the frame's end".to_owned()),
                Some(Number::Float(value)) if value.is_infinite() => Err("is infinite".to_owned()),
                Some(Number::Float(value)) if value.is_nan() => Ok(f64::NAN),
                Some(number) => field.read(number.as_f64(), None),
            };
            match value {
                Ok(value) if value.is_nan() => readings.push_unknown(&slot.name, "no value"),
                value => readings.push(&slot.name, value),
            }
        }
        readings.finish_frame(Place::arrival(self.now_us), group.clone(), frame, self.out);
    }

    /// Reports faults, and states that are not known, when they come.
    fn states(&mut self, kind_at: usize, kind: &Kind, frame: &[u8], troubles: &mut Troubles) {
        for (slot_at, slot) in kind.slots.iter().enumerate() {
            let Meaning::States(states) = &slot.meaning else { continue };
            let Some(number) = slot.place.read_int(frame) else { continue };
            let state = states.iter().find(|(n, _, _)| *n == number);
            let known = self.troubled.iter().position(|t| (t.0, t.1) == (kind_at, slot_at));
            if let Some((_, _, false)) = state {
                known.map(|at| self.troubled.swap_remove(at));
                continue;
            }
            let now = (kind_at, slot_at, number);
            match known {
                Some(at) if self.troubled[at] == now => continue,
                Some(at) => self.troubled[at] = now,
                None => self.troubled.push(now),
            }
            let name = excerpt(&slot.name);
            match state {
                Some((_, state, _)) => troubles.add(ComplaintKind::InstrumentError, 0, || {
                    format!("{name} is {}", excerpt(state))
                }),
                None => troubles.add(ComplaintKind::Implausible, 0, || {
                    format!("{name} is {number}, which is none of its states")
                }),
            }
        }
    }
}

fn too_long(longest: usize) -> String {
    format!("the frame is longer than {longest} bytes")
}

fn unknown(tag: Option<i128>, frame: &[u8]) -> String {
    match tag {
        Some(tag) => format!("no kind of frame has the tag {tag}: {}", excerpt_bytes(frame)),
        None => format!("{} is too short for a tag", excerpt_bytes(frame)),
    }
}

fn complaint(kind: ComplaintKind, bytes: usize, what: String) -> Output {
    Output::Complaint(Complaint::new(kind, bytes, what))
}

fn build(config: &DecoderConfig) -> Result<Box<dyn Decoder>, ConfigProblem> {
    Ok(Box::new(Frames { layout: Layout::new(config)?, state: State::default() }))
}

/// As the layout says.
fn integrity(config: &DecoderConfig) -> Integrity {
    let layout = Layout::new(config).ok();
    layout.and_then(|layout| layout.seal).map_or(Integrity::None, |seal| seal.algorithm.integrity())
}

/// The entry in the list.
pub static DESCRIPTOR: Descriptor = Descriptor {
    name: "frames",
    version: "1",
    summary: "binary frames, described in the source's options",
    integrity,
    build,
};
