//! `bthome`: service data of BTHome v2, plain or encrypted.
//!
//! ```text
//! 40            device information: version 2, plain (41: encrypted)
//! 00 09         packet id 9
//! 0c 80 3f      voltage, 16256 / 1000 V
//! 5d f0 d8      current, signed, -10000 / 1000 A
//! ```
//! What arrives is the data behind the UUID FCD2 of one advertisement, whole, at
//! endpoint 0. One that is heard twice counts once. There is no check of its own
//! unless it is encrypted.

use std::collections::BTreeMap;

use ampledger_types::{Channel, Quantity};
use serde::{Deserialize, Serialize};

use super::readings::{Place, Readings};
use crate::config::{ConfigProblem, DecoderConfig, FieldConfig, nearest};
use crate::decoder::{
    BadSnapshot, Complaint, ComplaintKind, Decoder, Descriptor, Input, Integrity, Output,
    excerpt_bytes,
};
use crate::layout::options::Hex;
use crate::mapping::{Field, Groups, Mapping};

mod encryption;
mod objects;
#[cfg(test)]
mod tests;

use encryption::{Key, Opener};
use objects::{OBJECTS, Object, PACKET_ID, Value};

/// `[sources.NAME.options]` of `bthome`; all may be missing.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Options {
    /// The key, for an instrument that encrypts.
    key: Option<Key>,
    /// The instrument's address, which is part of the encryption.
    address: Option<Hex>,
}

/// Everything that depends on what came before.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct State {
    packet_id: Option<u8>,
    counter: Option<u32>,
    /// What the instrument last said about itself.
    identity: String,
    /// That its objects are out of order has been said.
    disorder_told: bool,
}

/// The decoder.
struct BtHome {
    opener: Option<Opener>,
    mapping: Mapping,
    groups: Groups,
    state: State,
}

/// Why a packet is not read: what it is, and how it is counted.
type Refusal = (ComplaintKind, String);

impl Decoder for BtHome {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            // An instrument that was off may begin to count anew.
            Input::Opened { .. } | Input::Closed => self.state = State::default(),
            Input::Received { endpoint: 0, bytes } => {
                if let Err((kind, what)) = self.packet(now_us, bytes, out) {
                    out.push(complaint(kind, bytes.len(), what));
                }
            }
            Input::Received { endpoint, bytes } => {
                let what = format!("service data comes from endpoint 0, not from {endpoint}");
                out.push(complaint(ComplaintKind::NotMine, bytes.len(), what));
            }
            Input::Command(command) => out.push(Output::CommandDone {
                id: command.id,
                result: Err("bthome only listens; it takes no commands".to_owned()),
            }),
            Input::Sent { .. } | Input::Drained | Input::Deadline => {}
        }
    }

    fn snapshot(&self) -> Vec<u8> {
        serde_json::to_vec(&self.state).unwrap_or_default()
    }

    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        self.state =
            serde_json::from_slice(snapshot).map_err(|error| BadSnapshot(error.to_string()))?;
        Ok(())
    }
}

impl BtHome {
    fn packet(&mut self, now_us: i64, bytes: &[u8], out: &mut Vec<Output>) -> Result<(), Refusal> {
        const ENCRYPTED: u8 = 1;
        let not_mine = |what: String| Err((ComplaintKind::NotMine, what));
        let Some((information, payload)) = bytes.split_first() else {
            return Err((ComplaintKind::Incomplete, "no device information".to_owned()));
        };
        let version = information >> 5;
        if version != 2 {
            return not_mine(format!("unsupported version {version} of BTHome"));
        }
        match (&self.opener, information & ENCRYPTED != 0) {
            (None, false) => self.objects(now_us, payload, out),
            (None, true) => not_mine("key missing: the data is encrypted; set `key`".to_owned()),
            (Some(_), false) => {
                not_mine("encryption downgrade refused: the data is plain, and `key` is set".into())
            }
            (Some(opener), true) => {
                let seal = |error: encryption::BadSeal| match error {
                    encryption::BadSeal::TooShort => (ComplaintKind::Incomplete, error.to_string()),
                    encryption::BadSeal::Authentication => {
                        (ComplaintKind::BadCheck, error.to_string())
                    }
                };
                let counter = Opener::counter(payload).map_err(seal)?;
                match self.state.counter {
                    Some(last) if counter == last => return Ok(()),
                    Some(last) if counter < last => {
                        let what = format!(
                            "the counter went from {last} back to {counter}: somebody repeats old \
                             data, or the instrument was off"
                        );
                        return Err((ComplaintKind::Implausible, what));
                    }
                    _ => {}
                }
                let opened = opener.open(*information, payload).map_err(seal)?;
                // Only what is proven to be the instrument's moves the counter.
                self.state.counter = Some(opened.counter);
                self.objects(now_us, &opened.objects, out)
            }
        }
    }

    fn objects(&mut self, now_us: i64, bytes: &[u8], out: &mut Vec<Output>) -> Result<(), Refusal> {
        let mut found: Vec<(&'static Object, Value)> = Vec::new();
        let stop = objects::read(bytes, |object, value| found.push((object, value))).err();
        let id = found.iter().find_map(|(object, value)| match value {
            Value::Number(id) if object.id == PACKET_ID => Some(*id as u8),
            _ => None,
        });
        if id.is_some() && id == self.state.packet_id {
            return Ok(());
        }
        self.state.packet_id = id.or(self.state.packet_id);
        self.identify(&found, out);
        self.warn_of_disorder(&found, out);
        let has_value = !found.is_empty();
        self.sample(now_us, found, bytes, out);
        match stop {
            None if has_value => Ok(()),
            None => Err((ComplaintKind::Incomplete, "no object".to_owned())),
            Some(objects::Stop::Unknown(_)) => stop_refusal(ComplaintKind::NotMine, stop, bytes),
            Some(objects::Stop::Truncated(_)) => {
                stop_refusal(ComplaintKind::Incomplete, stop, bytes)
            }
        }
    }

    fn sample(
        &mut self,
        now_us: i64,
        found: Vec<(&'static Object, Value)>,
        bytes: &[u8],
        out: &mut Vec<Output>,
    ) {
        let mut positions: BTreeMap<&str, u16> = BTreeMap::new();
        let mut readings = Readings::default();
        let mut channels: Vec<Channel> = Vec::new();
        let mut instrument_t_us = None;
        for (object, value) in found {
            if let Value::Time(t_us) = value {
                instrument_t_us = Some(t_us);
            }
            let Value::Number(number) = value else { continue };
            let position = positions.entry(object.name).or_insert(0);
            *position += 1;
            let name = field_name(object.name, *position);
            match field(&name, object, *position, &self.mapping) {
                Ok(Some(field)) if !channels.contains(&field.channel) => {
                    channels.push(field.channel.clone());
                    let unit = Some(object.unit).filter(|unit| !unit.is_empty());
                    match field.read(number, unit) {
                        Ok(value) if value.is_nan() => readings.push_unknown(&name, "no value"),
                        value => readings.push(&name, value),
                    }
                }
                Ok(_) => {}
                Err(problem) => readings.complain(problem.to_string()),
            }
        }
        if !channels.is_empty() {
            let place = Place::beside(now_us, instrument_t_us);
            readings.finish_frame(place, self.groups.of(channels), bytes, out);
        }
    }

    fn identify(&mut self, found: &[(&Object, Value)], out: &mut Vec<Output>) {
        let parts = found.iter().filter_map(|(_, value)| match value {
            Value::Identity(text) => Some(text.as_str()),
            _ => None,
        });
        let text = parts.take(4).collect::<Vec<_>>().join(", ");
        if !text.is_empty() && text != self.state.identity {
            self.state.identity.clone_from(&text);
            out.push(Output::Identity { instrument: String::new(), text });
        }
    }

    /// Once: the readings are good, but repeated objects go by position.
    fn warn_of_disorder(&mut self, found: &[(&Object, Value)], out: &mut Vec<Output>) {
        if !self.state.disorder_told && !found.is_sorted_by_key(|(object, _)| object.id) {
            self.state.disorder_told = true;
            let what = "object ids not in ascending order".to_owned();
            out.push(complaint(ComplaintKind::Implausible, 0, what));
        }
    }
}

fn stop_refusal(
    kind: ComplaintKind,
    stop: Option<objects::Stop>,
    bytes: &[u8],
) -> Result<(), Refusal> {
    let why = stop.map(|stop| stop.to_string()).unwrap_or_default();
    Err((kind, format!("{why} in {}", excerpt_bytes(bytes))))
}

/// `voltage`, `voltage_2`: objects of one name by position.
fn field_name(name: &str, position: u16) -> String {
    if position == 1 { name.to_owned() } else { format!("{name}_{position}") }
}

/// The field as configured, or what the object stands for by itself.
fn field(
    name: &str,
    object: &Object,
    position: u16,
    mapping: &Mapping,
) -> Result<Option<Field>, ConfigProblem> {
    let quantity = match (object.quantity, position) {
        (Some(Quantity::Temperature(_)), n) => Some(Quantity::Temperature(n)),
        (quantity, 1) => quantity,
        (_, _) => None,
    };
    match quantity {
        _ if mapping.is_configured(name) => mapping.field(name),
        Some(quantity) => Field::new(&FieldConfig::of(quantity), None, name).map(Some),
        None => Ok(None),
    }
}

fn complaint(kind: ComplaintKind, bytes: usize, what: String) -> Output {
    Output::Complaint(Complaint::new(kind, bytes, what))
}

fn build(config: &DecoderConfig) -> Result<Box<dyn Decoder>, ConfigProblem> {
    let options: Options = config.options()?;
    let address = options.address.as_ref().map(|hex| <[u8; 6]>::try_from(hex.0.as_slice()));
    let opener = match (&options.key, address) {
        (_, Some(Err(_))) => {
            let what = "must be six bytes, as in \"C0:00:00:00:00:01\"";
            return Err(ConfigProblem::new("options.address", what));
        }
        (Some(key), Some(Ok(address))) => Some(Opener::new(key, address)),
        (Some(_), None) => {
            let what = "is needed beside `key`: it is part of the encryption";
            return Err(ConfigProblem::new("options.address", what));
        }
        (None, _) => None,
    };
    let mapping = Mapping::new(config)?;
    for name in mapping.names() {
        checked_name(name, &mapping)?;
    }
    Ok(Box::new(BtHome { opener, mapping, groups: Groups::default(), state: State::default() }))
}

/// Refuses a field that no object can have, or whose unit is another's.
fn checked_name(name: &str, mapping: &Mapping) -> Result<(), ConfigProblem> {
    let problem = |what: String| Err(ConfigProblem::new(format!("fields.{name}"), what));
    let base = name
        .rsplit_once('_')
        .filter(|(_, position)| position.parse::<u16>().is_ok_and(|n| n > 1))
        .map_or(name, |(base, _)| base);
    let is_number = |object: &&Object| matches!(object.form, objects::Form::Number(..));
    let mut known = OBJECTS.iter().filter(is_number);
    let Some(object) = known.find(|object| object.name == base) else {
        let names = OBJECTS.iter().filter(is_number).map(|object| object.name);
        let near = nearest(base, names).map(|near| format!("; did you mean `{near}`?"));
        return problem(format!("no object has that name{}", near.unwrap_or_default()));
    };
    let Some(configured) = mapping.field(name)? else { return Ok(()) };
    let unit = Some(object.unit).filter(|unit| !unit.is_empty());
    if let Err(what) = configured.read(1.0, unit) {
        return problem(format!("the object's {what}"));
    }
    for other in OBJECTS.iter().filter(|other| !mapping.is_configured(other.name)) {
        let taken = field(other.name, other, 1, mapping)?;
        if taken.is_some_and(|taken| taken.channel == configured.channel) {
            let what = format!("`{}` goes there by itself; give another `channel`", other.name);
            return Err(ConfigProblem::new(format!("fields.{name}.channel"), what));
        }
    }
    Ok(())
}

/// The entry in the list.
pub static DESCRIPTOR: Descriptor = Descriptor {
    name: "bthome",
    version: "1",
    summary: "service data of BTHome v2, plain or encrypted",
    // An encrypted packet carries an authentication code, a plain one nothing.
    integrity: |config| match config.options.contains_key("key") {
        true => Integrity::Crc,
        false => Integrity::None,
    },
    build,
};
