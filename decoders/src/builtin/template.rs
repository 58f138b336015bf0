//! A decoder to copy. It reads the frames of an instrument that does not
//! exist; it is compiled and tested, so that it cannot rot, but not in the
//! list. Keep the order: wire picture, layout, state, decode, descriptor, tests.
//!
//! ```text
//! byte  0     1 2        3 4        5
//!       A5    voltage    current    sum of bytes 0 to 4, modulo 256
//! ```

use std::sync::Arc;

use ampledger_types::{Channel, Group, Quantity, Sample};
use serde::{Deserialize, Serialize};

use crate::config::{ConfigProblem, DecoderConfig};
use crate::decoder::{
    BadSnapshot, Complaint, ComplaintKind, Decoder, Descriptor, Input, Integrity, Output,
};

/// What a frame begins with.
const MARK: u8 = 0xA5;
/// Bytes in a frame.
const LENGTH: usize = 6;

/// Where each value lies (two bytes, low one first, signed), what it is, how
/// many steps make one of its unit, and which way it is kept.
const LAYOUT: [(usize, Quantity, f64); 2] = [
    (1, Quantity::Voltage, 100.0),
    // The instrument counts a discharge as positive.
    (3, Quantity::Current, -100.0),
];

/// Everything that depends on what came before: less than one frame.
#[derive(Default, Serialize, Deserialize)]
struct State {
    partial: Vec<u8>,
}

struct Template {
    group: Arc<Group>,
    state: State,
}

impl Decoder for Template {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            Input::Opened { .. } | Input::Closed => self.state = State::default(),
            Input::Received { bytes, .. } => {
                let mut skipped = 0;
                for &byte in bytes {
                    self.state.partial.push(byte);
                    skipped += self.look(now_us, out);
                }
                // One complaint for one input, however much rubbish is in it.
                if skipped > 0 {
                    let what = "no frame with a right sum";
                    let complaint = Complaint::new(ComplaintKind::BadCheck, skipped, what);
                    out.push(Output::Complaint(complaint));
                }
            }
            Input::Command(command) => out.push(Output::CommandDone {
                id: command.id,
                result: Err("it takes no commands".to_owned()),
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
        if state.partial.len() >= LENGTH {
            return Err(BadSnapshot("it holds more than a part of a frame".to_owned()));
        }
        self.state = state;
        Ok(())
    }
}

impl Template {
    /// Reads a frame where one is complete. Returns how many bytes it gave up.
    fn look(&mut self, now_us: i64, out: &mut Vec<Output>) -> usize {
        let partial = &mut self.state.partial;
        let mut skipped = 0;
        loop {
            let start = partial.iter().position(|byte| *byte == MARK).unwrap_or(partial.len());
            partial.drain(..start);
            skipped += start;
            let Ok(frame) = <[u8; LENGTH]>::try_from(partial.as_slice()) else { return skipped };
            let sum = frame[..LENGTH - 1].iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte));
            if sum == frame[LENGTH - 1] {
                break;
            }
            partial.remove(0);
            skipped += 1;
        }
        let steps = |at: usize| f64::from(i16::from_le_bytes([partial[at], partial[at + 1]]));
        let values = LAYOUT.iter().map(|(at, _, per_unit)| steps(*at) / per_unit).collect();
        partial.clear();
        let group = Arc::clone(&self.group);
        out.push(Output::Sample(Sample { group, t_us: now_us, instrument_t_us: None, values }));
        skipped
    }
}

fn build(config: &DecoderConfig) -> Result<Box<dyn Decoder>, ConfigProblem> {
    if let Some(key) = config.options.keys().next() {
        return Err(ConfigProblem::new(format!("options.{key}"), "it has no options"));
    }
    let channels = LAYOUT.iter().map(|(_, quantity, _)| Channel::of(*quantity)).collect();
    let group = Arc::new(Group { name: String::new(), channels });
    Ok(Box::new(Template { group, state: State::default() }))
}

/// The entry in the list.
static DESCRIPTOR: Descriptor = Descriptor {
    name: "template",
    version: "1",
    summary: "nothing that exists",
    integrity: |_| Integrity::Sum,
    build,
};

#[cfg(test)]
mod tests {
    use super::*;
    use crate::conformance::{Case, Event, check};

    fn frame(volts: i16, amps: i16) -> Vec<u8> {
        let mut frame = vec![MARK];
        frame.extend(volts.to_le_bytes().into_iter().chain(amps.to_le_bytes()));
        frame.push(frame.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte)));
        frame
    }

    #[test]
    fn a_frame_is_a_sample_with_the_discharge_turned_round() {
        let mut out = Vec::new();
        let mut decoder = build(&DecoderConfig::default()).unwrap();
        decoder.handle(9, Input::Received { endpoint: 0, bytes: &frame(2640, 1210) }, &mut out);
        let [Output::Sample(sample)] = &out[..] else { panic!("{out:?}") };
        assert_eq!((sample.t_us, &sample.values[..]), (9, &[26.4, -12.1][..]));
    }

    #[test]
    fn conforms() {
        let mut recording = vec![(0, Event::Opened { record: false })];
        recording.extend((0..8).map(|i| (i * 1000, Event::Received(frame(2640, i as i16)))));
        check(&Case {
            descriptor: &DESCRIPTOR,
            config: DecoderConfig::default(),
            recording,
            frame_end: b"",
            lost_at_most: 1,
            polled: false,
        });
    }
}
