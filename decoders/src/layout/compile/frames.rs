//! The kinds of frames and their fields, checked.

use std::collections::BTreeSet;
use std::sync::Arc;

use ampledger_types::{Channel, Group};

use super::{Checked, checked_bits, problem};
use crate::config::ConfigProblem;
use crate::layout::options::{FieldOptions, FrameOptions, Framing, LengthOptions, Options};
use crate::layout::value::{Place, Type};
use crate::layout::{Kind, Meaning, Slot};
use crate::mapping::{Field, Mapping};

const MOST_KINDS: usize = 64;
const MOST_FIELDS: usize = 256;
const MOST_STATES: usize = 256;

/// Checks all kinds of frames.
pub(super) fn kinds(
    options: &Options,
    tag: Option<&Place>,
    mapping: &Mapping,
) -> Checked<Vec<Kind>> {
    if !(1..=MOST_KINDS).contains(&options.frames.len()) {
        return problem("frames", format!("there must be 1 to {MOST_KINDS}"));
    }
    let mut unused: BTreeSet<&str> = mapping.names().collect();
    let mut kinds: Vec<Kind> = Vec::new();
    for (i, frame) in options.frames.iter().enumerate() {
        let key = format!("frames[{i}]");
        if frame.name.trim().is_empty() || kinds.iter().any(|kind| kind.name == frame.name) {
            return problem(format!("{key}.name"), "must be a name that no other kind has");
        }
        let kind = Kind {
            name: frame.name.clone(),
            tag: kind_tag(&key, frame, tag, options)?,
            length: kind_length(&key, frame, options)?,
            slots: slots(&key, frame, options, mapping)?,
            group: None,
        };
        if kind.tag.is_some() && kinds.iter().any(|other| other.tag == kind.tag) {
            return problem(format!("{key}.tag"), "is the tag of another kind");
        }
        for slot in &kind.slots {
            unused.remove(slot.name.as_str());
        }
        kinds.push(grouped(kind));
    }
    match unused.pop_first() {
        Some(name) => {
            let what = "no frame has a field of that name";
            Err(ConfigProblem::new(format!("fields.{name}"), what))
        }
        None => Ok(kinds),
    }
}

fn kind_tag(
    key: &str,
    frame: &FrameOptions,
    tag: Option<&Place>,
    options: &Options,
) -> Checked<Option<i128>> {
    let key = format!("{key}.tag");
    match (tag, frame.tag) {
        (None, None) if options.frames.len() == 1 => Ok(None),
        (None, None) => problem("tag", "is needed to tell several kinds of frames apart"),
        (None, Some(_)) => problem(key, "`options.tag` must say where in the frame it lies"),
        (Some(_), None) => problem(key, "is needed: the number at `options.tag` in such a frame"),
        (Some(_), Some(n)) if options.ignore.contains(&n) => {
            problem(key, format!("{n} is among the ignored"))
        }
        (Some(place), Some(n)) => {
            let (low, high) = place.bits.unwrap_or((0, 8 * place.written.octets() as u32 - 1));
            let values = 1i128 << (high - low + 1);
            match (-values / 2..values).contains(&n.into()) {
                true => Ok(Some(n.into())),
                false => problem(key, format!("{n} does not fit into the tag")),
            }
        }
    }
}

fn kind_length(key: &str, frame: &FrameOptions, options: &Options) -> Checked<Option<usize>> {
    let key = format!("{key}.length");
    let is_counted = matches!(options.framing, Framing::Sync | Framing::Length);
    match frame.length {
        Some(_) if !is_counted || options.length.is_some() => {
            problem(key, "goes with `framing = \"sync\"` or `\"length\"`, without `options.length`")
        }
        Some(_) if options.tag.is_none() => {
            problem(key, "needs a `tag`; or write `options.length`")
        }
        Some(n) if !(1..=options.longest).contains(&n) => {
            problem(key, format!("must lie between 1 and `longest`, {}", options.longest))
        }
        None if is_counted && options.length.is_none() => {
            problem(key, "is needed, as the other kinds have one; or write `options.length`")
        }
        length => Ok(length),
    }
}

fn slots(
    key: &str,
    frame: &FrameOptions,
    options: &Options,
    mapping: &Mapping,
) -> Checked<Vec<Slot>> {
    if !(1..=MOST_FIELDS).contains(&frame.fields.len()) {
        return problem(format!("{key}.fields"), format!("there must be 1 to {MOST_FIELDS}"));
    }
    let length = match &options.length {
        Some(LengthOptions::Bytes(n)) => Some(*n),
        _ => frame.length,
    };
    let mut slots: Vec<Slot> = Vec::new();
    for (i, field) in frame.fields.iter().enumerate() {
        let key = format!("{key}.fields[{i}]");
        let slot = Slot {
            name: field.name.clone(),
            place: place(&key, field, length, options)?,
            meaning: meaning(&key, field, mapping)?,
        };
        let same = |other: &Slot| match (&other.meaning, &slot.meaning) {
            (Meaning::Reading(a), Meaning::Reading(b)) => a.channel == b.channel,
            _ => other.name == slot.name,
        };
        if slots.iter().any(same) {
            return problem(format!("{key}.name"), format!("`{}` is there twice", field.name));
        }
        slots.push(slot);
    }
    Ok(slots)
}

fn place(
    key: &str,
    field: &FieldOptions,
    length: Option<usize>,
    options: &Options,
) -> Checked<Place> {
    let octets = field.written.octets();
    let most = length.unwrap_or(options.longest);
    let fits = match usize::try_from(field.at) {
        Ok(at) => at + octets <= most,
        Err(_) => (octets..=most).contains(&(field.at.unsigned_abs() as usize)),
    };
    if !fits {
        let name = format!("{:?}", field.written).to_lowercase();
        let what = format!(
            "`{}` ({name}, {octets} bytes) does not lie within a frame of {most}",
            field.name
        );
        return problem(format!("{key}.at"), what);
    }
    Ok(Place {
        at: field.at,
        written: field.written,
        endian: field.endian.unwrap_or(options.endian),
        bits: checked_bits(key, field.bits, field.written)?,
    })
}

fn meaning(key: &str, field: &FieldOptions, mapping: &Mapping) -> Checked<Meaning> {
    let name = &field.name;
    if field.states.is_empty() && field.faults.is_empty() {
        return match mapping.field(name)? {
            Some(field) => Ok(Meaning::Reading(field)),
            None => {
                let what = format!(
                    "`{name}` is not among the source's fields; say there what it is, or give it \
                     `states`"
                );
                problem(format!("{key}.name"), what)
            }
        };
    }
    if mapping.is_configured(name) {
        let what = format!("a state is no reading; take `{name}` out of the source's fields");
        return problem(format!("{key}.states"), what);
    }
    if matches!(field.written, Type::F32 | Type::F64) {
        return problem(format!("{key}.type"), "a state is an integer");
    }
    if field.states.len() > MOST_STATES {
        return problem(format!("{key}.states"), format!("there can be {MOST_STATES} at most"));
    }
    if let Some(fault) = field.faults.iter().find(|fault| !field.states.contains_key(fault)) {
        return problem(format!("{key}.faults"), format!("{fault} is not among the states"));
    }
    let state =
        |(n, name): (&i64, &String)| (i128::from(*n), name.clone(), field.faults.contains(n));
    Ok(Meaning::States(field.states.iter().map(state).collect()))
}

/// The kind with the group of its readings.
fn grouped(kind: Kind) -> Kind {
    let reading = |slot: &Slot| match &slot.meaning {
        Meaning::Reading(Field { channel, .. }) => Some(channel.clone()),
        Meaning::States(_) => None,
    };
    let channels: Vec<Channel> = kind.slots.iter().filter_map(reading).collect();
    let group =
        (!channels.is_empty()).then(|| Arc::new(Group { name: kind.name.clone(), channels }));
    Kind { group, ..kind }
}
