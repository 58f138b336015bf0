//! Switching off: only that, once, and only where somebody armed it.

use std::sync::{Arc, Mutex};

use ampledger_types::alarm::{AlarmState, LimitStanding};

use super::{TELL, limit, pack_low, program, told, until_standing};
use crate::peers::{Cable, Manners, Scpi};
use crate::util::{Bench, sources, until};
use crate::yard::Yard;

const LOAD_OFF: &str = "\n[actions.load-off]\nswitch = { source = \"load\", scpi = \"INP OFF\" }\n";

/// The meter, the load and a limit that switches it off.
fn with_load(more: &str) -> (Yard, Scpi, Cable) {
    let limits = pack_low("\"load-off\"", more) + LOAD_OFF + &sources::scpi("load");
    let bench = Bench::new(&(sources::lines("bench-shunt") + &limits));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let line = Cable::plugged(bench.path("load"));
    let load = Scpi::start(&line, Manners::default());
    let daemon = bench.daemon();
    daemon.until_samples("load", 2);
    (Yard::of(bench, daemon, cable), load, line)
}

#[test]
fn an_instrument_is_switched_off_once_and_only_where_somebody_armed_it() {
    let (mut yard, load, _line) = with_load("");
    yard.read(25.0, -12.0);
    assert_eq!(limit(&yard.bench, "pack-low").armed, Some(false), "nothing is armed at the start");
    yard.read(19.9, -12.0);
    until_standing(&yard, "pack-low", LimitStanding::Passed);
    let refused = yard.bench.ampledger("limits arm pack-low").fails_with(4);
    assert!(refused.err().contains("passed now"), "{}", refused.err());
    yard.read(25.0, -12.0);
    until_standing(&yard, "pack-low", LimitStanding::Within);
    assert_eq!(load.told(), [""; 0], "not armed");
    yard.bench.ampledger("limits arm").good();
    assert_eq!(limit(&yard.bench, "pack-low").armed, Some(true));
    yard.read(19.9, -12.0);
    until("the load is told", || (!load.told().is_empty()).then_some(()));
    until("it is not armed any more", || {
        (limit(&yard.bench, "pack-low").armed == Some(false)).then_some(())
    });
    yard.read(25.0, -12.0);
    yard.read(19.9, -12.0);
    until_standing(&yard, "pack-low", LimitStanding::Passed);
    assert_eq!(load.told(), ["INP OFF"], "once, and never on again");
}

#[test]
fn what_is_armed_is_not_armed_any_more_after_a_restart() {
    let (mut yard, load, _line) = with_load("");
    yard.read(25.0, -12.0);
    yard.bench.ampledger("limits arm pack-low").good();
    let yard = yard.restart(1.0);
    yard.daemon.until_samples("load", 2);
    assert_eq!(limit(&yard.bench, "pack-low").armed, Some(false));
    assert_eq!(load.told(), [""; 0]);
}

#[test]
fn a_configuration_read_again_sets_limits_anew_and_leaves_none_armed() {
    let (mut yard, _load, _line) = with_load("");
    yard.read(25.0, -12.0);
    yard.bench.ampledger("limits arm pack-low").good();
    yard.bench.ampledger("reload").good();
    assert_eq!(limit(&yard.bench, "pack-low").armed, Some(false), "though nothing changed");
    let config = std::fs::read_to_string(yard.bench.config()).expect("the configuration");
    let higher = config.replace("volt = 20.0", "volt = 26.0");
    yard.bench.write("ampledger.toml", higher.as_bytes());
    let told = yard.bench.ampledger("reload");
    assert!(told.out().contains("Limits set anew, none is armed: pack-low"), "{}", told.out());
    assert_eq!(until_standing(&yard, "pack-low", LimitStanding::Passed).bound, Some(26.0));
    // One that is wrong now is watched as it was.
    yard.bench.write("ampledger.toml", higher.replace("volt = 26.0", "volt = true").as_bytes());
    let told = yard.bench.ampledger("reload");
    assert!(told.out().contains("limits.pack-low"), "{}", told.out());
    assert_eq!(limit(&yard.bench, "pack-low").bound, Some(26.0));
}

#[test]
fn a_coil_is_cleared_and_its_echo_makes_it_done() {
    let meter = "
[sources.relay]
decoder = \"modbus-rtu\"
[sources.relay.serial]
path = \"DIR/relay\"
[[sources.relay.options.units]]
address = 1
every_ms = 50
registers = [{ field = \"U\", address = 0, function = 4, type = \"u16\" }]
[sources.relay.fields]
U = { quantity = \"voltage_volt\", scale = 0.1 }
[actions.relay-off]
switch = { source = \"relay\", coil = 3 }
";
    let bench =
        Bench::new(&(sources::lines("bench-shunt") + &pack_low("\"relay-off\"", "") + meter));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let relay = Cable::plugged(bench.path("relay"));
    let (coils, stop) = (Arc::new(Mutex::new(Vec::new())), Arc::new(Mutex::new(false)));
    let (for_thread, until_stop, port) = (Arc::clone(&coils), Arc::clone(&stop), relay.clone());
    let thread = std::thread::spawn(move || relay_unit(&port, &for_thread, &until_stop));
    let daemon = bench.daemon();
    daemon.until_samples("relay", 2);
    let mut yard = Yard::of(bench, daemon, cable);
    yard.read(25.0, -12.0);
    yard.bench.ampledger("limits arm pack-low").good();
    yard.read(19.9, -12.0);
    let done = until("the coil is written", || {
        limit(&yard.bench, "pack-low").actions.into_iter().find(|action| action.done == 1)
    });
    assert_eq!(done.failed, 0);
    // Write Single Coil, output 3 off (Modbus Application Protocol V1.1b3, 6.5).
    assert_eq!(*coils.lock().expect("the list"), [vec![1, 5, 0, 3, 0, 0]]);
    *stop.lock().expect("the flag") = true;
    thread.join().expect("the unit");
}

/// A unit with one input register; coils that are written are noted and echoed.
fn relay_unit(port: &Cable, coils: &Mutex<Vec<Vec<u8>>>, stop: &Mutex<bool>) {
    let mut heard: Vec<u8> = Vec::new();
    while !*stop.lock().expect("the flag") {
        heard.extend(port.receive());
        // Both requests have 8 bytes.
        while heard.len() >= 8 {
            let frame: Vec<u8> = heard.drain(..8).collect();
            let answer = match frame[1] {
                5 => {
                    coils.lock().expect("the list").push(frame[..6].to_vec());
                    frame[..6].to_vec()
                }
                _ => vec![1, 4, 2, 0, 250],
            };
            let sum = crc(&answer).to_le_bytes();
            port.send(&[answer, sum.to_vec()].concat());
        }
    }
}

/// CRC-16 as in the Modbus over Serial Line guide V1.02, 6.2.2.
fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xffff, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| {
            if crc & 1 == 1 { (crc >> 1) ^ 0xa001 } else { crc >> 1 }
        })
    })
}

#[test]
fn the_actions_of_a_limit_can_be_tried() {
    let (yard, load, _line) = with_load("");
    let config = std::fs::read_to_string(yard.bench.config()).expect("the configuration");
    drop(yard.daemon);
    let both = config.replace("[\"load-off\"]", "[\"load-off\", \"tell\"]") + TELL;
    let both = both.replace("DIR", &yard.bench.path("").display().to_string());
    yard.bench.write("ampledger.toml", both.as_bytes());
    program(&yard.bench, "");
    let daemon = yard.bench.daemon();
    daemon.until_samples("load", 2);
    let tried = yard.bench.ampledger("limits test pack-low");
    assert!(tried.out().contains("load-off (switch): left alone"), "{}", tried.out());
    let alarms = told(&yard.bench);
    assert_eq!(alarms.len(), 1);
    assert_eq!(alarms[0].state, AlarmState::Test);
    assert_eq!(alarms[0].sentence, "This is a test of pack-low; nothing is wrong.");
    assert_eq!(load.told(), [""; 0]);
    yard.bench.ampledger("limits test pack-low --switch").fails_with(4);
    assert_eq!(load.told(), [""; 0], "not armed");
    yard.bench.ampledger("limits arm pack-low").good();
    yard.bench.ampledger("limits test pack-low --switch").good();
    until("the load is told", || (load.told() == ["INP OFF"]).then_some(()));
}
