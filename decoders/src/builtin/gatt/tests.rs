//! What notifications mean, by the vectors of the standards and in groups.

use serde_json::{Value as Json, json};

use super::form::{self, Value};
use super::vendor::{Format, Presentation};
use super::{DESCRIPTOR, characteristics};
use crate::config::DecoderConfig;
use crate::conformance::{Case, Event, check};
use crate::decoder::{Decoder, Input, Output};
use crate::vectors::{self, Vector};

/// A value in the unit of the vector: what is expected, as the vector writes it.
fn agrees(found: &Value, unit: &str, expected: &Json) -> bool {
    let factor = match (unit, expected["unit"].as_str()) {
        ("Wh", Some("kW.h")) => 1e-3,
        _ => 1.0,
    };
    let close = |n: f64| {
        let wanted = expected["value"].as_f64().unwrap_or(f64::NAN);
        (n * factor - wanted).abs() <= 1e-9 * wanted.abs()
    };
    let status = expected["status"].as_str();
    match found {
        Value::Number(n) => status.is_none() && close(*n),
        Value::AtLeast(n) => status == Some("at_or_above_maximum") && close(*n),
        Value::Unknown(word) | Value::Wrong(word) => {
            status == Some(*word) && expected["value"].is_null()
        }
        Value::State(word, _) => match &expected["value"] {
            Json::Bool(yes) => word == if *yes { "yes" } else { "no" },
            Json::String(text) => word == text,
            _ => status == Some(word),
        },
    }
}

fn uuid(vector: &Vector) -> u16 {
    u16::from_str_radix(vector.context["uuid16"].as_str().unwrap(), 16).unwrap()
}

/// Characteristics by the Bluetooth SIG's GATT Specification Supplement.
fn check_characteristic(vector: &Vector) {
    let standard = characteristics::find(uuid(vector)).unwrap();
    let mut found: Vec<(&str, &str, Value)> = Vec::new();
    let read = standard.read(&vector.input(), |part, name, value| {
        found.push((name, part.form.unit(), value));
    });
    let case = &vector.case;
    if vector.outcome() == "error" {
        match read {
            Err(error) => assert!(vector.error().starts_with("truncated"), "{case}: {error}"),
            Ok(()) => assert!(
                found.iter().any(|(_, _, value)| *value == Value::Wrong("reserved"))
                    && !vector.error().starts_with("truncated"),
                "{case}: {found:?}"
            ),
        }
        return;
    }
    assert_eq!(read, Ok(()), "{case}");
    for (name, expected) in vector.expected["values"].as_object().unwrap() {
        let value = found.iter().find(|(found, _, _)| *found == name);
        let value = value.unwrap_or_else(|| panic!("{case}: no {name} in {found:?}"));
        assert!(agrees(&value.2, value.1, expected), "{case}: {value:?} is not {expected}");
    }
}

/// Elapsed Time, of the same supplement.
fn check_elapsed(vector: &Vector) {
    let Ok(octets) = vector.input().try_into() else {
        assert!(vector.error().starts_with("truncated"), "{}", vector.case);
        return;
    };
    let elapsed = form::elapsed(octets).unwrap();
    if let Some(tick) = vector.value("tick").as_f64() {
        assert_eq!((elapsed.is_tick, elapsed.t_us), (true, (tick * 1e6) as i64));
    } else {
        let time = jiff::Timestamp::from_microsecond(elapsed.t_us).unwrap().to_string();
        assert_eq!(vector.value("time_utc"), json!(time));
        assert_eq!(vector.value("source"), json!(elapsed.source));
        assert_eq!(vector.value("offset"), json!(elapsed.offset_minutes));
    }
}

#[test]
fn the_vectors_of_the_bluetooth_sig_come_out() {
    let vectors = vectors::of("gatt", "bluetooth-gatt");
    assert_eq!(vectors.len(), 71);
    for vector in vectors {
        match uuid(&vector) {
            super::options::ELAPSED => check_elapsed(&vector),
            0x2904 => {
                let read = Presentation::read(&vector.input()).unwrap();
                let expected = Presentation { format: Format::Sint32, exponent: -3, unit: "Ah" };
                assert_eq!(read, expected);
                // The vector's note: E8030000 under it is 1.000 Ah.
                let value = read.format.read(&[0xE8, 3, 0, 0], read.exponent);
                assert_eq!(value, Ok(Value::Number(1.0)));
            }
            _ => check_characteristic(&vector),
        }
    }
}

/// IEEE 11073-20601, by the FLOATs page of the HL7 Personal Health Device guide.
#[test]
fn the_vectors_of_the_medical_float_come_out() {
    let vectors = vectors::of("gatt", "ieee11073-sfloat");
    assert_eq!(vectors.len(), 7);
    for vector in vectors {
        let found = form::medfloat16(vector.input().try_into().unwrap());
        assert!(agrees(&found, "", &vector.expected["values"]["number"]), "{}", vector.case);
    }
    // The same numbers with more digits.
    assert_eq!(form::medfloat32([0x14, 0, 0, 0xFF]), Value::Number(2.0));
    assert_eq!(form::medfloat32([0xFE, 0xFF, 0xFF, 0x01]), Value::Number(-20.0));
    assert_eq!(form::medfloat32([0xFF, 0xFF, 0x7F, 0]), Value::Unknown("nan"));
}

fn config(options: Json, fields: Json) -> DecoderConfig {
    serde_json::from_value(json!({ "options": options, "fields": fields })).unwrap()
}

fn clamp() -> DecoderConfig {
    config(
        json!({ "characteristics": [
            "2b18", "2aee", "2bf0", "2bed", "2bf2",
            { "uuid": "7d9a2c10-5b7e-4c55-9d2e-1f0a63c4b801", "field": "signed",
              "format": "sint32", "exponent": -3, "unit": "A" },
            { "uuid": "2b1a", "field": "cell" },
        ]}),
        json!({
            "current": { "quantity": "current_ampere", "channel": "magnitude" },
            "signed": { "quantity": "current_ampere", "sign": "discharging-positive" },
            "present_voltage": { "quantity": "voltage_volt", "channel": "bus" },
            "cell": { "quantity": "cell_voltage_1_volt" },
            "cell_minimum": { "quantity": "cell_voltage_1_volt", "channel": "lowest" },
        }),
    )
}

struct Bench(Box<dyn Decoder>);

impl Bench {
    fn new(config: &DecoderConfig) -> Self {
        Bench((DESCRIPTOR.build)(config).unwrap())
    }

    fn notify(&mut self, t_ms: i64, endpoint: u16, hex: &str) -> Vec<String> {
        let mut out = Vec::new();
        let bytes = &vectors::bytes(hex)[..];
        self.0.handle(t_ms * 1000, Input::Received { endpoint, bytes }, &mut out);
        out.iter().map(said).collect()
    }
}

fn said(output: &Output) -> String {
    match output {
        Output::Sample(s) => {
            let names: Vec<&str> = s.group.channels.iter().map(|c| c.name.as_str()).collect();
            let time = s.instrument_t_us.map_or(String::new(), |t| format!(" at {t}"));
            format!("{} {:?}{time}", names.join("+"), s.values)
        }
        Output::Complaint(c) => format!("!{} {}", c.kind.word(), c.detail),
        other => format!("{other:?}"),
    }
}

#[test]
fn the_endpoint_is_the_place_in_the_list_and_each_notification_a_group() {
    let mut bench = Bench::new(&clamp());
    assert_eq!(bench.notify(0, 0, "5003"), ["voltage_volt [13.25]"]);
    assert_eq!(bench.notify(0, 1, "e803"), ["magnitude [10.0]"]);
    assert_eq!(bench.notify(0, 2, "122ee5d2fa"), ["bus+power_watt [13.26, -132.6]"]);
    assert_eq!(bench.notify(0, 3, "02a30232"), ["state_of_charge_percent [50.0]"]);
    assert_eq!(bench.notify(0, 5, "442f0000"), ["current_ampere [-12.1]"]);
    let statistics = "50030400400360034b";
    assert_eq!(bench.notify(0, 6, statistics), ["cell_voltage_1_volt+lowest [13.25, 13.0]"]);
    assert_eq!(bench.notify(0, 7, "00"), ["!not_mine there is no endpoint 7"]);
}

#[test]
fn not_known_is_missing_and_not_valid_is_complained_about() {
    let mut bench = Bench::new(&clamp());
    assert_eq!(bench.notify(0, 2, "12ff07d2fa"), ["bus+power_watt [NaN, -132.6]"]);
    let alone = "!implausible no usable value: `voltage`: not known";
    assert_eq!(bench.notify(0, 0, "ffff"), [alone]);
    let infinite = "!implausible `present_voltage`: positive infinity";
    assert_eq!(bench.notify(0, 2, "12fe07d2fa"), [infinite, "bus+power_watt [NaN, -132.6]"]);
    assert_eq!(bench.notify(0, 0, "81ff"), ["!implausible `voltage`: reserved"]);
    assert_eq!(
        bench.notify(0, 0, "80ff"),
        ["!implausible `voltage` is 1022 V or more", "voltage_volt [1022.0]"]
    );
    assert_eq!(bench.notify(0, 0, "50"), ["!incomplete truncated: need 2 octets, got 1: `50`"]);
}

#[test]
fn an_elapsed_time_is_that_of_the_next_sample_of_each_characteristic() {
    let mut bench = Bench::new(&clamp());
    let tick = "0940e2010000000000";
    assert_eq!(bench.notify(0, 4, tick), [""; 0]);
    assert_eq!(bench.notify(10, 0, "5003"), ["voltage_volt [13.25] at 123456000"]);
    assert_eq!(bench.notify(10, 1, "e803"), ["magnitude [10.0] at 123456000"]);
    assert_eq!(bench.notify(900, 0, "5003"), ["voltage_volt [13.25]"]);
    assert_eq!(bench.notify(1000, 4, tick), [""; 0]);
    assert_eq!(bench.notify(3001, 0, "5003"), ["voltage_volt [13.25]"]);
    let beyond = bench.notify(4000, 4, "02ffffffffffff0000");
    assert!(beyond[0].starts_with("!implausible no elapsed time"), "{beyond:?}");
}

#[test]
fn a_fault_of_the_battery_is_reported_when_it_comes() {
    let mut bench = Bench::new(&clamp());
    let soc = "state_of_charge_percent [50.0]";
    let fault = "!instrument_error the instrument reports fault of battery";
    assert_eq!(bench.notify(0, 3, "02a31232"), [fault, soc]);
    assert_eq!(bench.notify(0, 3, "02a31232"), [soc]);
    assert_eq!(bench.notify(0, 3, "02a30232"), [soc]);
    assert_eq!(bench.notify(0, 3, "02a31232"), [fault, soc]);
}

#[test]
fn what_is_wrong_in_the_options_is_told_with_its_key() {
    let list = |entries: Json| json!({ "characteristics": entries });
    let vendor = "7d9a2c10-5b7e-4c55-9d2e-1f0a63c4b801";
    let u = json!({ "voltage": { "quantity": "voltage_volt" } });
    for (key, part, options, fields) in [
        ("options.characteristics", "1 to 64", list(json!([])), json!({})),
        ("options.characteristics[0]", "a UUID", list(json!([7])), json!({})),
        ("options.characteristics[0].uuid", "no UUID", list(json!(["2b1"])), json!({})),
        ("options.characteristics[0].uuid", "2b18 Voltage", list(json!(["2b17"])), json!({})),
        ("options.characteristics[0].uuid", "`format`", list(json!([vendor])), json!({})),
        (
            "options.characteristics[0].feild",
            "did you mean `field`?",
            list(json!([{ "uuid": "2b18", "feild": "U" }])),
            json!({}),
        ),
        (
            "options.characteristics[0].format",
            "did you mean `sint32`?",
            list(json!([{ "uuid": vendor, "format": "int32" }])),
            json!({}),
        ),
        (
            "options.characteristics[0].field",
            "is needed",
            list(json!([{ "uuid": vendor, "format": "sint32" }])),
            json!({}),
        ),
        (
            "options.characteristics[0].presentation",
            "7 octets",
            list(json!([{ "uuid": vendor, "presentation": "10fd" }])),
            json!({}),
        ),
        ("options.characteristics[1]", "same channel", list(json!(["2b18", "2ae1"])), json!({})),
        (
            "fields.voltage",
            "no unit of current",
            list(json!(["2b18"])),
            json!({
            "voltage": { "quantity": "current_ampere" } }),
        ),
        ("fields.voltage", "no characteristic", list(json!(["2aee"])), u),
        (
            "options.elapsed_within_ms",
            "60000",
            json!({ "characteristics": ["2b18"], "elapsed_within_ms": 70000 }),
            json!({}),
        ),
    ] {
        let problem = (DESCRIPTOR.build)(&config(options, fields)).err();
        let problem = problem.unwrap_or_else(|| panic!("{key} {part}"));
        assert_eq!(problem.key, key, "{problem}");
        assert!(problem.what.contains(part), "{problem}\nlacks: {part}");
    }
}

#[test]
fn conforms() {
    let mut recording = vec![(0, Event::Opened { record: false })];
    for i in 0..12u8 {
        let t_us = i64::from(i) * 1_000_000;
        let tick = [9, i, 0, 0, 0, 0, 0, 0, 0].to_vec();
        recording.push((t_us, Event::Notified(4, tick)));
        recording.push((t_us, Event::Notified(0, vec![0x50 + i, 3])));
        recording.push((t_us + 1, Event::Notified(2, vec![0x12, 0x2E, 0xE5, 0xD2 + i, 0xFA])));
        recording.push((t_us + 2, Event::Notified(3, vec![2, 0xA3, 2 + 16 * (i % 2), 0x32])));
    }
    check(&Case {
        descriptor: &DESCRIPTOR,
        config: clamp(),
        recording,
        frame_end: b"",
        lost_at_most: 0,
        polled: true,
    });
}
