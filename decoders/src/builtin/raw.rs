//! `raw`: keeps what arrives and reads nothing. For an instrument that nobody has
//! described yet: what it sends goes into the frame log, to be looked at, and to
//! be decoded once somebody knows how. It can ask for it.

use serde::{Deserialize, Serialize};

use crate::config::{ConfigProblem, DecoderConfig};
use crate::decoder::{BadSnapshot, Decoder, Descriptor, Input, Integrity, Output};
use crate::layout::checked_requests;
use crate::layout::options::{Framing, RequestOptions};
use crate::layout::requests::{Request, Schedule};
use crate::layout::value::Endian;

/// The options; all may be missing.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Options {
    /// What is sent again and again.
    requests: Vec<RequestOptions>,
}

/// Everything that depends on what came before.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct State {
    schedule: Schedule,
}

struct Raw {
    requests: Vec<Request>,
    state: State,
}

impl Decoder for Raw {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        let schedule = &mut self.state.schedule;
        match input {
            Input::Opened { record: false } if !self.requests.is_empty() => {
                schedule.begin(now_us, &self.requests, out);
            }
            Input::Opened { .. } | Input::Closed => schedule.end(out),
            Input::Received { .. } => schedule.answered(),
            Input::Deadline => schedule.send(now_us, &self.requests, out),
            Input::Command(command) => out.push(Output::CommandDone {
                id: command.id,
                result: Err("raw takes no commands".to_owned()),
            }),
            Input::Sent { .. } | Input::Drained => {}
        }
    }

    fn snapshot(&self) -> Vec<u8> {
        serde_json::to_vec(&self.state).unwrap_or_default()
    }

    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        let state: State =
            serde_json::from_slice(snapshot).map_err(|error| BadSnapshot(error.to_string()))?;
        if !state.schedule.is_for(&self.requests) {
            return Err(BadSnapshot("it is that of other requests".to_owned()));
        }
        self.state = state;
        Ok(())
    }
}

fn build(config: &DecoderConfig) -> Result<Box<dyn Decoder>, ConfigProblem> {
    let options: Options = config.options()?;
    if let Some(name) = config.fields.keys().next() {
        let what = "it reads no fields; describe them with another decoder, as `frames`";
        return Err(ConfigProblem::new(format!("fields.{name}"), what));
    }
    // Nothing is stuffed: what is sent is what stands there.
    let requests = checked_requests(&options.requests, Framing::Whole, Endian::Little)?;
    Ok(Box::new(Raw { requests, state: State::default() }))
}

/// The entry in the list.
pub static DESCRIPTOR: Descriptor = Descriptor {
    name: "raw",
    version: "1",
    summary: "nothing: keeps what arrives, for an instrument that nobody has described yet",
    integrity: |_| Integrity::None,
    build,
};

#[cfg(test)]
mod tests {
    use super::*;

    fn raw(options: serde_json::Value) -> Result<Box<dyn Decoder>, ConfigProblem> {
        let options = options.as_object().cloned().unwrap_or_default();
        build(&DecoderConfig { options, ..DecoderConfig::default() })
    }

    fn said(decoder: &mut dyn Decoder, now_us: i64, input: Input<'_>) -> Vec<Output> {
        let mut out = Vec::new();
        decoder.handle(now_us, input, &mut out);
        out
    }

    #[test]
    fn what_arrives_is_neither_a_reading_nor_a_complaint() {
        let mut decoder = raw(serde_json::json!({})).unwrap();
        for input in [
            Input::Opened { record: false },
            Input::Received { endpoint: 3, bytes: b"\xA5\x00" },
            Input::Closed,
        ] {
            assert_eq!(said(&mut *decoder, 0, input), []);
        }
    }

    #[test]
    fn requests_are_sent_on_a_live_line_and_not_into_a_record() {
        let ask = serde_json::json!({ "requests": [{ "hex": "A5 01", "every_ms": 500 }] });
        let mut decoder = raw(ask).unwrap();
        assert_eq!(said(&mut *decoder, 0, Input::Opened { record: true }), []);
        let sent =
            [Output::Send { endpoint: 0, bytes: vec![0xA5, 1] }, Output::Wake(Some(500_000))];
        assert_eq!(said(&mut *decoder, 0, Input::Opened { record: false }), sent);
        said(&mut *decoder, 9, Input::Received { endpoint: 0, bytes: b"x" });
        assert_eq!(said(&mut *decoder, 500_000, Input::Deadline)[0], sent[0]);
        // Nothing came since: that is said.
        let late = said(&mut *decoder, 1_000_000, Input::Deadline);
        assert!(matches!(late[0], Output::Complaint(_)), "{late:?}");
    }

    #[test]
    fn it_has_no_fields_and_says_so() {
        let fields = serde_json::json!({ "fields": { "U": { "quantity": "voltage_volt" } } });
        let wrong = build(&serde_json::from_value(fields).unwrap()).err().unwrap();
        assert_eq!(wrong.key, "fields.U");
    }
}
