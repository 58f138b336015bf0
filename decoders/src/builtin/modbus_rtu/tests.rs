//! How `modbus-rtu` asks, and what it makes of answers. The frames come from
//! the worked examples of `captures/modbus-rtu/vectors.json` or are made by
//! [`framed`], whose check is verified against them.

use proptest::prelude::*;
use serde_json::json;

use super::DESCRIPTOR;
use super::frame::framed;
use crate::config::DecoderConfig;
use crate::conformance::{Case, Event, check};
use crate::decoder::{Command, Decoder, Input, Output};

mod late;
mod line;
mod options;
mod vectors;

/// Two instruments: the shunt has a voltage and a current in one read and a
/// temperature that is asked for more rarely; the load has one register.
fn config(options: serde_json::Value) -> DecoderConfig {
    let mut options = options;
    if options.get("units").is_none() {
        options["units"] = json!([
            { "address": 1, "name": "shunt", "registers": [
                { "field": "U", "address": 0, "function": 4, "type": "f32" },
                { "field": "I", "address": 2, "function": 4, "type": "i16" },
                { "field": "T", "address": 40, "function": 4, "every_ms": 5000 },
            ]},
            { "address": 17, "name": "load", "registers": [{ "field": "P", "address": 107 }] },
        ]);
    }
    let fields = json!({
        "U": { "quantity": "voltage_volt" },
        "I": { "quantity": "current_ampere", "scale": 0.1, "sign": "discharging-positive",
               "missing": [-32768] },
        "T": { "quantity": "temperature_t1_celsius", "scale": 0.1 },
        "P": { "quantity": "power_watt" },
    });
    serde_json::from_value(json!({ "options": options, "fields": fields })).unwrap()
}

/// The shunt with one block of three registers and nothing else.
fn one_block() -> serde_json::Value {
    json!([{ "address": 1, "registers": [
        { "field": "U", "address": 0, "type": "f32" },
        { "field": "I", "address": 2, "type": "i16" },
        { "field": "T", "address": 3 },
        { "field": "P", "address": 4 },
    ]}])
}

/// An empty `Sent` stands for what it asked to have sent.
struct Bench(Box<dyn Decoder>, Vec<u8>);

impl Bench {
    fn new(options: serde_json::Value) -> Self {
        Bench((DESCRIPTOR.build)(&config(options)).unwrap(), Vec::new())
    }

    /// Opened, its units as if their first probes were answered already.
    fn open(options: serde_json::Value) -> Self {
        let mut bench = Bench::new(options);
        bench.at(0, OPENED);
        let mut state: serde_json::Value = serde_json::from_slice(&bench.0.snapshot()).unwrap();
        for unit in state["units"].as_array_mut().unwrap() {
            (unit["is_unsettled"], unit["owed"]) = (json!(false), json!(0));
        }
        bench.0.restore(state.to_string().as_bytes()).unwrap();
        bench
    }

    /// The same, and quiet at 1000 ms: the first request is out.
    fn asking(options: serde_json::Value) -> Self {
        let mut bench = Bench::open(options);
        bench.at(1000, Event::Drained);
        bench
    }

    fn at(&mut self, t_ms: i64, event: Event) -> Vec<String> {
        let is_empty = event == Event::Sent(Vec::new());
        let event = if is_empty { Event::Sent(self.1.clone()) } else { event };
        self.give(t_ms, event.input())
    }

    fn receive(&mut self, t_ms: i64, body: &[u8]) -> Vec<String> {
        self.at(t_ms, Event::Received(framed(body.to_vec())))
    }

    fn command(&mut self, t_ms: i64, name: &str, arguments: serde_json::Value) -> Vec<String> {
        self.give(t_ms, Input::Command(&Command { id: 7, name: name.into(), arguments }))
    }

    fn give(&mut self, t_ms: i64, input: Input<'_>) -> Vec<String> {
        let mut out = Vec::new();
        self.0.handle(t_ms * 1000, input, &mut out);
        for output in &out {
            if let Output::Send { bytes, .. } = output {
                self.1.clone_from(bytes);
            }
        }
        out.iter().map(said).collect()
    }
}

fn said(output: &Output) -> String {
    match output {
        Output::Sample(s) => {
            let channels: Vec<&str> = s.group.channels.iter().map(|c| c.name.as_str()).collect();
            let whose = &s.group.channels[0].instrument;
            format!("{whose} {} {:?} at {}", channels.join("+"), s.values, s.t_us / 1000)
        }
        Output::Complaint(c) => format!("!{} {}", c.kind.word(), c.detail),
        // Without the check.
        Output::Send { bytes, .. } => format!("send {:02x?}", &bytes[..bytes.len() - 2]),
        Output::Drain { quiet_us } => format!("drain {}", quiet_us / 1000),
        Output::Wake(at) => format!("wake {:?}", at.map(|t| t / 1000)),
        Output::CommandDone { id, result } => format!("done {id} {result:?}"),
        other => format!("{other:?}"),
    }
}

const OPENED: Event = Event::Opened { record: false };
/// 13.26 V and -3.0 A as the shunt's answer to its first read.
const SHUNT: [u8; 9] = [1, 4, 6, 0x41, 0x54, 0x28, 0xF6, 0, 30];

fn is_sample(said: &[String]) -> bool {
    said.iter().any(|line| line.contains('+') && line.contains("_volt"))
}

#[test]
fn what_was_really_sent_says_what_is_answered() {
    let mut bench = Bench::asking(json!({}));
    // It asked the shunt for its voltage, but the log says the load's power.
    bench.at(1001, Event::Sent(framed(vec![17, 3, 0, 107, 0, 1])));
    let said = bench.receive(1010, &[17, 3, 2, 0, 42]);
    assert_eq!(said[0], "load power_watt [42.0] at 1010");
    // Three registers from elsewhere: as long as the shunt's own answer.
    bench.at(1020, Event::Sent(framed(vec![1, 4, 0, 200, 0, 3])));
    assert_eq!(bench.receive(1030, &SHUNT), [""; 0], "other registers are not its voltage");
    bench.at(1040, Event::Sent(framed(vec![1, 4, 0, 0, 0, 3])));
    assert!(bench.receive(1050, &SHUNT)[0].contains("[13.26, -3.0]"));
}

#[test]
fn it_asks_one_unit_after_the_other_on_their_beats() {
    let mut bench = Bench::open(json!({}));
    assert_eq!(
        bench.at(1000, Event::Drained),
        ["send [01, 04, 00, 00, 00, 03]", "wake Some(2000)"]
    );
    assert_eq!(bench.at(1001, Event::Sent(Vec::new())), ["wake Some(2001)"]);
    assert_eq!(
        bench.receive(1010, &SHUNT),
        ["shunt voltage_volt+current_ampere [13.26, -3.0] at 1010", "drain 5", "wake Some(2060)"]
    );
    // Its own beat is 5 s.
    assert_eq!(bench.at(1015, Event::Drained)[0], "send [01, 04, 00, 28, 00, 01]");
    bench.receive(1020, &[1, 4, 2, 0, 253]);
    assert_eq!(bench.at(1025, Event::Drained)[0], "send [11, 03, 00, 6b, 00, 01]");
    let said = bench.receive(1030, &[17, 3, 2, 0, 42]);
    // A second has gone since the line was opened, so their next turn is now.
    assert_eq!(said, ["load power_watt [42.0] at 1030", "drain 5", "wake Some(2080)"]);
    assert_eq!(bench.at(1035, Event::Drained)[0], "send [01, 04, 00, 00, 00, 03]");
    assert_eq!(bench.receive(1040, &SHUNT)[1], "drain 5");
    assert_eq!(bench.at(1045, Event::Drained)[0], "send [11, 03, 00, 6b, 00, 01]");
    assert_eq!(bench.receive(1050, &[17, 3, 2, 0, 42])[1], "wake Some(2000)");
    assert_eq!(bench.at(1999, Event::Deadline), ["wake Some(2000)"]);
    assert_eq!(bench.at(2000, Event::Deadline), ["drain 5", "wake Some(3050)"]);
    assert_eq!(bench.at(2005, Event::Drained)[0], "send [01, 04, 00, 00, 00, 03]");
}

#[test]
fn after_opening_each_unit_is_asked_twice_for_something_of_another_length() {
    let mut bench = Bench::new(json!({ "units": one_block() }));
    assert_eq!(bench.at(0, OPENED), ["drain 1000", "wake Some(11000)"]);
    assert_eq!(bench.at(1, Event::Received(vec![1, 3])), [""; 0]);
    assert_eq!(bench.at(1000, Event::Drained)[0], "send [01, 03, 00, 00, 00, 02]");
    assert_eq!(bench.receive(1010, &[1, 3, 4, 0, 0, 0, 0])[0], "drain 5");
    assert_eq!(bench.at(1015, Event::Drained)[0], "send [01, 03, 00, 00, 00, 03]");
    // A refusal is an answer too.
    assert_eq!(bench.receive(1020, &[1, 0x83, 2])[0], "drain 5");
    assert_eq!(bench.at(1025, Event::Drained)[0], "send [01, 03, 00, 00, 00, 05]");
}

#[test]
fn an_exception_is_told_by_its_name_and_ends_nothing() {
    let mut bench = Bench::asking(json!({}));
    let said = bench.receive(1010, &[1, 0x84, 2]);
    let what = "!instrument_error `shunt` (unit 1) refuses 3 registers from 0 (function 4): \
                illegal data address (2)";
    assert_eq!(said, [what, "drain 5", "wake Some(2060)"]);
    let mut bench = Bench::asking(json!({}));
    let said = bench.receive(1010, &[1, 0x84, 99]);
    assert!(said[0].contains("an exception that is not in the standard (99)"), "{said:?}");
}

#[test]
fn not_known_and_not_a_number_never_become_a_number() {
    let mut bench = Bench::asking(json!({}));
    let said = bench.receive(1010, &[1, 4, 6, 0x41, 0x54, 0x28, 0xF6, 0x80, 0x00]);
    assert_eq!(said[0], "shunt voltage_volt+current_ampere [13.26, NaN] at 1010");
    let mut bench = Bench::asking(json!({}));
    let said = bench.receive(1010, &[1, 4, 6, 0x7F, 0xC0, 0, 0, 0, 30]);
    assert_eq!(said[0], "shunt voltage_volt+current_ampere [NaN, -3.0] at 1010");
    let mut bench = Bench::asking(json!({}));
    let said = bench.receive(1010, &[1, 4, 6, 0x7F, 0x80, 0, 0, 0, 30]);
    assert_eq!(said[0], "!implausible `U`: infinite");
    let mut bench = Bench::asking(json!({}));
    let said = bench.receive(1010, &[1, 4, 6, 0x7F, 0xC0, 0, 0, 0x80, 0]);
    assert!(said[0].starts_with("!implausible no usable value"), "{said:?}");
}

#[test]
fn commands_are_sent_before_the_polls_and_done_with_their_echo() {
    let mut bench = Bench::asking(json!({}));
    let coil = json!({ "unit": "load", "address": 172, "value": true });
    assert_eq!(bench.command(1005, "write-coil", coil), [""; 0]);
    bench.receive(1010, &SHUNT);
    assert_eq!(bench.at(1015, Event::Drained)[0], "send [11, 05, 00, ac, ff, 00]");
    let done = bench.receive(1020, &[17, 5, 0, 0xAC, 0xFF, 0]);
    assert_eq!(done, ["done 7 Ok(Null)", "drain 5", "wake Some(2070)"]);
    let registers = json!({ "unit": "load", "address": 1, "values": [10, -2] });
    bench.command(1021, "write-registers", registers);
    let sent = "send [11, 10, 00, 01, 00, 02, 04, 00, 0a, ff, fe]";
    assert_eq!(bench.at(1025, Event::Drained)[0], sent);
    assert_eq!(bench.receive(1030, &[17, 16, 0, 1, 0, 2])[0], "done 7 Ok(Null)");
    let register = json!({ "unit": "shunt", "address": 1, "value": 3 });
    bench.command(1031, "write-register", register);
    assert_eq!(bench.at(1035, Event::Drained)[0], "send [01, 06, 00, 01, 00, 03]");
    let refused = bench.receive(1040, &[1, 0x86, 3]);
    assert!(refused[0].contains("refuses it: illegal data value (3)"), "{refused:?}");
}

#[test]
fn a_write_without_its_echo_is_not_called_done_and_not_repeated() {
    for answer in [&[17, 5, 0, 0xAC, 0, 0][..], &[17, 5, 0, 0xAD, 0xFF, 0], &[17, 6, 0, 0, 0, 0]] {
        let mut bench = Bench::asking(json!({}));
        bench.receive(1010, &SHUNT);
        let coil = json!({ "unit": "load", "address": 172, "value": true });
        bench.command(1012, "write-coil", coil);
        bench.at(1015, Event::Drained);
        let said = bench.receive(1020, answer);
        let is_undone = |line: &String| line.starts_with("done 7 Err(\"no answer that can");
        assert!(said.iter().any(is_undone), "{said:?}");
        let next = bench.at(2020, Event::Drained);
        assert!(!next[0].contains("[11, 05"), "{next:?}");
    }
}

#[test]
fn a_command_that_cannot_be_is_refused_with_the_reason() {
    let mut bench = Bench::asking(json!({}));
    for (name, arguments, why) in [
        ("reset", json!({}), "takes write-coil"),
        ("write-coil", json!({ "unit": "load", "address": 1, "value": 3 }), "arguments"),
        ("write-coil", json!({ "unit": "lamp", "address": 1, "value": true }), "called `lamp`"),
        ("write-coil", json!({ "address": 1, "value": true }), "must name one"),
        ("write-register", json!({ "unit": "load", "address": 1, "value": 70000 }), "does not fit"),
        (
            "write-registers",
            json!({ "unit": "load", "address": 1, "values": [] }),
            "1 to 123 registers",
        ),
        (
            "write-registers",
            json!({ "unit": "load", "address": 65535, "values": [1, 2] }),
            "beyond 65535",
        ),
    ] {
        let said = bench.command(1001, name, arguments);
        assert!(said[0].starts_with("done 7 Err") && said[0].contains(why), "{said:?}");
    }
    let coil = json!({ "unit": "load", "address": 1, "value": true });
    for _ in 0..16 {
        assert_eq!(bench.command(1002, "write-coil", coil.clone()), [""; 0]);
    }
    assert!(bench.command(1003, "write-coil", coil.clone())[0].contains("16 commands wait"));
    let closed = bench.at(1004, Event::Closed);
    assert_eq!(closed.iter().filter(|line| line.contains("the line was closed")).count(), 16);
    assert!(bench.command(1005, "write-coil", coil)[0].contains("the line is not open"));
}

#[test]
fn a_line_that_never_falls_quiet_does_not_end_the_asking() {
    let mut bench = Bench::open(json!({}));
    assert_eq!(bench.at(10_999, Event::Deadline), ["wake Some(11000)"]);
    assert_eq!(bench.at(11_000, Event::Deadline)[0], "send [01, 04, 00, 00, 00, 03]");
    assert_eq!(bench.at(11_001, Event::Closed), ["wake None"]);
    assert_eq!(bench.receive(11_002, &SHUNT), [""; 0]);
}

#[test]
fn conforms() {
    let mut recording = vec![(0, OPENED)];
    // Each unit begins with two probes; each instrument's next turn is now.
    let begin: [&[u8]; 9] = [
        &[1, 4, 4, 0, 0, 0, 0],
        &[1, 4, 4, 0, 0, 0, 0],
        &SHUNT,
        &[1, 4, 2, 0, 253],
        &[17, 3, 4, 0, 0, 0, 0],
        &[17, 0x83, 2],
        &[17, 3, 2, 0, 42],
        &SHUNT,
        &[17, 3, 2, 0, 42],
    ];
    for (t_us, body) in (1_000_000..).step_by(10_000).zip(begin) {
        recording.push((t_us, Event::Drained));
        recording.push((t_us + 1000, Event::Sent(Vec::new())));
        recording.push((t_us + 5000, Event::Received(framed(body.to_vec()))));
    }
    for second in 2..5u8 {
        let t_us = i64::from(second) * 1_000_000;
        for (i, body) in [&SHUNT[..], &[17, 3, 2, 0, second]].into_iter().enumerate() {
            let t_us = t_us + i as i64 * 10_000;
            recording.push((t_us, Event::Deadline));
            recording.push((t_us + 1000, Event::Drained));
            recording.push((t_us + 2000, Event::Sent(Vec::new())));
            recording.push((t_us + 9000, Event::Received(framed(body.to_vec()))));
        }
    }
    check(&Case {
        descriptor: &DESCRIPTOR,
        config: config(json!({})),
        recording,
        frame_end: b"",
        lost_at_most: 0,
        polled: true,
    });
}

proptest! {
    /// The check finds every single flipped bit and every burst up to 16 bits
    /// (a property of any 16-bit CRC); noise before a frame costs nothing.
    #[test]
    fn flipped_bits_never_make_a_sample(at in 0usize..88, burst in 1u16..) {
        let mut frame = framed(SHUNT.to_vec());
        for bit in 0..16 {
            let place = at + bit;
            if burst >> bit & 1 == 1 && place < frame.len() * 8 {
                frame[place / 8] ^= 0x80 >> (place % 8);
            }
        }
        let mut bench = Bench::asking(json!({}));
        let is_damaged = frame != framed(SHUNT.to_vec());
        let said = bench.at(1010, Event::Received(frame));
        prop_assert_eq!(is_sample(&said), !is_damaged, "{:?}", said);
    }

    #[test]
    fn an_answer_split_anywhere_behind_noise_is_read_once(
        noise in proptest::collection::vec(18u8.., 0..6),
        cut in 0usize..17,
    ) {
        let mut bytes = noise.clone();
        bytes.extend(framed(SHUNT.to_vec()));
        let mut bench = Bench::asking(json!({}));
        let (first, second) = bytes.split_at(cut.min(bytes.len()));
        let mut said = bench.at(1010, Event::Received(first.to_vec()));
        said.extend(bench.at(1011, Event::Received(second.to_vec())));
        prop_assert_eq!(said.iter().filter(|l| l.contains("13.26")).count(), 1, "{:?}", said);
    }
}
