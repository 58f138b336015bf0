//! What every decoder has to stand: any split, rubbish before, bytes cut out
//! or doubled, its state saved and taken up anywhere, no end of rubbish. Each
//! decoder's tests call [`check`] with a clean recording; it panics with what
//! is wrong.

use proptest::prelude::*;
use proptest::sample::Index;
use proptest::test_runner::{Config, TestRunner};

use crate::config::DecoderConfig;
use crate::decoder::{Decoder, Descriptor, Input, Output};

/// A decoder's saved state must stay below this, bytes.
pub const LARGEST_STATE_BYTES: usize = 512 * 1024;

/// One thing that happened, owned.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// [`Input::Opened`]
    Opened {
        /// Whether a record is played.
        record: bool,
    },
    /// [`Input::Received`] on endpoint 0, of a stream: it may be split anywhere.
    Received(Vec<u8>),
    /// [`Input::Received`] of one whole frame at an endpoint, as a Bluetooth
    /// notification is: it is damaged like any other, but never split.
    Notified(u16, Vec<u8>),
    /// [`Input::Sent`]
    Sent(Vec<u8>),
    /// [`Input::Drained`]
    Drained,
    /// [`Input::Deadline`]
    Deadline,
    /// [`Input::Closed`]
    Closed,
}

impl Event {
    /// As it is given to a decoder.
    pub fn input(&self) -> Input<'_> {
        match self {
            Event::Opened { record } => Input::Opened { record: *record },
            Event::Received(bytes) => Input::Received { endpoint: 0, bytes },
            Event::Notified(endpoint, bytes) => Input::Received { endpoint: *endpoint, bytes },
            Event::Sent(bytes) => Input::Sent { endpoint: 0, bytes },
            Event::Drained => Input::Drained,
            Event::Deadline => Input::Deadline,
            Event::Closed => Input::Closed,
        }
    }
}

/// A decoder with a recording of which it understands everything.
pub struct Case<'a> {
    /// The decoder.
    pub descriptor: &'a Descriptor,
    /// Its configuration.
    pub config: DecoderConfig,
    /// What happened, with times in microseconds. It begins with `Opened`.
    pub recording: Vec<(i64, Event)>,
    /// What ends a spoiled frame: a line end, or nothing.
    pub frame_end: &'a [u8],
    /// How many samples rubbish may cost.
    pub lost_at_most: usize,
    /// The decoder asks: the line is opened anew after damage, because the
    /// recorded answers fit no other questions.
    pub polled: bool,
}

type Events = Vec<(i64, Event)>;

/// Checks everything. An empty `Sent` of the recording stands for what the
/// decoder asked to have sent.
pub fn check(case: &Case<'_>) {
    let case = &case.with_what_was_sent();
    let clean = case.samples(&case.recording);
    assert!(clean.len() > case.lost_at_most + 1, "the recording has too few samples");
    case.any_split_gives_the_same(&clean);
    case.what_is_lent_is_what_is_said();
    case.rubbish_before_only_delays(&clean);
    case.damage_is_left_behind(&clean);
    case.state_can_be_taken_up_anywhere();
    case.rubbish_without_end_is_bounded();
    case.foreign_state_is_refused_or_harmless();
}

fn forall<S: Strategy>(strategy: S, test: impl Fn(S::Value) -> Result<(), TestCaseError>) {
    let config = Config { cases: 64, failure_persistence: None, ..Config::default() };
    if let Err(error) = TestRunner::new(config).run(&strategy, test) {
        panic!("{error}");
    }
}

/// Bytes that are part of no number, name or structure.
fn rubbish() -> impl Strategy<Value = Vec<u8>> {
    let byte = prop_oneof![1u8..9, 14u8..32, 128u8..=255];
    proptest::collection::vec(byte, 1..64)
}

impl Case<'_> {
    fn with_what_was_sent(&self) -> Self {
        let (mut decoder, mut asked) = (self.build(), Vec::new());
        let mut recording = self.recording.clone();
        for (t_us, event) in &mut recording {
            if let Event::Sent(bytes) = event
                && bytes.is_empty()
            {
                bytes.clone_from(&asked);
            }
            let mut out = Vec::new();
            decoder.handle(*t_us, event.input(), &mut out);
            for output in out {
                if let Output::Send { bytes, .. } = output {
                    asked = bytes;
                }
            }
        }
        Case { recording, config: self.config.clone(), ..*self }
    }

    fn build(&self) -> Box<dyn Decoder> {
        match (self.descriptor.build)(&self.config) {
            Ok(decoder) => decoder,
            Err(problem) => panic!("the configuration is refused: {problem}"),
        }
    }

    fn outputs(&self, decoder: &mut dyn Decoder, events: &[(i64, Event)]) -> Vec<Output> {
        let mut out = Vec::new();
        for (now_us, event) in events {
            decoder.handle(*now_us, event.input(), &mut out);
        }
        out
    }

    /// The samples as text, so that a missing value equals another.
    fn samples(&self, events: &[(i64, Event)]) -> Vec<String> {
        let out = self.outputs(self.build().as_mut(), events);
        out.iter()
            .filter_map(|o| if let Output::Sample(s) = o { Some(format!("{s:?}")) } else { None })
            .collect()
    }

    /// Groups and values only: times differ once damage has moved an axis.
    fn values(&self, events: &[(i64, Event)]) -> Vec<String> {
        let out = self.outputs(self.build().as_mut(), events);
        let values = |o: &Output| match o {
            Output::Sample(s) => Some(format!("{:?} {:?}", s.group, s.values)),
            _ => None,
        };
        out.iter().filter_map(values).collect()
    }

    fn any_split_gives_the_same(&self, clean: &[String]) {
        forall(proptest::collection::vec(any::<Index>(), 0..24), |cuts| {
            let mut split = Events::new();
            for (now_us, event) in &self.recording {
                match event {
                    Event::Received(bytes) => {
                        let mut at: Vec<usize> =
                            cuts.iter().map(|c| c.index(bytes.len() + 1)).collect();
                        at.extend([0, bytes.len()]);
                        at.sort_unstable();
                        split.extend(
                            at.windows(2)
                                .map(|w| (*now_us, Event::Received(bytes[w[0]..w[1]].to_vec()))),
                        );
                    }
                    other => split.push((*now_us, other.clone())),
                }
            }
            prop_assert_eq!(self.samples(&split), clean);
            Ok(())
        });
    }

    fn what_is_lent_is_what_is_said(&self) {
        let (mut decoder, mut lent) = (self.build(), Vec::new());
        for (now_us, event) in &self.recording {
            match event {
                Event::Received(bytes) => decoder.lend(*now_us, bytes, &mut lent),
                other => decoder.handle(*now_us, other.input(), &mut lent),
            }
        }
        let said = self.outputs(self.build().as_mut(), &self.recording);
        assert_eq!(format!("{lent:?}"), format!("{said:?}"), "lent, and said");
    }

    fn rubbish_before_only_delays(&self, clean: &[String]) {
        forall(rubbish(), |mut rubbish| {
            rubbish.extend_from_slice(self.frame_end);
            let mut events = self.recording.clone();
            events.insert(1, (self.recording[0].0, Event::Received(rubbish)));
            let found = self.samples(&events);
            prop_assert!(
                found.ends_with(&clean[self.lost_at_most..]),
                "rubbish before cost more than {} samples: {:?}",
                self.lost_at_most,
                found
            );
            Ok(())
        });
    }

    /// Cuts bytes out, or doubles them, and then plays the clean recording.
    fn damage_is_left_behind(&self, clean: &[String]) {
        let last_us = self.recording.last().map_or(0, |e| e.0);
        let again = self.recording.iter().skip(usize::from(!self.polled));
        let again = again.map(|(t, event)| (last_us + 1_000_000 + t, event.clone()));
        let again: Events = again.filter(|(_, e)| self.polled || *e != Event::Closed).collect();
        let clean = &self.values(&self.recording)[self.lost_at_most.min(clean.len())..];
        let choice = (any::<Index>(), any::<Index>(), any::<Index>(), any::<bool>());
        forall(choice, |(which, from, to, doubles)| {
            let mut events: Events = self.recording.clone();
            events.retain(|(_, event)| *event != Event::Closed);
            let received: Vec<&mut Vec<u8>> = events
                .iter_mut()
                .filter_map(|e| match &mut e.1 {
                    Event::Received(bytes) | Event::Notified(_, bytes) => Some(bytes),
                    _ => None,
                })
                .collect();
            let which = which.index(received.len());
            if let Some(bytes) = received.into_iter().nth(which) {
                let (a, b) = (from.index(bytes.len() + 1), to.index(bytes.len() + 1));
                let range = a.min(b)..a.max(b);
                if doubles {
                    let doubled = bytes[range.clone()].to_vec();
                    bytes.splice(range.start..range.start, doubled);
                } else {
                    bytes.drain(range);
                }
            }
            events.push((last_us, Event::Received(self.frame_end.to_vec())));
            events.extend(again.iter().cloned());
            let found = self.values(&events);
            prop_assert!(found.ends_with(clean), "damage was not left behind: {:?}", found);
            Ok(())
        });
    }

    fn state_can_be_taken_up_anywhere(&self) {
        let whole = self.outputs(self.build().as_mut(), &self.recording);
        for at in 0..=self.recording.len() {
            let (before, after) = self.recording.split_at(at);
            let mut first = self.build();
            let mut out = self.outputs(first.as_mut(), before);
            let mut second = self.build();
            if let Err(error) = second.restore(&first.snapshot()) {
                panic!("its own state is refused: {error}");
            }
            assert_eq!(first.snapshot(), second.snapshot(), "a state changes when taken up");
            out.extend(self.outputs(second.as_mut(), after));
            assert_eq!(format!("{out:?}"), format!("{whole:?}"), "state taken up at input {at}");
        }
    }

    /// 4 MB without a frame's end, in several dresses.
    fn rubbish_without_end_is_bounded(&self) {
        for filler in [&b"7"[..], b"\x00\xff", b"{\"a\":[", b"V=1,", b"\"", b"\xa5\x01"] {
            let chunk = filler.repeat(64 * 1024 / filler.len());
            let mut decoder = self.build();
            let opening: Events = self.recording.iter().take(3).cloned().collect();
            self.outputs(decoder.as_mut(), &opening);
            let mut said = 0;
            for round in 0..64 {
                let mut out = Vec::new();
                let input = Input::Received { endpoint: 0, bytes: &chunk };
                decoder.handle(opening[0].0 + round, input, &mut out);
                said += out.len();
                if round % 8 == 0 {
                    let state = decoder.snapshot().len();
                    assert!(state <= LARGEST_STATE_BYTES, "the state grew to {state} bytes");
                }
            }
            assert!(said <= chunk.len(), "{said} outputs for rubbish");
        }
    }

    fn foreign_state_is_refused_or_harmless(&self) {
        let own = self.build().snapshot();
        let strategy = (any::<Index>(), any::<u8>(), proptest::collection::vec(any::<u8>(), 0..40));
        forall(strategy, |(at, byte, foreign)| {
            let mut damaged = own.clone();
            if !damaged.is_empty() {
                let at = at.index(damaged.len());
                damaged[at] = byte;
            }
            for state in [foreign, damaged] {
                let mut decoder = self.build();
                let _ = decoder.restore(&state);
                self.outputs(decoder.as_mut(), &self.recording);
            }
            Ok(())
        });
    }
}
