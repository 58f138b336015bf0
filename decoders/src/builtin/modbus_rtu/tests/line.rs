//! A line with one unit that answers in order, each answer as late as the test
//! wants it: a reading is always the answer to the request just sent.

use std::collections::VecDeque;

use proptest::prelude::*;
use serde_json::json;

use super::{DESCRIPTOR, framed};
use crate::config::DecoderConfig;
use crate::decoder::{Decoder, Input, Output};

/// The slowest answer, microseconds.
const SLOWEST_US: i64 = 30_000_000;

fn config(addresses: &[u16]) -> DecoderConfig {
    let register = |address: &u16| json!({ "field": address.to_string(), "address": address });
    let registers: Vec<_> = addresses.iter().map(register).collect();
    let field = |address: &u16| {
        let quantity = format!("cell_voltage_{}_volt", address + 1);
        (address.to_string(), json!({ "quantity": quantity }))
    };
    let fields: serde_json::Map<_, _> = addresses.iter().map(field).collect();
    let unit = json!({ "address": 1, "every_ms": 500, "registers": registers });
    let config = json!({ "options": { "units": [unit] }, "fields": fields });
    serde_json::from_value(config).unwrap()
}

/// The unit: each of its registers holds the number of the request it answers.
struct Line {
    decoder: Box<dyn Decoder>,
    now_us: i64,
    wake_us: Option<i64>,
    drain_us: Option<i64>,
    coming: VecDeque<(i64, Vec<u8>)>,
    latencies_us: Vec<i64>,
    /// The lengths it refuses to read are all but these.
    counts: Option<Vec<u8>>,
    asked: u16,
    readings: usize,
    wrong: Vec<(u16, f64)>,
}

impl Line {
    fn open(addresses: &[u16], latencies_us: Vec<i64>) -> Self {
        let decoder = (DESCRIPTOR.build)(&config(addresses)).unwrap();
        let mut line = Line {
            decoder,
            now_us: 0,
            wake_us: None,
            drain_us: None,
            coming: VecDeque::new(),
            latencies_us,
            counts: None,
            asked: 0,
            readings: 0,
            wrong: Vec::new(),
        };
        line.give(Input::Opened { record: false });
        line
    }

    fn give(&mut self, input: Input<'_>) {
        let mut out = Vec::new();
        self.decoder.handle(self.now_us, input, &mut out);
        for output in out {
            match output {
                Output::Sample(sample) => {
                    self.readings += 1;
                    let wrong = sample.values.iter().find(|v| **v != f64::from(self.asked));
                    self.wrong.extend(wrong.map(|value| (self.asked, *value)));
                }
                Output::Send { bytes, .. } => self.answer(&bytes),
                Output::Drain { quiet_us } => self.drain_us = Some(quiet_us),
                Output::Wake(t_us) => self.wake_us = t_us,
                _ => {}
            }
        }
    }

    fn answer(&mut self, request: &[u8]) {
        self.asked += 1;
        // The first is in time, so that it is known to answer to a probe.
        let latency_us = match self.asked {
            1 => 1_000,
            n => self.latencies_us[usize::from(n) % self.latencies_us.len()],
        };
        let before_us = self.coming.back().map_or(0, |(t_us, _)| *t_us);
        let mut body = vec![request[0], request[1], 2 * request[5]];
        match &self.counts {
            Some(counts) if !counts.contains(&request[5]) => {
                body = vec![request[0], request[1] | 0x80, 2]
            }
            _ => (0..request[5]).for_each(|_| body.extend(self.asked.to_be_bytes())),
        }
        let t_us = before_us.max(self.now_us) + latency_us;
        self.coming.push_back((t_us, framed(body)));
    }

    fn run(&mut self) {
        for _ in 0..1000 {
            self.step();
        }
    }

    /// What happens next.
    fn step(&mut self) {
        let arrives_us = self.coming.front().map_or(i64::MAX, |(t_us, _)| *t_us);
        if let Some(quiet_us) = self.drain_us {
            if arrives_us < self.now_us + quiet_us {
                self.now_us = arrives_us;
                self.coming.pop_front();
            } else {
                self.now_us += quiet_us;
                self.drain_us = None;
                self.give(Input::Drained);
            }
        } else if arrives_us <= self.wake_us.unwrap_or(i64::MAX) {
            self.now_us = arrives_us;
            if let Some((_, bytes)) = self.coming.pop_front() {
                self.give(Input::Received { endpoint: 0, bytes: &bytes });
            }
        } else if let Some(t_us) = self.wake_us.take() {
            self.now_us = t_us;
            self.give(Input::Deadline);
        }
    }
}

/// A latency, in microseconds: half of them in time, the others up to `slowest_us`.
fn latencies(slowest_us: i64) -> impl Strategy<Value = Vec<i64>> {
    proptest::collection::vec(prop_oneof![1_000..400_000i64, 1_000..slowest_us], 1..40)
}

/// What comes within 2 s is drained: the time-out is 1 s, and the line must then
/// be quiet for another. What comes later is told by its length, whatever it is
/// that is read: one read; two of the same length; three, of two lengths.
const READS: [(&[u16], &[u8]); 4] =
    [(&[0, 1, 2], &[3]), (&[0, 1, 20, 21], &[2]), (&[0, 1, 20, 40, 41], &[1, 2]), (&[5], &[1])];

proptest! {
    #[test]
    fn no_late_answer_becomes_the_next_reading(
        latencies_us in latencies(SLOWEST_US),
        refuses: bool,
    ) {
        for (addresses, counts) in READS {
            let mut line = Line::open(addresses, latencies_us.clone());
            line.counts = refuses.then(|| counts.to_vec());
            line.run();
            prop_assert!(line.wrong.is_empty(), "{:?}: {:?}", addresses, line.wrong);
        }
    }
}

#[test]
fn a_unit_in_time_gives_a_reading_for_each_request() {
    for (addresses, counts) in READS {
        for refuses in [false, true] {
            let mut line = Line::open(addresses, vec![20_000]);
            line.counts = refuses.then(|| counts.to_vec());
            line.run();
            assert!(line.wrong.is_empty(), "{addresses:?}: {:?}", line.wrong);
            // But for the two probes that come first.
            assert_eq!(line.readings, usize::from(line.asked) - 2 - line.coming.len());
            assert!(line.readings > 100, "{addresses:?}: {}", line.readings);
        }
    }
}

#[test]
fn a_unit_that_was_late_for_long_is_read_again_once_it_is_in_time() {
    let mut line = Line::open(&[0, 1, 2], vec![20_000]);
    line.run();
    line.latencies_us = vec![3_000_000];
    (0..50).for_each(|_| line.step());
    assert!(line.coming.len() > 2, "{}", line.coming.len());
    line.latencies_us = vec![20_000];
    let before = line.readings;
    line.run();
    assert!(line.wrong.is_empty() && line.readings > before + 100, "{}", line.readings);
}
