//! One target for all decoders: the first byte chooses the decoder, each
//! further piece, a length and its bytes, is one input.
#![no_main]

use ampledger_decoders::{Driver, Input, builtin};
use libfuzzer_sys::fuzz_target;

const GATT: &str = r#"{ "options": { "characteristics": ["2b18", "2aee", "2bed", "2bf2"] } }"#;

const FRAMES: &str = r#"{
    "options": { "framing": "sync", "sync": "59 44", "length": { "at": 2 }, "longest": 32,
        "checksum": { "algorithm": "sum8" }, "requests": [{ "text": "?" }],
        "frames": [{ "name": "live", "fields": [{ "name": "U", "at": 3, "type": "f32" }] }] },
    "fields": { "U": { "quantity": "voltage_volt" } }
}"#;

const IEC62056: &str = r#"{
    "options": { "request": "/?!\r\n", "every_ms": 1000, "acknowledge": true },
    "fields": { "32.7.0": { "quantity": "voltage_volt" } }
}"#;

const MODBUS: &str = r#"{
    "options": { "units": [
        { "address": 1, "registers": [{ "field": "U", "address": 0, "type": "f32" }] },
        { "address": 17, "name": "load", "registers": [{ "field": "I", "address": 107 }] }
    ]},
    "fields": { "U": { "quantity": "voltage_volt" }, "I": { "quantity": "current_ampere" } }
}"#;

const SCPI: &str = r#"{
    "options": { "check_errors": true, "queries": [{ "send": "READ?", "fields": ["U", "I"] }] },
    "fields": { "U": { "quantity": "voltage_volt" }, "I": { "quantity": "current_ampere" } }
}"#;

fuzz_target!(|data: &[u8]| {
    let Some((choice, mut data)) = data.split_first() else { return };
    let descriptor = builtin::BUILTIN[usize::from(*choice) % builtin::BUILTIN.len()];
    let config = match descriptor.name {
        "scpi" => SCPI,
        "gatt" => GATT,
        "frames" => FRAMES,
        "iec62056-21" => IEC62056,
        "modbus-rtu" => MODBUS,
        _ => "{}",
    };
    let config = serde_json::from_str(config).expect("it is valid");
    let mut driver = Driver::new((descriptor.build)(&config).expect("it is valid"));
    let mut now_us = 0;
    while let Some((head, rest)) = data.split_first() {
        let (bytes, rest) = rest.split_at(rest.len().min(usize::from(head >> 3)));
        data = rest;
        now_us += 300_000;
        let input = match head & 7 {
            0 => Input::Opened { record: !bytes.is_empty() },
            1 => Input::Closed,
            2 => Input::Drained,
            3 => Input::Deadline,
            4 => Input::Sent { endpoint: 0, bytes },
            5 => Input::Received { endpoint: u16::from(head >> 3) % 4, bytes },
            _ => Input::Received { endpoint: 0, bytes },
        };
        driver.give(now_us, input).1.for_each(drop);
    }
});
