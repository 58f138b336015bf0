//! The options: what is merged, what is refused.

use serde_json::json;

use super::{Bench, DESCRIPTOR, config};
use crate::conformance::Event;

/// The requests that are sent in the first round, each answered by silence
/// being broken with an exception, so that the next follows.
fn first_round(options: serde_json::Value) -> Vec<String> {
    let mut bench = Bench::open(options);
    let mut sent = Vec::new();
    for i in 0..8 {
        let t_ms = 1000 + i;
        let said = bench.at(t_ms, Event::Drained);
        let Some(bytes) = said[0].strip_prefix("send ") else { break };
        let function = if bytes.contains("01, 04") { 0x84 } else { 0x83 };
        if sent.contains(&bytes.to_owned()) {
            break;
        }
        sent.push(bytes.to_owned());
        bench.receive(t_ms, &[1, function, 2]);
    }
    sent
}

fn units(registers: serde_json::Value) -> serde_json::Value {
    json!([{ "address": 1, "registers": registers }])
}

#[test]
fn registers_merge_into_as_few_reads_as_gap_and_length_allow() {
    let at = |u: u16, i: u16, t: u16, p: u16| {
        units(json!([
            { "field": "P", "address": p }, { "field": "T", "address": t },
            { "field": "I", "address": i }, { "field": "U", "address": u, "type": "f32" },
        ]))
    };
    let round = |units, gap: u16| first_round(json!({ "units": units, "max_gap": gap }));
    assert_eq!(round(at(0, 2, 3, 4), 0), ["[01, 03, 00, 00, 00, 05]"]);
    assert_eq!(round(at(0, 2, 4, 5), 0), ["[01, 03, 00, 00, 00, 03]", "[01, 03, 00, 04, 00, 02]"]);
    assert_eq!(round(at(0, 2, 4, 5), 1), ["[01, 03, 00, 00, 00, 06]"]);
    // 125 registers and no more (V1.1b3, 6.3).
    assert_eq!(round(at(0, 50, 100, 124), 124), ["[01, 03, 00, 00, 00, 7d]"]);
    assert_eq!(
        round(at(0, 50, 100, 125), 124),
        ["[01, 03, 00, 00, 00, 65]", "[01, 03, 00, 7d, 00, 01]"]
    );
    let few = json!({ "units": at(0, 2, 3, 4), "max_registers": 3 });
    assert_eq!(first_round(few), ["[01, 03, 00, 00, 00, 03]", "[01, 03, 00, 03, 00, 02]"]);
}

#[test]
fn functions_and_beats_are_not_mixed_in_a_read() {
    let registers = json!([
        { "field": "U", "address": 0, "type": "f32" },
        { "field": "I", "address": 2, "function": 4 },
        { "field": "T", "address": 3, "every_ms": 9000 },
        { "field": "P", "address": 4 },
    ]);
    let mut sent = first_round(json!({ "units": units(registers) }));
    sent.sort();
    let expected =
        ["[01, 03, 00, 00, 00, 05]", "[01, 03, 00, 03, 00, 01]", "[01, 04, 00, 02, 00, 01]"];
    assert_eq!(sent, expected);
}

#[test]
fn two_alike_instruments_share_fields_and_keep_their_channels_apart() {
    let registers = json!([
        { "field": "U", "address": 0 }, { "field": "I", "address": 1 },
        { "field": "T", "address": 2 }, { "field": "P", "address": 3 },
    ]);
    let mut bench = Bench::asking(json!({ "units": [
        { "address": 1, "name": "fore", "registers": registers },
        { "address": 2, "name": "aft", "registers": registers },
    ]}));
    let fore = bench.receive(1010, &[1, 3, 8, 0, 26, 0, 0, 0, 0, 0, 0]);
    bench.at(1015, Event::Drained);
    let aft = bench.receive(1020, &[2, 3, 8, 0, 13, 0, 0, 0, 0, 0, 0]);
    assert!(fore[0].starts_with("fore voltage_volt") && fore[0].contains("[26.0"), "{fore:?}");
    assert!(aft[0].starts_with("aft voltage_volt") && aft[0].contains("[13.0"), "{aft:?}");
}

#[test]
fn a_wrong_configuration_names_its_key() {
    let all = json!([
        { "field": "U", "address": 0 }, { "field": "I", "address": 1 },
        { "field": "T", "address": 2 }, { "field": "P", "address": 3 },
    ]);
    let with = |i: usize, key: &str, value: serde_json::Value| {
        let mut registers = all.clone();
        registers[i][key] = value;
        json!({ "units": units(registers) })
    };
    let two = |a: u8, b: u8, name: &str| {
        json!({ "units": [
            { "address": a, "name": "fore", "registers": all },
            { "address": b, "name": name, "registers": all },
        ]})
    };
    for (key, options) in [
        ("options.units", json!({ "units": [] })),
        ("options.timeout_ms", json!({ "timeout_ms": 1 })),
        ("options.late_ms", json!({ "late_ms": 10_000 })),
        ("options.late_ms", json!({ "timeout_ms": 20_000 })),
        ("options.silence_ms", json!({ "silence_ms": 0 })),
        ("options.retries", json!({ "retries": 11 })),
        ("options.max_registers", json!({ "max_registers": 126 })),
        ("options.max_gap", json!({ "max_gap": 125 })),
        ("options.units[0].address", json!({ "units": [{ "address": 0, "registers": all }] })),
        ("options.units[0].address", json!({ "units": [{ "address": 248, "registers": all }] })),
        ("options.units[0].registers", json!({ "units": [{ "address": 1, "registers": [] }] })),
        ("options.units[1].address", two(1, 1, "aft")),
        ("options.units[1].name", two(1, 2, "fore")),
        ("options.units[0].registers[1].function", with(1, "function", json!(1))),
        ("options.units[0].registers[1].address", with(1, "address", json!(65536))),
        ("options.units[0].registers[0].every_ms", with(0, "every_ms", json!(1))),
        ("options.units[0].registers[0].field", with(0, "field", json!("X"))),
        ("options.units[0].registers[1].field", with(1, "field", json!("U"))),
        ("options.units[0].registers[0].type", with(0, "type", json!("bcd"))),
        ("options.units[0].registers[0].order", with(0, "order", json!("ABCD"))),
        ("fields.P", with(3, "field", json!("ambient temperature"))),
        ("options.unit", json!({ "unit": [] })),
    ] {
        let problem = (DESCRIPTOR.build)(&config(options)).err().unwrap();
        assert!(problem.key.starts_with(key), "{key}: {problem}");
    }
    let beyond = (DESCRIPTOR.build)(&config(with(3, "address", json!(65535))));
    assert!(beyond.is_ok());
    let mut long = with(3, "address", json!(65535));
    long["units"][0]["registers"][3]["type"] = json!("u32");
    let problem = (DESCRIPTOR.build)(&config(long)).err().unwrap();
    assert!(problem.what.contains("beyond 65535"), "{problem}");
}
