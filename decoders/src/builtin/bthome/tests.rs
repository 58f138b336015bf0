//! What service data means, by the vectors of BTHome, and what is refused.

use proptest::prelude::*;
use serde_json::{Value as Json, json};

use super::objects::{self, OBJECTS, Value};
use super::{DESCRIPTOR, encryption::Opener};
use crate::config::DecoderConfig;
use crate::conformance::{Case, Event, check};
use crate::decoder::{Decoder, Input, Output};
use crate::vectors::{self, Vector};

const KEY: &str = "231d39c1d7cc1ab1aee224cd096db932";
const ADDRESS: &str = "54:48:E6:8F:80:A5";

fn config(options: Json, fields: Json) -> DecoderConfig {
    serde_json::from_value(json!({ "options": options, "fields": fields })).unwrap()
}

struct Bench(Box<dyn Decoder>);

impl Bench {
    fn new(options: Json, fields: Json) -> Self {
        Bench((DESCRIPTOR.build)(&config(options, fields)).unwrap())
    }

    fn receive(&mut self, bytes: &[u8]) -> Vec<String> {
        self.give(Input::Received { endpoint: 0, bytes })
    }

    fn hex(&mut self, hex: &str) -> Vec<String> {
        self.receive(&vectors::bytes(hex))
    }

    fn give(&mut self, input: Input<'_>) -> Vec<String> {
        let mut out = Vec::new();
        self.0.handle(0, input, &mut out);
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
        Output::Identity { text, .. } => format!("identity {text}"),
        other => format!("{other:?}"),
    }
}

/// The objects of plain or opened data, by name and position as the vectors
/// write them.
fn named(bytes: &[u8]) -> Vec<(String, &'static str, Value)> {
    let mut found: Vec<(&str, &str, Value)> = Vec::new();
    let _ = objects::read(bytes, |object, value| found.push((object.name, object.unit, value)));
    let mut names = Vec::new();
    for (i, (name, unit, value)) in found.iter().enumerate() {
        let count = found.iter().filter(|other| other.0 == *name).count();
        let position = found[..=i].iter().filter(|other| other.0 == *name).count();
        let name = if count == 1 { (*name).to_owned() } else { format!("{name}_{position}") };
        names.push((name, *unit, value.clone()));
    }
    names
}

fn agrees(value: &Value, unit: &str, expected: &Json) -> bool {
    match (value, &expected["value"]) {
        (Value::Number(n), Json::Number(wanted)) => {
            let factor = if unit == "Wh" { 1e-3 } else { 1.0 };
            (n * factor - wanted.as_f64().unwrap()).abs() < 1e-9
        }
        (Value::Time(t_us), Json::String(text)) => {
            jiff::Timestamp::from_microsecond(*t_us).unwrap().to_string() == *text
        }
        (Value::Identity(text), wanted) => {
            text.ends_with(&wanted.as_str().map_or(wanted.to_string(), str::to_owned))
        }
        _ => false,
    }
}

fn check_values(vector: &Vector, bytes: &[u8]) {
    let found = named(bytes);
    for (name, expected) in vector.expected["values"].as_object().unwrap() {
        let name = match name.as_str() {
            "irregular_interval" => continue,
            "device_type_id" => "device_type",
            name => name,
        };
        let value = found.iter().find(|(found, _, _)| found == name);
        let (_, unit, value) = value.unwrap_or_else(|| panic!("{}: no {name}", vector.case));
        assert!(agrees(value, unit, expected), "{}: {value:?} is not {expected}", vector.case);
    }
}

/// bthome.io, "Format" and "Encryption".
#[test]
fn the_vectors_of_bthome_come_out() {
    let vectors = vectors::of("bthome", "bthome-v2");
    assert_eq!(vectors.len(), 37);
    for vector in vectors {
        let (case, bytes) = (&vector.case, vector.input());
        let key = &vector.context["bind_key_hex"];
        let options = if key.is_null() {
            json!({})
        } else {
            json!({ "key": key, "address": vector.context["address"] })
        };
        let mut bench = Bench::new(options.clone(), json!({}));
        if let Some(previous) = vector.context["previous_packet_hex"].as_str() {
            bench.hex(previous);
        }
        let said = bench.receive(&bytes);
        let complaints: Vec<&String> = said.iter().filter(|s| s.starts_with('!')).collect();
        match vector.outcome() {
            "ignored" => assert_eq!(said, [""; 0], "{case}"),
            "ok" | "partial" => {
                let wanted = &vector.expected[if vector.is_ok() { "warning" } else { "error" }];
                match wanted.as_str() {
                    Some(text) => assert!(complaints[0].contains(text), "{case}: {said:?}"),
                    None => assert_eq!(complaints, [""; 0], "{case}"),
                }
                match key.as_str() {
                    None => check_values(&vector, &bytes[1..]),
                    Some(_) => {
                        let opener = opener(&options);
                        check_values(&vector, &opener.open(bytes[0], &bytes[1..]).unwrap().objects);
                    }
                }
            }
            _ => assert!(complaints[0].contains(&vector.error()), "{case}: {said:?}"),
        }
    }
}

fn opener(options: &Json) -> Opener {
    let key = serde_json::from_value(options["key"].clone()).unwrap();
    let address = vectors::bytes(&options["address"].as_str().unwrap().replace(':', ""));
    Opener::new(&key, address.try_into().unwrap())
}

#[test]
fn objects_are_fields_by_name_and_position() {
    let mut bench = Bench::new(
        json!({}),
        json!({
            "voltage_2": { "quantity": "cell_voltage_1_volt" },
            "current": { "quantity": "current_ampere", "sign": "discharging-positive" },
        }),
    );
    let both = "40".to_owned() + "02ca09" + "0218fc" + "0c803f" + "0c9010" + "4310d7";
    assert_eq!(
        bench.hex(&both),
        ["temperature_t1_celsius+temperature_t2_celsius+voltage_volt+cell_voltage_1_volt\
          +current_ampere [25.06, -10.0, 16.256, 4.24, -55.056]"]
    );
    // A third voltage is nobody's.
    assert_eq!(
        bench.hex("400c803f0c90100c9010"),
        ["voltage_volt+cell_voltage_1_volt [16.256, 4.24]"]
    );
    assert_eq!(bench.hex("404d12138a14"), ["energy_counter_wh [344593170.0]"]);
    assert_eq!(bench.hex("400c803f505d396164"), ["voltage_volt [16.256] at 1684093277000000"]);
    let identity = "identity type 1, firmware 4.2.1.0";
    assert_eq!(bench.hex("400c803ff00100f100010204"), [identity, "voltage_volt [16.256]"]);
    assert_eq!(bench.hex("400c803ff00100f100010204"), ["voltage_volt [16.256]"]);
}

#[test]
fn a_packet_counts_once_and_what_cannot_be_read_ends_it() {
    let mut bench = Bench::new(json!({}), json!({}));
    assert_eq!(bench.hex("4000090c803f"), ["voltage_volt [16.256]"]);
    assert_eq!(bench.hex("4000090c803f"), [""; 0]);
    assert_eq!(bench.hex("4000080c803f"), ["voltage_volt [16.256]"]);
    assert_eq!(bench.hex("400c803f"), ["voltage_volt [16.256]"]);
    assert_eq!(bench.hex("400c803f"), ["voltage_volt [16.256]"]);
    assert_eq!(
        bench.hex("40000a0c803fee015df0d8"),
        [
            "voltage_volt [16.256]",
            "!not_mine unknown object id 0xEE in `00 0a 0c 80 3f ee 01 5d f0 d8`"
        ]
    );
    bench.give(Input::Opened { record: false });
    assert_eq!(bench.hex("40000a0c803f"), ["voltage_volt [16.256]"]);
    // Text, raw data and commands are stepped over by their length.
    assert_eq!(bench.hex("403b6201ffff5303616263540101"), [""; 0]);
    assert_eq!(bench.hex("40530261625df0d8"), ["current_ampere [-10.0]"]);
    assert!(bench.hex("405304616243")[0].contains("truncated object 0x53"));
}

#[test]
fn counters_must_grow_and_only_proven_ones_count() {
    let options = json!({ "key": KEY, "address": ADDRESS });
    let opener = opener(&options);
    let mut bench = Bench::new(options, json!({}));
    let packet = |counter| opener.seal(0x41, counter, &vectors::bytes("0c803f"));
    let voltage = ["voltage_volt [16.256]"];
    assert_eq!(bench.receive(&packet(7)), voltage);
    assert_eq!(bench.receive(&packet(7)), [""; 0]);
    assert_eq!(bench.receive(&packet(8)), voltage);
    let mut forged = packet(4_000_000_000);
    *forged.last_mut().unwrap() ^= 1;
    assert!(bench.receive(&forged)[0].starts_with("!bad_check authentication failed"));
    let back = bench.receive(&packet(7));
    assert!(back[0].starts_with("!implausible the counter went from 8 back to 7"), "{back:?}");
    assert!(bench.hex("400c803f")[0].contains("encryption downgrade refused"));
    assert_eq!(bench.receive(&packet(9)), voltage);
    let mut taken_up = Bench::new(json!({ "key": KEY, "address": ADDRESS }), json!({}));
    taken_up.0.restore(&bench.0.snapshot()).unwrap();
    assert!(taken_up.receive(&packet(8))[0].contains("back to 8"));
    bench.give(Input::Opened { record: false });
    assert_eq!(bench.receive(&packet(1)), voltage);
}

#[test]
fn the_key_is_nowhere_shown() {
    let options = json!({ "key": KEY, "address": ADDRESS });
    let config = config(options.clone(), json!({}));
    let key: super::Options = config.options().unwrap();
    for shown in [format!("{config:?}"), format!("{key:?}")] {
        assert!(shown.contains("not shown") && !shown.to_lowercase().contains("231d"), "{shown}");
    }
    let mut bench = Bench::new(options, json!({}));
    bench.receive(&opener(&json!({ "key": KEY, "address": ADDRESS })).seal(0x41, 1, &[1, 2]));
    assert!(!String::from_utf8_lossy(&bench.0.snapshot()).contains("231d"));
    for wrong in [json!("231d39"), json!(231_399), json!(format!("{KEY}zz")), json!([KEY])] {
        let options = json!({ "key": wrong, "address": ADDRESS });
        let problem = (DESCRIPTOR.build)(&self::config(options, json!({}))).err().unwrap();
        assert_eq!(problem.key, "options.key");
        assert!(!problem.to_string().contains("231"), "{problem}");
    }
}

#[test]
fn what_is_wrong_in_the_options_is_told_with_its_key() {
    let u = |name: &str, quantity: &str| json!({ name: { "quantity": quantity } });
    for (key, part, options, fields) in [
        ("options.adress", "did you mean `address`?", json!({ "adress": ADDRESS }), json!({})),
        ("options.address", "is needed", json!({ "key": KEY }), json!({})),
        ("options.address", "six bytes", json!({ "address": "54:48" }), json!({})),
        ("fields.volts", "did you mean `voltage`?", json!({}), u("volts", "voltage_volt")),
        ("fields.voltage_1", "no object", json!({}), u("voltage_1", "voltage_volt")),
        ("fields.voltage_2", "no unit of current", json!({}), u("voltage_2", "current_ampere")),
        ("fields.voltage_2.channel", "`voltage`", json!({}), u("voltage_2", "voltage_volt")),
    ] {
        let problem = (DESCRIPTOR.build)(&config(options, fields)).err();
        let problem = problem.unwrap_or_else(|| panic!("{key} {part}"));
        assert_eq!(problem.key, key, "{problem}");
        assert!(problem.what.contains(part), "{problem}\nlacks: {part}");
    }
}

#[test]
fn ids_are_there_once_and_in_order() {
    assert!(OBJECTS.is_sorted_by(|a, b| a.id < b.id));
}

#[test]
fn conforms_plain_and_encrypted() {
    let keyed = json!({ "key": KEY, "address": ADDRESS });
    let opener = opener(&keyed);
    let objects = |i: u8| [0, i, 0x0C, 0x80 + i, 0x3F, 0x5D, 0xF0 + i, 0xD8].to_vec();
    type Packet<'a> = &'a dyn Fn(u8) -> Vec<u8>;
    let plain: Packet<'_> = &|i| [&[0x40][..], &objects(i)].concat();
    let sealed: Packet<'_> = &|i| opener.seal(0x41, i.into(), &objects(i));
    for (options, packet) in [(json!({}), plain), (keyed.clone(), sealed)] {
        let mut recording = vec![(0, Event::Opened { record: false })];
        for i in 0..12 {
            let t_us = i64::from(i) * 1_000_000;
            recording.push((t_us, Event::Notified(0, packet(i))));
        }
        check(&Case {
            descriptor: &DESCRIPTOR,
            config: config(options, json!({})),
            recording,
            frame_end: b"",
            lost_at_most: 1,
            polled: true,
        });
    }
}

proptest! {
    #[test]
    fn whatever_is_sealed_opens_again_and_nothing_else_does(
        objects in proptest::collection::vec(any::<u8>(), 0..60),
        counter in any::<u32>(),
        (at, bit) in (0usize..80, 0u8..8),
    ) {
        let opener = opener(&json!({ "key": KEY, "address": ADDRESS }));
        let mut sealed = opener.seal(0x41, counter, &objects);
        let opened = opener.open(sealed[0], &sealed[1..]).unwrap();
        prop_assert_eq!((opened.counter, opened.objects), (counter, objects));
        let at = at % sealed.len();
        sealed[at] ^= 1 << bit;
        prop_assert!(opener.open(sealed[0], &sealed[1..]).is_err());
    }

    #[test]
    fn reading_ends_whatever_is_sent(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let mut count = 0;
        let _ = objects::read(&bytes, |_, _| count += 1);
        prop_assert!(count <= bytes.len());
        Bench::new(json!({}), json!({})).receive(&[&[0x40][..], &bytes].concat());
    }
}
