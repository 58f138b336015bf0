//! `gatt`: characteristics of a Bluetooth instrument, as it notifies them.
//!
//! ```text
//! endpoint 0 (2b18 Voltage)           50 03        848 / 64 V
//! endpoint 1 (2aee Electric Current)  e8 03        1000 / 100 A
//! ```
//! The endpoint is the place in the option `characteristics`. Each notification
//! is a whole frame and a group of its own; the radio link has a checksum, the
//! decoder sees none. A code for 'not known' is a missing value.

use std::sync::Arc;

use ampledger_types::Group;
use serde::{Deserialize, Serialize};

use super::readings::{Place, Readings};
use crate::config::{ConfigProblem, DecoderConfig};
use crate::decoder::{
    BadSnapshot, Complaint, ComplaintKind, Decoder, Descriptor, Input, Integrity, Output,
    excerpt_bytes,
};
use crate::mapping::{Field, Groups};

mod characteristics;
mod form;
mod options;
mod scales;
#[cfg(test)]
mod tests;
mod vendor;

use characteristics::Truncated;
use form::Value;
use options::{Endpoint, Layout, Options, VENDOR_VALUE};

/// Everything that depends on what came before.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct State {
    /// The last Elapsed Time: when it arrived, and what it was, microseconds.
    elapsed: Option<(i64, i64)>,
    /// The endpoints that have had a sample since: each time counts once.
    timed: Vec<u16>,
    /// The faults that each endpoint last reported.
    faults: Vec<(u16, Vec<String>)>,
}

/// The decoder.
struct Gatt {
    endpoints: Vec<Endpoint>,
    elapsed_within_us: i64,
    groups: Groups,
    state: State,
}

impl Decoder for Gatt {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            Input::Opened { .. } | Input::Closed => self.state = State::default(),
            Input::Received { endpoint, bytes } => self.received(now_us, endpoint, bytes, out),
            Input::Command(command) => out.push(Output::CommandDone {
                id: command.id,
                result: Err("gatt only listens; it takes no commands".to_owned()),
            }),
            Input::Sent { .. } | Input::Drained | Input::Deadline => {}
        }
    }

    fn snapshot(&self) -> Vec<u8> {
        serde_json::to_vec(&self.state).unwrap_or_default()
    }

    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        let state: State =
            serde_json::from_slice(snapshot).map_err(|error| BadSnapshot(error.to_string()))?;
        let endpoints = state.timed.iter().chain(state.faults.iter().map(|(endpoint, _)| endpoint));
        let mut seen: Vec<u16> = endpoints.copied().collect();
        seen.sort_unstable();
        let is_known = |endpoint: &u16| usize::from(*endpoint) < self.endpoints.len();
        if !seen.iter().all(is_known) || seen.len() > 2 * self.endpoints.len() {
            return Err(BadSnapshot("it is that of other characteristics".to_owned()));
        }
        self.state = state;
        Ok(())
    }
}

/// What one notification says, so far.
#[derive(Default)]
struct Notification<'a> {
    readings: Readings,
    fields: Vec<&'a Field>,
    faults: Vec<String>,
}

impl<'a> Notification<'a> {
    fn take(&mut self, endpoint: &'a Endpoint, name: &str, unit: &str, value: Value) {
        let Some((field_name, field)) = endpoint.fields.get(name) else {
            if let Value::State(_, true) = value {
                self.faults.push(name.replace('_', " "));
            }
            return;
        };
        self.fields.push(field);
        let symbol = unit;
        let unit = Some(unit).filter(|unit| !unit.is_empty());
        match value {
            Value::Number(number) => match field.read(number, unit) {
                Ok(value) if value.is_nan() => self.readings.push_unknown(field_name, "no value"),
                value => self.readings.push(field_name, value),
            },
            Value::AtLeast(number) => {
                self.readings.push(field_name, field.read(number, unit));
                self.readings.complain(format!("`{field_name}` is {number} {symbol} or more"));
            }
            Value::Unknown(word) => {
                self.readings.push_unknown(field_name, &word.replace('_', " "));
            }
            Value::Wrong(word) => self.readings.push(field_name, Err(word.replace('_', " "))),
            Value::State(state, _) => self.readings.push(field_name, Err(state.into_owned())),
        }
    }
}

impl Gatt {
    fn received(&mut self, now_us: i64, number: u16, bytes: &[u8], out: &mut Vec<Output>) {
        let Gatt { endpoints, groups, state, .. } = self;
        let Some(endpoint) = endpoints.get(usize::from(number)) else {
            let what = format!("there is no endpoint {number}");
            out.push(complaint(ComplaintKind::NotMine, bytes.len(), what));
            return;
        };
        let mut said = Notification::default();
        let read = match &endpoint.layout {
            Layout::Elapsed => state.elapsed(now_us, bytes, out),
            Layout::Standard(standard) => standard.read(bytes, |part, name, value| {
                said.take(endpoint, name, part.form.unit(), value);
            }),
            Layout::Vendor(format, exponent, unit) => format.read(bytes, *exponent).map(|value| {
                said.take(endpoint, VENDOR_VALUE, unit.as_deref().unwrap_or_default(), value);
            }),
        };
        if let Err(truncated) = read {
            let what = format!("{truncated}: {}", excerpt_bytes(bytes));
            out.push(complaint(ComplaintKind::Incomplete, bytes.len(), what));
            return;
        }
        state.report(number, said.faults, out);
        if !said.fields.is_empty() {
            let instrument_t_us = state.time_for(now_us, number, self.elapsed_within_us);
            let group = group(groups, &said.fields);
            let place = Place::beside(now_us, instrument_t_us);
            said.readings.finish_frame(place, group, bytes, out);
        }
    }
}

fn group(groups: &mut Groups, fields: &[&Field]) -> Arc<Group> {
    groups.of(fields.iter().map(|field| field.channel.clone()).collect())
}

impl State {
    fn elapsed(
        &mut self,
        now_us: i64,
        bytes: &[u8],
        out: &mut Vec<Output>,
    ) -> Result<(), Truncated> {
        let need = form::ELAPSED_OCTETS;
        let octets = bytes.get(..need).and_then(|bytes| bytes.try_into().ok());
        let octets = octets.ok_or(Truncated { need, got: bytes.len() })?;
        self.timed.clear();
        self.elapsed = form::elapsed(octets).map(|elapsed| (now_us, elapsed.t_us));
        if self.elapsed.is_none() {
            let what = format!("no elapsed time: {}", excerpt_bytes(bytes));
            out.push(complaint(ComplaintKind::Implausible, bytes.len(), what));
        }
        Ok(())
    }

    /// The instrument's time for a sample of this endpoint, if it has told one
    /// for it.
    fn time_for(&mut self, now_us: i64, endpoint: u16, within_us: i64) -> Option<i64> {
        let (at_us, t_us) = self.elapsed?;
        if now_us.saturating_sub(at_us) > within_us || self.timed.contains(&endpoint) {
            return None;
        }
        self.timed.push(endpoint);
        Some(t_us)
    }

    /// Reports faults when they come.
    fn report(&mut self, endpoint: u16, faults: Vec<String>, out: &mut Vec<Output>) {
        let at = self.faults.iter().position(|(known, _)| *known == endpoint);
        let before = at.map(|at| self.faults.swap_remove(at).1).unwrap_or_default();
        let new: Vec<&str> =
            faults.iter().filter(|fault| !before.contains(fault)).map(String::as_str).collect();
        if !new.is_empty() {
            let what = format!("the instrument reports {}", new.join(", "));
            out.push(complaint(ComplaintKind::InstrumentError, 0, what));
        }
        if !faults.is_empty() {
            self.faults.push((endpoint, faults));
        }
    }
}

fn complaint(kind: ComplaintKind, bytes: usize, what: String) -> Output {
    Output::Complaint(Complaint::new(kind, bytes, what))
}

fn build(config: &DecoderConfig) -> Result<Box<dyn Decoder>, ConfigProblem> {
    let options: Options = config.options()?;
    Ok(Box::new(Gatt {
        endpoints: options.endpoints(config)?,
        elapsed_within_us: i64::from(options.elapsed_within_ms) * 1000,
        groups: Groups::default(),
        state: State::default(),
    }))
}

/// The entry in the list. The link checks every packet, but what the decoder is
/// given has no check of its own.
pub static DESCRIPTOR: Descriptor = Descriptor {
    name: "gatt",
    version: "1",
    summary: "characteristics of the Bluetooth SIG, and plain numbers of other UUIDs",
    integrity: |_| Integrity::None,
    build,
};
