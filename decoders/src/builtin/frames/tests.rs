//! Frames of instruments that do not exist, in every framing.

use proptest::prelude::*;
use serde_json::{Value, json};

use super::DESCRIPTOR;
use crate::config::DecoderConfig;
use crate::conformance::{Case, Event, check};
use crate::decoder::{Decoder, Input, Integrity, Output};
use crate::framing::checksum::Algorithm;
use crate::framing::{cobs, slip};

fn config(options: Value) -> DecoderConfig {
    let fields = json!({
        "U": { "quantity": "voltage_volt", "scale": 0.001 },
        "I": { "quantity": "current_ampere", "unit": "mA", "sign": "discharging-positive",
               "missing": [-32768] },
    });
    serde_json::from_value(json!({ "options": options, "fields": fields })).unwrap()
}

/// A layout with one kind of frame: U in two bytes, I in two, from byte `at`.
fn with_frame(mut options: Value, at: usize) -> Value {
    options["frames"] = json!([{ "name": "live", "fields": [
        { "name": "U", "at": at, "type": "u16" },
        { "name": "I", "at": at + 2, "type": "i16" },
    ]}]);
    options
}

fn seal(name: &str, mut frame: Vec<u8>) -> Vec<u8> {
    let algorithm = Algorithm::named(name).unwrap();
    let sum = algorithm.compute(&frame).to_le_bytes();
    frame.extend(&sum[..algorithm.octets()]);
    frame
}

fn body(volt: u16, ampere: i16) -> Vec<u8> {
    [volt.to_le_bytes(), ampere.to_le_bytes()].concat()
}

fn said(output: &Output) -> String {
    match output {
        Output::Sample(s) => format!("{} {:?}", s.group.name, s.values),
        Output::Complaint(c) => format!("!{} {} {}", c.kind.word(), c.bytes_skipped, c.detail),
        Output::Send { bytes, .. } => format!("send {bytes:02x?}"),
        other => format!("{other:?}"),
    }
}

struct Bench(Box<dyn Decoder>);

impl Bench {
    fn new(options: Value) -> Self {
        Bench((DESCRIPTOR.build)(&config(options)).unwrap())
    }

    fn give(&mut self, input: Input<'_>) -> Vec<String> {
        let mut out = Vec::new();
        self.0.handle(0, input, &mut out);
        out.iter().map(said).collect()
    }

    fn receive(&mut self, bytes: &[u8]) -> Vec<String> {
        self.give(Input::Received { endpoint: 0, bytes })
    }
}

#[test]
fn a_frame_in_every_framing_is_the_same_reading() {
    let crc = "CRC-16/XMODEM";
    let checksum = json!({ "algorithm": crc });
    let plain = body(26_400, 12_100);
    let frame = |head: &[u8]| seal(crc, [head, &plain].concat());
    let cases = [
        (json!({ "framing": "sync", "sync": "A5 5A", "length": 8 }), 2, frame(&[0xA5, 0x5A])),
        (
            json!({ "framing": "sync", "sync": "A5", "length": { "at": 1, "plus": 2 } }),
            2,
            frame(&[0xA5, 6]),
        ),
        (json!({ "framing": "length", "length": { "at": 0, "plus": 1 } }), 1, frame(&[6])),
        (json!({ "framing": "cobs" }), 0, cobs::encode(&frame(&[]))),
        (json!({ "framing": "slip" }), 0, slip::encode(&frame(&[]))),
        (json!({ "framing": "whole" }), 0, frame(&[])),
    ];
    for (mut options, at, bytes) in cases {
        options["checksum"] = checksum.clone();
        let mut bench = Bench::new(with_frame(options.clone(), at));
        bench.give(Input::Opened { record: true });
        assert_eq!(bench.receive(&bytes), ["live [26.4, -12.1]"], "{options}");
        let mut damaged = bytes;
        let middle = damaged.len() / 2;
        damaged[middle] ^= 0x40;
        assert!(bench.receive(&damaged).iter().all(|s| s.starts_with('!')), "{options}");
    }
}

#[test]
fn kinds_are_told_apart_by_their_tag_and_may_differ_in_length() {
    let mut options = json!({
        "framing": "sync", "sync": "AA", "endian": "big",
        "checksum": { "algorithm": "xor8" },
        "tag": { "at": 1, "bits": [0, 6] }, "ignore": [2],
        "frames": [
            { "name": "U", "tag": 1, "length": 5,
              "fields": [{ "name": "U", "at": 2, "type": "u16" }] },
            { "name": "I", "tag": 2, "length": 4,
              "fields": [{ "name": "I", "at": 2, "type": "i8" }] },
        ],
    });
    let refused = (DESCRIPTOR.build)(&config(options.clone())).err().unwrap();
    assert_eq!(refused.key, "options.frames[1].tag");
    options["ignore"] = json!([]);
    let mut bench = Bench::new(options);
    let frame = |bytes: &[u8]| seal("xor8", bytes.to_vec());
    let stream = [
        frame(&[0xAA, 1, 0x67, 0x20]),
        frame(&[0xAA, 0x82, 100]),
        frame(&[0xAA, 3, 0]),
        frame(&[0xAA, 2, 0x9C]),
    ];
    let said = bench.receive(&stream.concat());
    assert_eq!(said[..3], ["U [26.4]", "I [-0.1]", "I [0.1]"]);
    assert!(
        said[3].starts_with("!not_mine 4 no kind of frame has the tag 3: `aa 03 00 a9")
            && said.len() == 4,
        "{said:?}"
    );
}

#[test]
fn frames_that_are_known_and_not_wanted_pass_without_a_word() {
    let mut options =
        with_frame(json!({ "framing": "cobs", "tag": { "at": 0 }, "ignore": [9] }), 1);
    options["frames"][0]["tag"] = json!(1);
    let mut bench = Bench::new(options);
    let stream: Vec<Vec<u8>> =
        [1, 9, 7].iter().map(|tag| cobs::encode(&[&[*tag], &body(1000, 0)[..]].concat())).collect();
    let unknown = "!not_mine 5 no kind of frame has the tag 7: `07 e8 03 00 00`";
    assert_eq!(bench.receive(&stream.concat()), ["live [1.0, 0.0]", unknown]);
}

#[test]
fn a_code_for_no_value_is_missing_and_never_a_number() {
    let options = with_frame(json!({ "framing": "whole" }), 0);
    let mut bench = Bench::new(options.clone());
    assert_eq!(bench.receive(&body(26_400, -32768)), ["live [26.4, NaN]"]);
    let mut single = options;
    single["frames"][0]["fields"] = json!([
        { "name": "U", "at": 0, "type": "f32" }, { "name": "I", "at": 4, "type": "f64" },
    ]);
    let mut bench = Bench::new(single);
    let frame = |u: f32, i: f64| [&u.to_le_bytes()[..], &i.to_le_bytes()[..]].concat();
    assert_eq!(bench.receive(&frame(500.0, 250.0)), ["live [0.5, -0.25]"]);
    assert_eq!(bench.receive(&frame(500.0, f64::NAN)), ["live [0.5, NaN]"]);
    assert_eq!(
        bench.receive(&frame(f32::INFINITY, 250.0)),
        ["!implausible 0 `U`: is infinite", "live [NaN, -0.25]"]
    );
    assert_eq!(
        bench.receive(&frame(f32::NAN, f64::NAN)),
        ["!implausible 12 no usable value: `U`: no value"]
    );
    assert_eq!(
        bench.receive(&frame(500.0, 1.0)[..8]),
        ["!implausible 0 `I`: lies behind the frame's end", "live [0.5, NaN]"]
    );
}

#[test]
fn a_fault_is_reported_when_it_comes_and_is_no_reading() {
    let options = json!({ "framing": "whole", "frames": [{ "name": "state", "fields": [
        { "name": "mode", "at": 0, "bits": [4, 7], "faults": [3],
          "states": { "0": "idle", "1": "charging", "3": "too hot" } },
        { "name": "U", "at": 1, "type": "u16" }, { "name": "I", "at": 3, "type": "i16" },
    ]}]});
    let mut bench = Bench::new(options);
    let mut with_mode = |mode: u8| bench.receive(&[&[mode << 4 | 5][..], &body(1000, 0)].concat());
    let reading = "state [1.0, 0.0]";
    assert_eq!(with_mode(0), [reading]);
    assert_eq!(with_mode(3), [reading, "!instrument_error 0 `mode` is `too hot`"]);
    assert_eq!(with_mode(3), [reading]);
    assert_eq!(with_mode(7), [reading, "!implausible 0 `mode` is 7, which is none of its states"]);
    assert_eq!(with_mode(1), [reading]);
    assert_eq!(with_mode(3), [reading, "!instrument_error 0 `mode` is `too hot`"]);
}

#[test]
fn requests_are_sent_on_a_live_line_and_never_to_a_record() {
    let mut options = with_frame(json!({ "framing": "slip" }), 0);
    options["requests"] = json!([
        { "hex": "02 07", "every_ms": 500, "checksum": { "algorithm": "CRC-16/MODBUS" } },
        { "text": "READ\r\n" },
    ]);
    let mut bench = Bench::new(options);
    // 02 07 has the CRC 0x1241, low byte first: MODBUS over Serial Line V1.02, Appendix B.
    assert_eq!(
        bench.give(Input::Opened { record: false }),
        ["send [c0, 02, 07, 41, 12, c0]", "Wake(Some(50000))"]
    );
    assert_eq!(bench.give(Input::Opened { record: true }), ["Wake(None)"]);
    assert_eq!(bench.give(Input::Deadline), [""; 0]);
}

/// The options with the value at a JSON pointer replaced.
fn set(mut options: Value, path: &str, value: Value) -> Value {
    let (parent, name) = path.rsplit_once('/').unwrap();
    options.pointer_mut(parent).unwrap()[name] = value;
    options
}

#[test]
fn what_is_wrong_in_a_layout_is_told_with_its_key() {
    let whole = |path, value| set(with_frame(json!({ "framing": "whole" }), 0), path, value);
    let sync = |path, value| {
        let options = json!({ "framing": "sync", "sync": "A5", "length": 6 });
        set(with_frame(options, 2), path, value)
    };
    let field = |name: &str| format!("options.frames[0].fields[1].{name}");
    for (key, part, options) in [
        ("options.framing", "`cobs`, `slip`, `whole`", whole("/framing", json!("stx"))),
        ("options.chekcsum", "did you mean `checksum`?", whole("/chekcsum", json!(1))),
        ("options.sync", "\"A5 5A\"", sync("/sync", json!("xyz"))),
        ("options.sync", "1 to 16 bytes", sync("/sync", json!(""))),
        ("options.sync", "goes with", whole("/sync", json!("AA"))),
        ("options.length", "or where it is written", sync("/length", json!("six"))),
        ("options.length.tpye", "did you mean `type`?", sync("/length", json!({ "tpye": 1 }))),
        ("options.length", "1 and `longest`", sync("/length", json!(0))),
        ("options.length", "is needed", sync("/length", Value::Null)),
        ("options.length.type", "integer", sync("/length", json!({ "at": 1, "type": "f32" }))),
        ("options.length.at", "from 0", sync("/length", json!({ "at": -1 }))),
        ("options.longest", "4096", whole("/longest", json!(5000))),
        (
            "options.checksum",
            "is needed",
            set(sync("/framing", json!("length")), "/sync", Value::Null),
        ),
        (
            "options.checksum.algorithm",
            "did you mean `CRC-16/MODBUS`?",
            whole("/checksum", json!({ "algorithm": "crc16-modbus" })),
        ),
        (
            "options.checksum.at",
            "write -2",
            whole("/checksum", json!({ "algorithm": "sum16", "at": -1 })),
        ),
        ("options.frames", "1 to 64", whole("/frames", json!([]))),
        (&field("type"), "did you mean `u16`?", whole("/frames/0/fields/1/type", json!("u17"))),
        (&field("at"), "within a frame of 6", sync("/frames/0/fields/1/at", json!(5))),
        (&field("bits"), "between 0 and 15", whole("/frames/0/fields/1/bits", json!([8, 16]))),
        (&field("name"), "is not among", whole("/frames/0/fields/1/name", json!("x"))),
        (&field("name"), "is there twice", whole("/frames/0/fields/1/name", json!("U"))),
        (&field("states"), "no reading", whole("/frames/0/fields/1/states", json!({ "1": "on" }))),
        ("options.frames[0].tag", "`options.tag`", whole("/frames/0/tag", json!(1))),
        ("options.frames[0].tag", "is needed", whole("/tag", json!({ "at": 0 }))),
        ("options.frames[0].length", "goes with", whole("/frames/0/length", json!(4))),
        ("options.requests[0].hex", "either", whole("/requests", json!([{ "every_ms": 50 }]))),
        (
            "options.requests[0].every_ms",
            "10",
            whole("/requests", json!([{ "text": "?", "every_ms": 0 }])),
        ),
        ("fields.I", "no frame", whole("/frames/0/fields", json!([{ "name": "U", "at": 0 }]))),
    ] {
        let problem = (DESCRIPTOR.build)(&config(options)).err().unwrap_or_else(|| panic!("{key}"));
        assert_eq!(problem.key, key, "{problem}");
        assert!(problem.what.contains(part), "{problem}\nlacks: {part}");
    }
}

fn recording(frames: Vec<Event>) -> Vec<(i64, Event)> {
    let opened = std::iter::once((0, Event::Opened { record: false }));
    let frames = frames.into_iter().enumerate();
    opened.chain(frames.map(|(i, event)| (i as i64 * 1000, event))).collect()
}

/// Options, where U lies, what ends a frame, how many samples rubbish may cost,
/// and what happens.
type FramingCase = (Value, usize, &'static [u8], usize, Vec<Event>);

#[test]
fn conforms_in_every_framing() {
    let crc = "CRC-32/ISO-HDLC";
    let sealed = |head: &'static [u8]| {
        let bodies = (0..12).map(|i| body(26_400 - i, 12_100 + i as i16));
        bodies.map(move |b| seal(crc, [head, &b].concat()))
    };
    let streamed = |head| sealed(head).map(Event::Received).collect();
    let cases: [FramingCase; 6] = [
        (
            json!({ "framing": "sync", "sync": "A5 5A", "length": 10 }),
            2,
            b"",
            1,
            streamed(&[0xA5, 0x5A]),
        ),
        (
            json!({ "framing": "sync", "sync": "A5", "length": { "at": 1 }, "longest": 24 }),
            2,
            b"",
            4,
            streamed(&[0xA5, 10]),
        ),
        (json!({ "framing": "length", "length": 8 }), 0, b"", 1, streamed(&[])),
        (
            json!({ "framing": "cobs" }),
            0,
            b"\x00",
            1,
            sealed(&[]).map(|f| Event::Received(cobs::encode(&f))).collect(),
        ),
        (
            json!({ "framing": "slip" }),
            0,
            b"\xC0",
            1,
            sealed(&[]).map(|f| Event::Received(slip::encode(&f))).collect(),
        ),
        (
            json!({ "framing": "whole" }),
            0,
            b"",
            0,
            sealed(&[]).map(|f| Event::Notified(0, f)).collect(),
        ),
    ];
    for (mut options, at, frame_end, lost_at_most, frames) in cases {
        options["checksum"] = json!({ "algorithm": crc });
        check(&Case {
            descriptor: &DESCRIPTOR,
            config: config(with_frame(options, at)),
            recording: recording(frames),
            frame_end,
            lost_at_most,
            polled: false,
        });
    }
}

fn any_length() -> impl Strategy<Value = Value> {
    prop_oneof![
        Just(Value::Null),
        (0usize..40).prop_map(|n| json!(n)),
        (-2i32..40, -300i64..300).prop_map(|(at, plus)| json!({ "at": at, "plus": plus })),
    ]
}

fn any_checksum() -> impl Strategy<Value = Value> {
    let algorithm = "(sum8|xor8|CRC-8/SMBUS|CRC-64/XZ)";
    prop_oneof![
        Just(Value::Null),
        (algorithm, -9i32..9, -9i32..9).prop_map(|(algorithm, at, from)| {
            json!({ "algorithm": algorithm, "at": at, "from": from })
        }),
    ]
}

proptest! {
    /// Whatever a person writes: it is refused with a key, or it decodes
    /// anything without harm.
    #[test]
    fn no_layout_and_no_bytes_break_it(
        framing in "(sync|length|cobs|slip|whole)",
        (length, checksum, longest) in (any_length(), any_checksum(), 0usize..64),
        (at, kind, low, high) in (-40i32..40, "(u8|i16|u24|i64|f32|f64)", 0u32..70, 0u32..70),
        bytes in proptest::collection::vec(prop_oneof![any::<u8>(), Just(0xA5)], 0..200),
    ) {
        let options = json!({
            "framing": framing, "length": length, "checksum": checksum, "longest": longest,
            "sync": if framing == "sync" { json!("A5") } else { Value::Null },
            "frames": [{ "name": "x", "fields": [
                { "name": "U", "at": at, "type": kind,
                  "bits": if low > 40 { Value::Null } else { json!([low, high]) } },
                { "name": "I", "at": 0 },
            ]}],
        });
        match (DESCRIPTOR.build)(&config(options)) {
            Err(problem) => prop_assert!(problem.key.starts_with("options.")),
            Ok(decoder) => {
                let mut bench = Bench(decoder);
                bench.give(Input::Opened { record: true });
                bench.receive(&bytes);
                prop_assert!(bench.0.snapshot().len() < 2000);
            }
        }
    }
}

#[test]
fn what_protects_a_frame_is_what_its_layout_says() {
    for (checksum, is) in [
        (json!(null), Integrity::None),
        (json!({ "algorithm": "sum8" }), Integrity::Sum),
        (json!({ "algorithm": "CRC-16/MODBUS" }), Integrity::Crc),
    ] {
        let options = json!({ "framing": "cobs", "checksum": checksum });
        assert_eq!((DESCRIPTOR.integrity)(&config(with_frame(options, 0))), is);
    }
}
