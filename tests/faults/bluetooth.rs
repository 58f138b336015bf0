//! Bluetooth, against a service that is played on a bus of the test's own: found,
//! recorded, lost in every way that is known, and back each time. The ways of
//! losing it were seen with BlueZ 5.66.

use std::time::Duration;

use ampledger_types::Quantity;
use ampledger_types::api::{SourceState, SourceStatus};
use serde_json::{Value, json};

use crate::export::table;
use crate::peers::{Bluetooth, Cable, line};
use crate::util::{Bench, Daemon, sources};

const ADDRESS: &str = "C0:00:00:00:00:01";

/// The clamp, with a voltage of 1/64 V a count and a current of 10 mA a count.
fn clamp() -> Value {
    let counter = |uuid: &str, period_ms: u64| json!({ "uuid": uuid, "flags": ["read", "notify"], "period_ms": period_ms, "bytes": 2 });
    json!([{ "address": ADDRESS, "name": "clamp", "services": [
        { "uuid": "1815", "characteristics": [counter("2b18", 20), counter("2aee", 20)] }
    ]}])
}

/// A daemon that sees the bus.
fn daemon(bench: &Bench, bluetooth: &Bluetooth) -> Daemon {
    let mut command = bench.daemon_command();
    command.env("DBUS_SYSTEM_BUS_ADDRESS", bluetooth.address());
    Daemon::start(command, &bench.path("."), bench.api())
}

/// A bench whose clamp is recorded; `None` where this machine has no bus.
fn recording(more: &str) -> Option<(Bench, Bluetooth, Daemon)> {
    let bench = Bench::new(&sources::clamp("clamp", more));
    let bluetooth = Bluetooth::start(&bench, clamp())?;
    let daemon = daemon(&bench, &bluetooth);
    daemon.until_samples("clamp", 10);
    Some((bench, bluetooth, daemon))
}

fn is_lost(source: &SourceStatus, lost: u64) -> bool {
    source.counters.lost >= lost && source.state == SourceState::Dark
}

/// Waits until it has given more samples than until now.
#[track_caller]
fn until_it_gives_more(daemon: &Daemon, name: &str) {
    let before = daemon.source(name).counters.samples;
    daemon.until_samples(name, before + 10);
}

fn tell(bluetooth: &Bluetooth, what: &str, on: bool) -> Value {
    bluetooth.tell(&json!({ "do": what, "device": ADDRESS, "on": on }))
}

#[test]
fn an_instrument_is_found_by_name_and_every_value_is_recorded_once() {
    let Some((bench, bluetooth, daemon)) = recording("") else { return };
    bench.ampledger("start --pack TUG-3").good();
    daemon.until_samples("clamp", daemon.source("clamp").counters.samples + 200);
    let live = daemon.source("clamp");
    assert_eq!(live.state, SourceState::Live);
    assert!(live.latest.iter().any(|r| r.quantity == Quantity::Current && r.value <= 0.0));
    bench.ampledger("stop").good();
    let file = bench.path("clamp.bdf.csv");
    let path = file.to_str().expect("a path");
    bench.ampledger_with(&["export", "last", "--format", "bdf-csv", "--output", path]).good();
    let volts = table(file).into_iter().map(|row| row["Voltage / V"]);
    // The other rows are those of the current.
    let counts: Vec<u64> = volts.filter(|v| v.is_finite()).map(|v| (v * 64.0) as u64).collect();
    let first = counts.first().copied().expect("readings");
    assert!(counts.len() >= 90, "{counts:?}");
    let expected: Vec<u64> = (first..first + counts.len() as u64).collect();
    assert_eq!(counts, expected, "each once, in order");
    let sent = bluetooth.sent("2b18");
    assert!(counts.iter().all(|count| sent.contains(count)), "{counts:?} of {sent:?}");
}

#[test]
fn an_orderly_stop_leaves_the_instrument_free() {
    let Some((_bench, bluetooth, daemon)) = recording("") else { return };
    assert_ne!(bluetooth.state()["connected"], json!([]));
    assert!(daemon.stop().success());
    let left = bluetooth.state();
    assert_eq!((&left["connected"], &left["clients"]), (&json!([]), &json!([])));
}

#[test]
fn a_dropped_link_comes_back_and_leaves_markers() {
    let Some((bench, bluetooth, daemon)) = recording("") else { return };
    bench.ampledger("start --pack TUG-3").good();
    tell(&bluetooth, "hide", true);
    let gone = daemon.until("it is lost", "clamp", |s| is_lost(s, 1));
    assert!(gone.counters.last_trouble.is_some(), "{gone:?}");
    tell(&bluetooth, "hide", false);
    daemon.until_opened("clamp", 2);
    until_it_gives_more(&daemon, "clamp");
    bench.ampledger("stop").good();
    let shown = bench.ampledger("show last --json").json();
    let markers = shown["markers"].as_array().expect("markers");
    let of = |kind: &str| markers.iter().filter(|m| m["kind"] == json!(kind)).count();
    assert_eq!((of("source_lost"), of("source_opened")), (1, 1), "{markers:#?}");
    let log = daemon.log();
    assert!(log.contains("open again after"), "told as loud as the loss: {log}");
}

#[test]
fn an_adapter_that_is_switched_off_is_left_off_and_waited_for() {
    let Some((_bench, bluetooth, daemon)) = recording("") else { return };
    tell(&bluetooth, "power", false);
    let off = daemon.until("three tries in vain", "clamp", |s| s.counters.not_opened >= 3);
    assert!(off.reason.as_ref().is_some_and(|why| why.contains("switched off")), "{off:?}");
    assert_eq!(bluetooth.state()["powered"], json!(false), "nobody switched it on");
    tell(&bluetooth, "power", true);
    until_it_gives_more(&daemon, "clamp");
}

#[test]
fn an_adapter_that_is_unplugged_is_waited_for() {
    let Some((_bench, bluetooth, daemon)) = recording("") else { return };
    tell(&bluetooth, "adapter", false);
    daemon.until("no adapter", "clamp", |s| {
        s.reason.as_deref().is_some_and(|why| why.contains("no Bluetooth adapter"))
    });
    tell(&bluetooth, "adapter", true);
    until_it_gives_more(&daemon, "clamp");
}

#[test]
fn a_bluetooth_service_that_is_killed_and_begun_again_is_found_again() {
    let Some((_bench, bluetooth, daemon)) = recording("") else { return };
    bluetooth.end_service();
    daemon.until("the service is missed", "clamp", |s| {
        s.reason.as_deref().is_some_and(|why| why.contains("systemctl start bluetooth"))
    });
    bluetooth.begin_service();
    until_it_gives_more(&daemon, "clamp");
}

#[test]
fn a_bus_that_is_lost_is_found_again_without_a_restart() {
    let Some((bench, bluetooth, daemon)) = recording("") else { return };
    bluetooth.end_bus();
    daemon.until("the bus is missed", "clamp", |s| is_lost(s, 1) && s.counters.not_opened >= 1);
    bluetooth.begin_bus();
    bluetooth.begin_service();
    until_it_gives_more(&daemon, "clamp");
    assert!(bench.ampledger("status").good().out().contains("clamp"));
    assert!(daemon.stop().success());
}

#[test]
fn an_instrument_that_is_connected_but_mute_is_connected_anew() {
    let Some((_bench, bluetooth, daemon)) = recording("stall_second = 1.0") else { return };
    tell(&bluetooth, "silence", true);
    daemon.until("the silence is noticed", "clamp", |s| {
        let why = s.counters.last_trouble.as_deref().unwrap_or_default();
        why.contains("connected, but nothing comes")
    });
    daemon.until_opened("clamp", 2);
    tell(&bluetooth, "silence", false);
    until_it_gives_more(&daemon, "clamp");
}

#[test]
fn a_bluetooth_service_that_hangs_holds_up_no_other_source() {
    let text = sources::clamp("clamp", "") + &sources::lines("bench-shunt");
    let bench = Bench::new(&text);
    let Some(bluetooth) = Bluetooth::start(&bench, clamp()) else { return };
    bluetooth.tell(&json!({ "do": "hang", "method": "GetManagedObjects", "on": true }));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = daemon(&bench, &bluetooth);
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    daemon.until("the hang is told", "clamp", |s| {
        cable.send(line(26.4, -12.1).as_bytes());
        s.reason.as_deref().is_some_and(|why| why.contains("no answer within"))
    });
    assert_eq!(daemon.source("bench-shunt").state, SourceState::Live);
    bluetooth.tell(&json!({ "do": "hang", "method": "GetManagedObjects", "on": false }));
    until_it_gives_more(&daemon, "clamp");
}

#[test]
fn a_refusal_is_tried_again_and_says_what_to_do() {
    let bench = Bench::new(&sources::clamp("clamp", ""));
    let Some(bluetooth) = Bluetooth::start(&bench, clamp()) else { return };
    let refusal = json!({ "do": "fail", "method": "StartNotify", "times": 2,
        "name": "org.bluez.Error.NotPermitted", "text": "Insufficient Authentication" });
    bluetooth.tell(&refusal);
    let daemon = daemon(&bench, &bluetooth);
    daemon.until("it is refused twice", "clamp", |s| s.counters.not_opened >= 2);
    let told = daemon.source("clamp").counters.last_trouble.unwrap_or_default();
    assert!(told.contains("bluetoothctl pair"), "{told}");
    until_it_gives_more(&daemon, "clamp");
}

#[test]
fn a_hundred_reconnects_leave_nothing_behind() {
    let Some((_bench, bluetooth, daemon)) = recording("") else { return };
    let before = holds(&daemon);
    for done in 1..=100 {
        tell(&bluetooth, "drop", true);
        daemon.until_opened("clamp", done + 1);
        // Two characteristics at 50 Hz: it stays for more than half a second, so
        // that the next try is soon.
        daemon.until_samples("clamp", daemon.source("clamp").counters.samples + 60);
    }
    until_it_gives_more(&daemon, "clamp");
    // Three more are no leak: requests that are being answered, a file that is
    // read. One left behind by each reconnect would be a hundred.
    daemon.until("as little is held as before", "clamp", |_| {
        let after = holds(&daemon);
        after.files <= before.files + 3 && after.threads <= before.threads + 3
    });
    let clients = bluetooth.state()["clients"].as_array().map(Vec::len);
    assert_eq!(clients, Some(1), "one connection to the bus is left");
    let grown = holds(&daemon).resident_kib.saturating_sub(before.resident_kib);
    assert!(grown < 8 * 1024, "{grown} KiB more than before");
}

/// What the daemon holds of the system: proc(5).
#[derive(Debug)]
struct Holds {
    files: usize,
    threads: usize,
    resident_kib: u64,
}

fn holds(daemon: &Daemon) -> Holds {
    let count = |name: &str| {
        let folder = format!("/proc/{}/{name}", daemon.id());
        std::fs::read_dir(folder).expect("the daemon's process").count()
    };
    Holds { files: count("fd"), threads: count("task"), resident_kib: daemon.resident_kib() }
}

#[test]
fn what_an_instrument_broadcasts_is_recorded_without_a_connection() {
    let source = format!(
        "
[sources.clamp]
decoder = \"bthome\"
[sources.clamp.ble]
address = \"{}\"
advertisements = true
",
        ADDRESS.to_lowercase()
    );
    let bench = Bench::new(&source);
    let device = json!([{ "address": ADDRESS, "name": "clamp" }]);
    let Some(bluetooth) = Bluetooth::start(&bench, device) else { return };
    let daemon = daemon(&bench, &bluetooth);
    daemon.until_opened("clamp", 1);
    let mut id = 0u8;
    let advertise = |id: u8| {
        // BTHome v2: packet id, then voltage in mV: 16.256 V.
        let data = format!("4000{id:02x}0c803f");
        bluetooth.tell(&json!({ "do": "advertise", "device": ADDRESS,
            "service_data": { "fcd2": data } }));
    };
    let heard = daemon.until("ten packets are recorded", "clamp", |s| {
        advertise(id);
        id = id.wrapping_add(1);
        s.counters.samples >= 10
    });
    assert_eq!(heard.latest.first().map(|r| r.value), Some(16.256));
    assert_eq!(bluetooth.state()["connected"], json!([]));
}

#[test]
fn a_characteristic_is_read_again_and_again() {
    let more = "notify = [\"2aee\"]\nread = [{ characteristic = \"2b18\", every_ms = 50 }]";
    let Some((_bench, bluetooth, daemon)) = recording(more) else { return };
    daemon.until("it is read twenty times", "clamp", |_| {
        bluetooth.state()["calls"]["ReadValue"].as_u64() >= Some(20)
    });
    let quantities: Vec<Quantity> =
        daemon.source("clamp").latest.iter().map(|r| r.quantity).collect();
    assert!(quantities.contains(&Quantity::Voltage), "{quantities:?}");
    assert!(quantities.contains(&Quantity::Current), "{quantities:?}");
}

#[test]
fn an_instrument_that_is_asked_answers_over_the_radio() {
    let (ask, answer) =
        ("7d9a2c10-5b7e-4c55-9d2e-1f0a63c4b801", "7d9a2c10-5b7e-4c55-9d2e-1f0a63c4b802");
    let serial = "[sources.load.serial]\npath = \"DIR/load\"\nbaud = 9600\n";
    let ble = format!(
        "[sources.load.ble]\nname = \"load\"\nnotify = [\"{answer}\"]\nwrite = [\"{ask}\"]\n"
    );
    let bench = Bench::new(&sources::scpi("load").replace(serial, &ble));
    let device = json!([{ "address": ADDRESS, "name": "load", "services": [
        { "uuid": "7d9a2c10-5b7e-4c55-9d2e-1f0a63c4b800", "characteristics": [
            { "uuid": ask, "flags": ["write"], "answers_on": answer, "answers": {
                "*IDN?": "Yard,Load,1207,1", "MEAS:VOLT?": "26.4", "MEAS:CURR?": "-12.1" } },
            { "uuid": answer, "flags": ["notify"], "period_ms": 3_600_000 }] }] }]);
    let Some(bluetooth) = Bluetooth::start(&bench, device) else { return };
    let daemon = daemon(&bench, &bluetooth);
    daemon.until_samples("load", 10);
    let load = daemon.source("load");
    assert_eq!(load.identity.as_deref(), Some("Yard,Load,1207,1"));
    assert!(load.latest.iter().any(|r| r.quantity == Quantity::Voltage && r.value == 26.4));
}

#[test]
fn the_adapter_is_the_one_that_is_named_by_its_name_or_its_address() {
    let here = sources::clamp("clamp", "adapter = \"00:aa:01:00:00:42\"");
    let there = sources::clamp("other", "adapter = \"hci1\"");
    let bench = Bench::new(&(here + &there.replace("name = \"other\"", "name = \"clamp\"")));
    let Some(bluetooth) = Bluetooth::start(&bench, clamp()) else { return };
    bluetooth.tell(&json!({ "do": "second_adapter" }));
    let daemon = daemon(&bench, &bluetooth);
    daemon.until_samples("clamp", 10);
    daemon.until("the other one is off", "other", |s| {
        s.reason.as_deref().is_some_and(|why| why.contains("the adapter hci1 is switched off"))
    });
    assert_eq!(daemon.source("other").counters.opened, 0);
}

#[test]
fn another_adapter_or_characteristic_than_there_is_is_told_with_what_there_is() {
    let text = sources::clamp("clamp", "adapter = \"hci7\"")
        + &sources::clamp("load", "notify = [\"2a6e\"]").replace("\"load\"", "\"clamp\"");
    let text = text.replace(
        "[sources.load.options]\ncharacteristics = [\"2b18\", \"2aee\"]",
        "[sources.load.options]\ncharacteristics = [\"2b18\", \"2aee\", \"2a6e\"]",
    );
    let bench = Bench::new(&text);
    let Some(bluetooth) = Bluetooth::start(&bench, clamp()) else { return };
    let daemon = daemon(&bench, &bluetooth);
    let told = |name: &str| {
        let source = daemon.until("it is told", name, |s| s.counters.last_trouble.is_some());
        source.counters.last_trouble.unwrap_or_default()
    };
    let adapter = told("clamp");
    assert!(adapter.contains("hci7") && adapter.contains("hci0"), "{adapter}");
    let characteristic = told("load");
    assert!(characteristic.contains("00002a6e-") && characteristic.contains("00002b18-"));
    let again = daemon.until("and tried again", "load", |s| s.counters.not_opened >= 2);
    assert!(again.retry_in_second.is_some_and(|s| Duration::from_secs_f64(s).as_secs() < 10));
}
