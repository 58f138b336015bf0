//! `json-lines`: one JSON object a line.
//!
//! ```text
//! {"time_s": 12.0, "U": 13.25, "I": -12.1, "cells": [3.31, 3.32]}
//! ```
//! Fields are keys of the object, or JSON pointers (RFC 6901) such as
//! `/cells/0`. There is no check sum, but a line that is cut off is no JSON
//! object, so that no cut number passes. Nesting is bounded by the parser.

use std::collections::HashMap;

use ampledger_types::Channel;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::readings::{Readings, Written, incomplete, place, text};
use crate::config::{ConfigProblem, DecoderConfig};
use crate::decoder::{
    BadSnapshot, Complaint, ComplaintKind, Decoder, Descriptor, Input, Integrity, Outlet, Output,
    excerpt,
};
use crate::framing::{Line, Lines};
use crate::instrument_time::{AXIS_TOLERANCE_SECOND, Axis, TimeOptions, TimeReader};
use crate::mapping::{Field, Groups, Mapping, heading};

/// `[sources.NAME.options]` of `json-lines`; all may be missing.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Options {
    /// The instrument's own time.
    time: TimeOptions,
    /// How far an axis by the instrument's time may lag behind arrival, s.
    axis_tolerance_second: f64,
}

impl Default for Options {
    fn default() -> Self {
        Options { time: TimeOptions::default(), axis_tolerance_second: AXIS_TOLERANCE_SECOND }
    }
}

/// Everything that depends on what came before.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct State {
    lines: Lines,
    axis: Axis,
}

/// The decoder.
struct JsonLines {
    reader: Reader,
    lines: Lines,
}

struct Reader {
    mapping: Mapping,
    time: TimeReader,
    axis: Axis,
    groups: Groups,
    keys: Keys,
}

/// What a key of an object is.
#[derive(Clone, Debug)]
enum Key {
    Field(Field),
    Time(Option<String>),
    Unused,
    Wrong(String),
}

/// What is known of keys that have been seen. Bounded.
#[derive(Default)]
struct Keys(HashMap<String, Key>);

impl Keys {
    const MOST: usize = 1024;

    fn of(&mut self, name: &str, mapping: &Mapping, time: &TimeReader) -> &Key {
        if self.0.len() >= Self::MOST && !self.0.contains_key(name) {
            self.0.clear();
        }
        self.0.entry(name.to_owned()).or_insert_with(|| {
            let is_time = match &time.column {
                Some(column) => column == name,
                None => heading::is_time(name) && !mapping.is_configured(name),
            };
            if is_time {
                return Key::Time(heading::part(name).map(|p| p.unit.to_owned()));
            }
            match mapping.field(name) {
                Ok(Some(field)) => Key::Field(field),
                Ok(None) => Key::Unused,
                Err(problem) => Key::Wrong(problem.to_string()),
            }
        })
    }
}

impl Decoder for JsonLines {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            Input::Opened { record } => {
                let given_up = self.lines.opened(record);
                if given_up > 0 {
                    out.push(incomplete(given_up, "the connection was opened anew in a line"));
                }
                self.reader.axis.opened(record);
            }
            Input::Received { bytes, .. } => self.lend(now_us, bytes, out),
            Input::Closed => {
                let reader = &mut self.reader;
                self.lines.closed(|line| reader.line(now_us, line, out));
            }
            Input::Command(command) => out.push(Output::CommandDone {
                id: command.id,
                result: Err("json-lines only listens; it takes no commands".to_owned()),
            }),
            Input::Sent { .. } | Input::Drained | Input::Deadline => {}
        }
    }

    fn lend(&mut self, now_us: i64, bytes: &[u8], out: &mut dyn Outlet) {
        let reader = &mut self.reader;
        self.lines.push(bytes, |line| {
            out.line();
            reader.line(now_us, line, out);
        });
    }

    fn snapshot(&self) -> Vec<u8> {
        let state = State { lines: self.lines.clone(), axis: self.reader.axis.clone() };
        serde_json::to_vec(&state).unwrap_or_default()
    }

    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        let state: State =
            serde_json::from_slice(snapshot).map_err(|error| BadSnapshot(error.to_string()))?;
        (self.lines, self.reader.axis) = (state.lines, state.axis);
        Ok(())
    }
}

impl Reader {
    fn new(config: &DecoderConfig) -> Result<Self, ConfigProblem> {
        let options: Options = config.options()?;
        Ok(Reader {
            mapping: Mapping::new(config)?,
            time: TimeReader::new(&options.time, options.axis_tolerance_second)?,
            axis: Axis::default(),
            groups: Groups::default(),
            keys: Keys::default(),
        })
    }

    fn line(&mut self, now_us: i64, line: Line<'_>, out: &mut dyn Outlet) {
        let (bytes, may_be_cut) = match line {
            Line::Whole(bytes) => (bytes, false),
            Line::Part(bytes) => (bytes, true),
            Line::TooLong(length) => {
                out.say(incomplete(length, "the line is too long"));
                return;
            }
        };
        let line = text(bytes);
        let line = line.trim();
        if line.is_empty() {
            return;
        }
        match serde_json::from_str::<Value>(line) {
            Ok(object @ Value::Object(_)) => self.object(now_us, line, &object, out),
            // What is left of a cut line can be a whole value, but no object.
            _ if may_be_cut => out.say(incomplete(bytes.len(), "the line may be cut off")),
            Ok(_) => {
                let detail = format!("{} is JSON, but no object", excerpt(line));
                out.say(not_mine(bytes.len(), detail));
            }
            Err(error) if error.is_eof() => {
                out.say(incomplete(bytes.len(), &format!("{} is cut off", excerpt(line))));
            }
            Err(_) => out.say(not_mine(bytes.len(), format!("{} is no JSON", excerpt(line)))),
        }
    }

    fn object(&mut self, now_us: i64, line: &str, object: &Value, out: &mut dyn Outlet) {
        let Value::Object(entries) = object else { return };
        let pointers = self.mapping.names().chain(self.time.column.as_deref());
        let pointed = pointers.filter(|name| name.starts_with('/'));
        let pointed = pointed.filter_map(|name| Some((name, object.pointer(name)?)));
        let mut named: Vec<_> = entries.iter().map(|(name, v)| (name.as_str(), v)).collect();
        // However the parser keeps them: the same keys are the same group.
        named.sort_unstable_by_key(|(name, _)| *name);

        let mut readings = Readings::default();
        let mut channels: Vec<Channel> = Vec::new();
        let mut time: Option<(String, Option<String>)> = None;
        for (name, value) in pointed.chain(named) {
            match self.keys.of(name, &self.mapping, &self.time) {
                Key::Field(field) if !channels.contains(&field.channel) => {
                    channels.push(field.channel.clone());
                    take(&mut readings, name, field, value);
                }
                Key::Time(unit) if time.is_none() => time = Some((written(value), unit.clone())),
                Key::Wrong(what) => readings.complain(what.clone()),
                Key::Field(_) | Key::Time(_) | Key::Unused => {}
            }
        }
        let time = time.as_ref().map(|(text, unit)| Written {
            text: text.as_bytes(),
            t_us: self.time.read(text, '.', unit.as_deref()),
        });
        let at = place(now_us, time, &mut self.axis, &self.time, &mut readings);
        readings.finish(at, self.groups.of(channels), line, out);
    }
}

fn take(readings: &mut Readings, name: &str, field: &Field, value: &Value) {
    match value {
        Value::Null => readings.push(name, Ok(f64::NAN)),
        Value::Number(number) => {
            let value = number.as_f64().unwrap_or(f64::NAN);
            readings.push(name, field.read(value, None));
        }
        Value::String(text) => readings.take(name, field, text, '.'),
        other => readings.push(name, Err(format!("{} is no number", excerpt(&other.to_string())))),
    }
}

fn written(value: &Value) -> String {
    value.as_str().map_or_else(|| value.to_string(), str::to_owned)
}

fn not_mine(bytes: usize, detail: String) -> Output {
    Output::Complaint(Complaint::new(ComplaintKind::NotMine, bytes, detail))
}

/// The entry in the list.
pub static DESCRIPTOR: Descriptor = Descriptor {
    name: "json-lines",
    version: "1",
    summary: "one JSON object a line; fields by key or JSON pointer",
    integrity: |_| Integrity::None,
    build: |config| {
        Ok(Box::new(JsonLines { reader: Reader::new(config)?, lines: Lines::default() }))
    },
};

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conformance::{Case, Event, check};

    fn config(json: serde_json::Value) -> DecoderConfig {
        serde_json::from_value(json).unwrap()
    }

    fn play(config: &DecoderConfig, text: &str) -> Vec<Output> {
        let mut decoder = (DESCRIPTOR.build)(config).unwrap();
        let mut out = Vec::new();
        decoder.handle(7, Input::Opened { record: false }, &mut out);
        decoder.handle(7, Input::Received { endpoint: 0, bytes: text.as_bytes() }, &mut out);
        decoder.handle(7, Input::Closed, &mut out);
        out
    }

    fn said(out: &[Output]) -> Vec<String> {
        out.iter()
            .map(|o| match o {
                Output::Sample(s) => format!("{} {:?}", s.group.name, s.values),
                Output::Complaint(c) => c.kind.word().to_owned(),
                other => format!("{other:?}"),
            })
            .collect()
    }

    #[test]
    fn fields_are_keys_or_pointers_with_their_units() {
        let config = config(serde_json::json!({ "fields": {
            "/cells/1": { "quantity": "cell_voltage_2_volt", "unit": "mV" },
            "load": { "quantity": "current_ampere", "sign": "discharging-positive" },
        }}));
        let out = play(&config, r#"{"load":"12.5 A","cells":[1,3312],"U [mV]":26400,"x":true}"#);
        let group = "cell_voltage_2_volt+voltage_volt+current_ampere";
        assert_eq!(said(&out), [format!("{group} [3.312, 26.4, -12.5]")]);
    }

    #[test]
    fn objects_with_other_keys_are_another_group() {
        let out = play(&config(serde_json::json!({})), "{\"U\":1}\n{\"I\":2}\n{\"U\":3}\n");
        assert_eq!(
            said(&out),
            ["voltage_volt [1.0]", "current_ampere [2.0]", "voltage_volt [3.0]"]
        );
        let groups: Vec<_> = out
            .iter()
            .map(|o| if let Output::Sample(s) = o { &s.group } else { panic!() })
            .collect();
        assert!(std::sync::Arc::ptr_eq(groups[0], groups[2]));
    }

    #[test]
    fn what_is_no_reading_is_told_apart() {
        let deep = format!("{}{}\n", "[".repeat(5000), "]".repeat(5000));
        let text = format!(
            "\n{{\"U\":null,\"I\":1}}\n{{\"U\":true}}\n{{\"U\":NaN}}\n[1]\n{{\"U\":1\n{deep}{{\"U\":1e999}}\n{{}}\n13"
        );
        assert_eq!(
            said(&play(&config(serde_json::json!({})), &text)),
            [
                "current_ampere+voltage_volt [1.0, NaN]",
                "implausible",
                "not_mine",
                "not_mine",
                "incomplete",
                "not_mine",
                "not_mine",
                "implausible",
                "incomplete"
            ]
        );
    }

    #[test]
    fn the_time_option_is_that_of_text_lines() {
        let config = config(serde_json::json!({ "options": {
            "time": { "column": "/at/ms", "unit": "ms", "as": "axis" } } }));
        let out =
            play(&config, "{\"at\":{\"ms\":5000},\"U\":1}\n{\"at\":{\"ms\":\"4000\"},\"U\":2}\n");
        let times: Vec<_> = out
            .iter()
            .filter_map(|o| {
                if let Output::Sample(s) = o { Some((s.t_us, s.instrument_t_us)) } else { None }
            })
            .collect();
        assert_eq!(times, [(7, Some(5_000_000)), (7, Some(4_000_000))]);
        assert_eq!(said(&out)[1], "implausible");
    }

    #[test]
    fn conforms() {
        let lines = [
            r#"{"time_s":0,"U":1}"#,
            r#"{"time_s":1,"U":2,"I":"3 mA"}"#,
            r#"{"time_s":2,"U":3}"#,
            r#"{"time_s":3,"U":null,"I":4}"#,
        ];
        for record in [false, true] {
            let mut recording = vec![(0, Event::Opened { record })];
            for (i, line) in lines.iter().enumerate() {
                let bytes = format!("{line}\n").into_bytes();
                recording.push((i as i64 * 1_000_000, Event::Received(bytes)));
            }
            recording.push((9_000_000, Event::Closed));
            check(&Case {
                descriptor: &DESCRIPTOR,
                config: config(serde_json::json!({})),
                recording,
                frame_end: b"\n",
                lost_at_most: 0,
                polled: false,
            });
        }
    }
}
