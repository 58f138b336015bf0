//! Encodings, held against decoders that nobody here wrote: BTHome v2 against
//! PyPI `bthome-ble`, which seals its packets with PyPI `cryptography`.

use std::collections::BTreeMap;

use ampledger_decoders::{Driver, Input, Output, builtin};
use serde::Deserialize;
use serde_json::json;

use crate::util::{Python, script};

const KEY: &str = "231d39c1d7cc1ab1aee224cd096db932";
const ADDRESS: &str = "54:48:E6:8F:80:A5";

/// A packet with what the other decoder reads.
#[derive(Deserialize)]
struct Packet {
    data: String,
    sealed: bool,
    values: BTreeMap<String, f64>,
}

/// Name there, channel here, how many of our unit make one of theirs, and what
/// the other decoder may have rounded away.
const SAME: [(&str, &str, f64, f64); 6] = [
    ("battery", "state_of_charge_percent", 1.0, 1e-9),
    // It rounds steps of 0.35 °C to 0.1 °C.
    ("temperature", "temperature_t1_celsius", 1.0, 0.0501),
    ("energy", "energy_counter_wh", 1000.0, 1e-6),
    ("power", "power_watt", 1.0, 1e-6),
    ("voltage", "voltage_volt", 1.0, 1e-9),
    ("current", "current_ampere", 1.0, 1e-9),
];

fn bytes(hex: &str) -> Vec<u8> {
    let digits = (0..hex.len()).step_by(2).map(|at| &hex[at..at + 2]);
    digits.map(|two| u8::from_str_radix(two, 16).expect("hexadecimal")).collect()
}

fn driver(sealed: bool) -> Driver {
    let options = if sealed { json!({ "key": KEY, "address": ADDRESS }) } else { json!({}) };
    let config = serde_json::from_value(json!({ "options": options })).expect("a configuration");
    let descriptor = builtin::find("bthome").expect("the decoder");
    Driver::new((descriptor.build)(&config).expect("the decoder takes it"))
}

/// Values by channel; anything but one sample fails.
#[track_caller]
fn read(driver: &mut Driver, data: &[u8]) -> BTreeMap<String, f64> {
    let said: Vec<Output> =
        driver.give(0, Input::Received { endpoint: 0, bytes: data }).1.collect();
    let [Output::Sample(sample)] = &said[..] else { panic!("{data:02x?}: {said:?}") };
    let names = sample.group.channels.iter().map(|channel| channel.name.clone());
    names.zip(sample.values.iter().copied()).collect()
}

#[test]
fn bthome_packets_are_read_as_bthome_ble_reads_them() {
    let Some(python) = Python::Readers.interpreter() else { return };
    let text = script(&python, "bthome_packets.py", &[KEY, ADDRESS]);
    let packets: Vec<Packet> =
        text.lines().map(|line| serde_json::from_str(line).expect(line)).collect();
    assert_eq!(packets.len(), 400);
    let (mut plain, mut sealed) = (driver(false), driver(true));
    let mut compared = 0;
    for packet in packets {
        let driver = if packet.sealed { &mut sealed } else { &mut plain };
        let ours = read(driver, &bytes(&packet.data));
        let mut known = 0;
        for (name, channel, times, tolerance) in SAME {
            let theirs = packet.values.get(name).map(|value| value * times);
            match (ours.get(channel), theirs) {
                (None, None) => {}
                (Some(ours), Some(theirs)) if (ours - theirs).abs() <= tolerance * times => {
                    known += 1;
                }
                other => panic!("{}: {name}: {other:?}", packet.data),
            }
        }
        assert_eq!(ours.len(), known, "{}", packet.data);
        compared += known;
    }
    assert!(compared > 1000, "only {compared} values were compared");
}
