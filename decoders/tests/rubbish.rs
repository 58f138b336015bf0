//! Random and mutated bytes and inputs for every built-in decoder: a fixed
//! count, on the stable toolchain. What failed can be run again by its seed.
#![allow(clippy::disallowed_methods, reason = "a test may read its environment")]
#![allow(clippy::unwrap_used, reason = "a test fails by it")]

use ampledger_decoders::{Command, DecoderConfig, Driver, Input, Output, builtin};
use serde_json::json;

const ROUNDS: u64 = 300;
const INPUTS: usize = 120;

/// xorshift64*, from memory: any generator would do.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D)
    }

    fn below(&mut self, bound: usize) -> usize {
        (self.next() % bound.max(1) as u64) as usize
    }
}

/// Frames that some decoder understands, to be mutated.
const BINARY_SEEDS: [&[u8]; 11] = [
    b"\x59\x44\x06\x51\x0a\xfe",
    b"\x59\x44\x06\x51\x0a\xfe\x59\x44",
    b"\x03\x51\x0a\x00",
    b"\xc0\x51\xdb\xdc\xc0",
    b"\x50\x03",
    b"\x12\x2e\xe5\xd2\xfa",
    b"\x01\x03\x04\x41\x54\x28\xf6\x31\x99",
    b"\x01\x83\x02\xc0\xf1",
    b"\x0232.7.0(13.26*V)\r\n31.7.0(5.000*A)\r\n96.7(25.1*C)\r\n!\r\n\x03S",
    b"\x40\x00\x09\x0c\x80\x3f\x5d\xf0\xd8",
    b"\x41\xa4\x72\x66\xc9\x5f\x73\x00\x11\x22\x33\x78\x23\x72\x14",
];

/// Lines that some decoder understands, to be mutated.
const SEEDS: [&str; 13] = [
    "time_s,U [V],I [mA]\r\n",
    "1.0,26.41,-12100\r\n",
    "V=13.2V I=-950mA\n",
    "U;I\nV;mA\n",
    "2025-11-25 10:15:03\t26.4\t-12.1\n",
    "{\"time_s\":1,\"U\":26.4,\"cells\":[3.3,3.31]}\n",
    "{\"U\":null,\"I\":\"1 A\"}\n",
    "+1.326000E+01\r\n",
    "9.91E37,1\n",
    "-113,\"Undefined header;SYSTE:ERR?\"\n",
    "MANUFACTURE,INSTR2013,0,01-02\r\n",
    "#210ABCDEFGHIJ\n",
    "/ABC3BENCH01\r\n\r\n32.7.0(13.26*V)\r\n!\r\n",
];

fn bytes(random: &mut Random) -> Vec<u8> {
    let mut bytes = match random.below(4) {
        0 => (0..random.below(200)).map(|_| random.next() as u8).collect(),
        1 => BINARY_SEEDS[random.below(BINARY_SEEDS.len())].to_vec(),
        _ => SEEDS[random.below(SEEDS.len())].as_bytes().to_vec(),
    };
    for _ in 0..random.below(4) {
        let at = random.below(bytes.len());
        match random.below(4) {
            0 if !bytes.is_empty() => bytes[at] = random.next() as u8,
            1 if !bytes.is_empty() => {
                bytes.remove(at);
            }
            2 => bytes.truncate(at),
            _ => bytes.extend_from_within(at..),
        }
    }
    bytes
}

fn frames_options(random: &mut Random) -> serde_json::Value {
    let framings = [
        json!({ "framing": "sync", "sync": "59 44", "length": { "at": 2 } }),
        json!({ "framing": "sync", "sync": "59", "length": 6, "checksum": { "algorithm": "sum8" } }),
        json!({ "framing": "length", "length": 4, "checksum": { "algorithm": "xor8" } }),
        json!({ "framing": "cobs" }),
        json!({ "framing": "slip", "longest": 8, "requests": [{ "text": "?", "every_ms": 100 }] }),
        json!({ "framing": "whole", "tag": { "at": 0, "bits": [0, 3] } }),
    ];
    let mut options = framings[random.below(framings.len())].clone();
    let mut frame = json!({ "name": "live", "fields": [
        { "name": "U", "at": -2, "type": "u16" }, { "name": "2", "at": 0, "bits": [0, 5] },
        { "name": "mode", "at": 1, "states": { "3": "on", "68": "hot" }, "faults": [68] },
    ]});
    if !options["tag"].is_null() {
        frame["tag"] = json!(9);
    }
    options["frames"] = json!([frame]);
    options
}

fn config(decoder: &str, random: &mut Random) -> DecoderConfig {
    let pick =
        |random: &mut Random, words: &[serde_json::Value]| words[random.below(words.len())].clone();
    let fields = json!({ "U": { "quantity": "voltage_volt" }, "2": { "quantity": "power_watt" } });
    let (options, fields) = match decoder {
        "scpi" => (
            json!({ "queries": [{ "send": "READ?", "every_ms": 50, "fields": ["U", "I"] }],
                "check_errors": random.below(2) == 0, "identify": random.below(2) == 0 }),
            json!({ "U": { "quantity": "voltage_volt" }, "I": { "quantity": "current_ampere" } }),
        ),
        "text-lines" => (
            json!({ "decimal": pick(random, &[json!("point"), json!("comma")]),
                "delimiter": pick(random, &[json!(null), json!("space"), json!("tab")]),
                "part_lines": pick(random, &[json!("drop"), json!("keep")]),
                "time": { "as": pick(random, &[json!(null), json!("axis")]) } }),
            pick(random, &[json!({}), fields]),
        ),
        "modbus-rtu" => (
            json!({ "timeout_ms": 500, "units": [
                { "address": 1, "registers": [{ "field": "U", "address": 0, "type": "f32" }] },
                { "address": 17, "name": "load", "registers": [{ "field": "2", "address": 107 }] },
            ]}),
            fields,
        ),
        "iec62056-21" => (
            pick(random, &[json!({}), json!({ "request": "/?!\r\n", "acknowledge": true })]),
            json!({ "32.7.0": { "quantity": "voltage_volt" } }),
        ),
        "frames" => (frames_options(random), fields),
        "gatt" => (
            json!({ "characteristics": [
                "2b18", "2bf0", "2bed", "2bf2", { "uuid": "2b1a", "field": "mean" },
            ]}),
            json!({ "present_voltage": { "quantity": "voltage_volt", "channel": "bus" },
                    "mean": { "quantity": "voltage_volt", "channel": "mean" } }),
        ),
        "bthome" => (
            pick(
                random,
                &[
                    json!({}),
                    json!({ "key": "231d39c1d7cc1ab1aee224cd096db932", "address": "54:48:E6:8F:80:A5" }),
                ],
            ),
            json!({ "voltage_2": { "quantity": "cell_voltage_1_volt" } }),
        ),
        "json-lines" => (json!({}), json!({ "/cells/0": { "quantity": "cell_voltage_1_volt" } })),
        "raw" => (json!({ "requests": [{ "text": "?", "every_ms": 100 }] }), json!({})),
        other => panic!("say here how {other} is configured"),
    };
    serde_json::from_value(json!({ "options": options, "fields": fields })).unwrap()
}

fn check(outputs: impl Iterator<Item = Output>) -> usize {
    let check_one = |output: Output| match output {
        Output::Sample(s) => {
            assert_eq!(s.values.len(), s.group.channels.len());
            assert!(
                s.values.iter().any(|v| !v.is_nan()) && !s.values.iter().any(|v| v.is_infinite())
            );
        }
        Output::Complaint(c) => assert!(c.detail.len() < 1000, "a long detail: {}", c.detail),
        Output::Identity { text, .. } => assert!(text.chars().count() <= 256),
        Output::Send { bytes, .. } => assert!(bytes.len() <= 300),
        Output::Drain { quiet_us } => assert!(quiet_us > 0),
        Output::Wake(_) | Output::CommandDone { .. } => {}
    };
    outputs.map(check_one).count()
}

fn play(decoder: &str, seed: u64) {
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let config = config(decoder, &mut random);
    let build = builtin::find(decoder).unwrap().build;
    let mut driver = Driver::new(build(&config).unwrap());
    let command = Command { id: 1, name: "zero".into(), arguments: json!(null) };
    let mut now_us = 0;
    for _ in 0..INPUTS {
        now_us += random.below(2_000_000) as i64;
        let bytes = bytes(&mut random);
        let input = match random.below(16) {
            0 => Input::Opened { record: random.below(2) == 0 },
            1 => Input::Closed,
            2 => Input::Drained,
            3 | 4 => Input::Deadline,
            5 => Input::Sent { endpoint: random.next() as u16, bytes: &bytes },
            7..=12 => Input::Received { endpoint: random.below(5) as u16, bytes: &bytes },
            6 => Input::Command(&command),
            _ => Input::Received { endpoint: random.next() as u16, bytes: &bytes },
        };
        let said = check(driver.give(now_us, input).1);
        assert!(said <= 4 * bytes.len() + 16, "{said} outputs for {} bytes", bytes.len());
        assert!(driver.snapshot().len() < 1 << 20);
    }
    let mut other = build(&config).unwrap();
    other.restore(&driver.snapshot()).unwrap();
    assert_eq!(other.snapshot(), driver.snapshot());
}

#[test]
fn no_bytes_and_no_order_of_inputs_break_a_decoder() {
    let only = std::env::var("AMPLEDGER_RUBBISH_SEED").ok().and_then(|seed| seed.parse().ok());
    for descriptor in builtin::BUILTIN {
        for seed in only.map_or(1..=ROUNDS, |seed| seed..=seed) {
            let run = std::panic::catch_unwind(|| play(descriptor.name, seed));
            assert!(
                run.is_ok(),
                "{}: run again with AMPLEDGER_RUBBISH_SEED={seed}",
                descriptor.name
            );
        }
    }
}
