//! The frame layout language: what a binary frame looks like, declared in a
//! source's options and checked once. It says where each number lies; what the
//! numbers are, the shared mapping says. Finds no frames itself and keeps no
//! state: `builtin/frames.rs` does.

mod compile;
mod hex;
pub mod options;
pub mod requests;
#[cfg(test)]
mod schema;
pub mod seal;
pub mod value;

use std::sync::Arc;

use ampledger_types::Group;

pub(crate) use compile::requests as checked_requests;

use crate::framing::Length;
use crate::mapping::Field;
use options::Framing;
use requests::Request;
use seal::Seal;
use value::Place;

/// A frame is never longer, whatever is configured, bytes.
pub const LONGEST_FRAME_BYTES: usize = 4096;

/// Everything about a source's frames.
#[derive(Debug)]
pub struct Layout {
    /// How frames are found.
    pub framing: Framing,
    /// What each begins with; may be empty.
    pub sync: Vec<u8>,
    /// The most bytes in one.
    pub longest: usize,
    /// What protects it.
    pub seal: Option<Seal>,
    /// What is sent to get them.
    pub requests: Vec<Request>,
    length: LengthRule,
    tag: Option<Place>,
    ignore: Vec<i128>,
    kinds: Vec<Kind>,
}

/// How long a frame of known length is.
#[derive(Debug)]
enum LengthRule {
    /// So many bytes.
    Fixed(usize),
    /// As the number at a place says, and so many more.
    Field(Place, i64),
    /// As its kind says, told by the tag.
    ByKind,
}

/// One kind of frame.
#[derive(Debug)]
pub struct Kind {
    /// Its name, that of its group.
    pub name: String,
    /// What is read from it.
    pub slots: Vec<Slot>,
    /// Its channels; none if it has only states.
    pub group: Option<Arc<Group>>,
    tag: Option<i128>,
    length: Option<usize>,
}

/// One field of a frame.
#[derive(Debug)]
pub struct Slot {
    /// Its name in the configuration.
    pub name: String,
    /// Where it lies.
    pub place: Place,
    /// What it is.
    pub meaning: Meaning,
}

/// What the number in a field is.
#[derive(Debug)]
pub enum Meaning {
    /// A reading.
    Reading(Field),
    /// A state, by its number: its name, and whether it is a fault.
    States(Vec<(i128, String, bool)>),
}

/// What a frame turns out to be.
#[derive(Debug)]
pub enum Found<'a> {
    /// One of the kinds, by its place.
    Kind(usize, &'a Kind),
    /// One that is known and not read.
    Ignored,
    /// One that is not known, with its tag if it has one.
    Unknown(Option<i128>),
}

impl Layout {
    /// The kinds of frames.
    pub fn kinds(&self) -> &[Kind] {
        &self.kinds
    }

    /// How long the frame is that begins with these bytes.
    pub fn length(&self, start: &[u8]) -> Length {
        let length = match &self.length {
            LengthRule::Fixed(length) => Some(*length),
            LengthRule::Field(place, plus) => match place.read_int(start) {
                None => return Length::NotYet,
                Some(n) => usize::try_from(n.saturating_add(i128::from(*plus))).ok(),
            },
            LengthRule::ByKind => match self.tag.as_ref().map(|tag| tag.read_int(start)) {
                Some(None) => return Length::NotYet,
                Some(Some(tag)) => {
                    self.kinds.iter().find(|k| k.tag == Some(tag)).and_then(|kind| kind.length)
                }
                None => None,
            },
        };
        let shortest = self.sync.len().max(1);
        match length.filter(|n| (shortest..=self.longest).contains(n)) {
            Some(n) => Length::Bytes(n),
            None => Length::NoFrame,
        }
    }

    /// What the frame is.
    pub fn find(&self, frame: &[u8]) -> Found<'_> {
        let tag = match &self.tag {
            None => None,
            Some(place) => match place.read_int(frame) {
                None => return Found::Unknown(None),
                tag => tag,
            },
        };
        match self.kinds.iter().enumerate().find(|(_, kind)| kind.tag == tag) {
            Some((place, kind)) => Found::Kind(place, kind),
            None if tag.is_some_and(|tag| self.ignore.contains(&tag)) => Found::Ignored,
            None => Found::Unknown(tag),
        }
    }
}
