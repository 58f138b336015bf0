//! Runs one decoder: numbers its input for the frame log and lets nothing out
//! that a reading must never be.

use std::sync::Arc;

use ampledger_types::{Frame, FrameKind, Group};

use crate::decoder::{At, BadSnapshot, Complaint, ComplaintKind, Decoder, Input, Outlet, Output};

/// A decoder with its frame log. The same loop serves the daemon, a replay and
/// a plugin's host.
pub struct Driver {
    decoder: Box<dyn Decoder>,
    numbering: Numbering,
    outputs: Vec<Output>,
}

impl Driver {
    /// Runs `decoder`; the first input gets the number 1.
    pub fn new(decoder: Box<dyn Decoder>) -> Self {
        Driver::numbered_from(1, decoder)
    }

    /// Runs `decoder`; the first input gets this number.
    pub fn numbered_from(next_number: u64, decoder: Box<dyn Decoder>) -> Self {
        let numbering = Numbering::from(next_number);
        Driver { decoder, numbering, outputs: Vec::new() }
    }

    /// Takes up the decoder's state as [`Driver::snapshot`] gave it.
    pub fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        self.decoder.restore(snapshot)
    }

    /// The decoder's state, for the start of a chunk of the frame log.
    pub fn snapshot(&self) -> Vec<u8> {
        self.decoder.snapshot()
    }

    /// Gives the decoder one input. Returns the frame for the log and what the
    /// decoder said.
    pub fn give(&mut self, now_us: i64, input: Input<'_>) -> (Frame, std::vec::Drain<'_, Output>) {
        let frame = self.numbering.frame(now_us, &input);
        (frame, self.give_again(now_us, input))
    }

    /// Gives the decoder an input that has its number already.
    pub fn give_again(&mut self, now_us: i64, input: Input<'_>) -> std::vec::Drain<'_, Output> {
        self.decoder.handle(now_us, input, &mut self.outputs);
        for output in &mut self.outputs {
            guard(output);
        }
        self.outputs.drain(..)
    }

    /// Gives the decoder bytes that no frame log keeps, because what they came
    /// from can be read again; `out` is lent what it makes of them.
    pub fn lend(&mut self, now_us: i64, bytes: &[u8], out: &mut impl Outlet) {
        self.decoder.lend(now_us, bytes, &mut Guarded(out));
    }
}

/// Lets nothing through that [`guard`] would not.
struct Guarded<'a, O>(&'a mut O);

impl<O: Outlet> Outlet for Guarded<'_, O> {
    fn say(&mut self, mut output: Output) {
        guard(&mut output);
        self.0.say(output);
    }

    fn line(&mut self) {
        self.0.line();
    }

    fn sample(&mut self, group: &Arc<Group>, at: At, values: &[f64]) {
        match is_sound(group, values) {
            true => self.0.sample(group, at, values),
            false => self.0.say(Output::Complaint(unsound(values))),
        }
    }
}

/// Numbers inputs for the frame log.
#[derive(Clone, Debug)]
pub struct Numbering {
    next: u64,
}

impl Numbering {
    /// The first input gets this number.
    pub fn from(next: u64) -> Self {
        Numbering { next }
    }

    /// The frame of the next input.
    pub fn frame(&mut self, t_us: i64, input: &Input<'_>) -> Frame {
        let number = self.next;
        self.next += 1;
        let (kind, endpoint, payload) = match input {
            Input::Opened { record } => {
                // One byte says that it is a record; see `Input::from_frame`.
                (FrameKind::Opened, 0, if *record { vec![1] } else { Vec::new() })
            }
            Input::Received { endpoint, bytes } => (FrameKind::Received, *endpoint, bytes.to_vec()),
            Input::Sent { endpoint, bytes } => (FrameKind::Sent, *endpoint, bytes.to_vec()),
            Input::Drained => (FrameKind::Drained, 0, Vec::new()),
            Input::Deadline => (FrameKind::Deadline, 0, Vec::new()),
            Input::Command(command) => {
                (FrameKind::Command, 0, serde_json::to_vec(command).unwrap_or_default())
            }
            Input::Closed => (FrameKind::Closed, 0, Vec::new()),
        };
        Frame { number, t_us, kind, endpoint, payload }
    }
}

/// Turns a sample that cannot be one into a complaint. A missing value (NaN)
/// is fine beside others; infinite values, or none at all, are not.
pub fn guard(output: &mut Output) {
    if let Output::Sample(sample) = output
        && !is_sound(&sample.group, &sample.values)
    {
        *output = Output::Complaint(unsound(&sample.values));
    }
}

fn is_sound(group: &Group, values: &[f64]) -> bool {
    values.len() == group.channels.len()
        && !values.iter().any(|v| v.is_infinite())
        && !values.iter().all(|v| v.is_nan())
}

fn unsound(values: &[f64]) -> Complaint {
    Complaint {
        kind: ComplaintKind::Implausible,
        bytes_skipped: 0,
        detail: format!("no usable values in {values:?}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decoder::Command;

    struct Mute;

    impl Decoder for Mute {
        fn handle(&mut self, _: i64, _: Input<'_>, _: &mut Vec<Output>) {}

        fn snapshot(&self) -> Vec<u8> {
            Vec::new()
        }

        fn restore(&mut self, _: &[u8]) -> Result<(), crate::decoder::BadSnapshot> {
            Ok(())
        }
    }

    #[test]
    fn every_input_reads_back_from_its_frame() {
        let asked = Command { id: 7, name: "zero".into(), arguments: serde_json::json!([1]) };
        let inputs = [
            Input::Opened { record: false },
            Input::Opened { record: true },
            Input::Received { endpoint: 3, bytes: b"13.2\n" },
            Input::Sent { endpoint: 1, bytes: b"MEAS:VOLT?\n" },
            Input::Drained,
            Input::Deadline,
            Input::Command(&asked),
            Input::Closed,
        ];
        let mut driver = Driver::new(Box::new(Mute));
        for (i, input) in inputs.into_iter().enumerate() {
            let (frame, _) = driver.give(5, input.clone());
            assert_eq!((frame.number, frame.t_us), (i as u64 + 1, 5));
            assert_eq!(Input::from_frame(&frame, &mut None).unwrap(), input);
        }
    }
}
