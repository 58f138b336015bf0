//! Faults on the wire: what arrives is not what should arrive. A fault costs
//! the line it fell into, is counted, and nothing else.

use std::time::Duration;

use crate::peers::{Cable, Sensor, line};
use crate::util::{Bench, Daemon, sources};

const PACE: Duration = Duration::from_millis(10);

/// A bench with one meter that has printed three good lines.
fn bench() -> (Bench, Cable, Daemon) {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    cable.send(line(26.4, -12.1).repeat(3).as_bytes());
    daemon.until_samples("bench-shunt", 3);
    (bench, cable, daemon)
}

/// All complaints of the meter so far.
fn complaints(daemon: &Daemon) -> u64 {
    daemon.source("bench-shunt").counters.complaints.values().sum()
}

#[test]
fn rubbish_costs_its_own_line_and_is_counted() {
    let (_bench, cable, daemon) = bench();
    let before = daemon.source("bench-shunt").counters;
    cable.send(b"\x00\xff\xfe\x80#~\x1b[2J\r\n");
    cable.send(line(26.3, -12.0).as_bytes());
    daemon.until_samples("bench-shunt", before.samples + 1);
    let after = daemon.source("bench-shunt");
    assert_eq!(after.counters.samples, before.samples + 1);
    assert!(after.counters.bytes_skipped > before.bytes_skipped, "{after:?}");
    assert!(complaints(&daemon) > before.complaints.values().sum(), "{after:?}");
    assert_eq!(after.counters.opened, 1, "rubbish is no reason to open the line again");
}

#[test]
fn half_a_line_waits_for_its_other_half() {
    let (_bench, cable, daemon) = bench();
    let whole = line(25.1234, -11.5);
    let (first, second) = whole.split_at(6);
    let before = daemon.source("bench-shunt").counters.bytes;
    cable.send(first.as_bytes());
    daemon.until("the half line has arrived", "bench-shunt", |s| {
        s.counters.bytes == before + first.len() as u64
    });
    assert_eq!(daemon.source("bench-shunt").counters.samples, 3);
    cable.send(second.as_bytes());
    daemon.until_samples("bench-shunt", 4);
    let source = daemon.source("bench-shunt");
    let volt = source.latest.iter().find(|r| r.channel == "voltage_volt").expect("a voltage");
    assert_eq!(volt.value, 25.1234);
    assert_eq!(complaints(&daemon), 0);
}

#[test]
fn a_line_of_ten_megabytes_is_not_held_and_does_not_cost_the_next() {
    let (_bench, cable, daemon) = bench();
    let before = resident_kib(daemon.id());
    let block = vec![b'7'; 1 << 16];
    for _ in 0..160 {
        cable.send(&block);
    }
    cable.send(b"\n");
    cable.send(line(26.2, -12.0).as_bytes());
    daemon.until_samples("bench-shunt", 4);
    let source = daemon.source("bench-shunt");
    assert!(source.counters.bytes >= 160 << 16, "{source:?}");
    assert_eq!(source.counters.samples, 4, "no part of the long line is a sample");
    assert!(complaints(&daemon) > 0, "{source:?}");
    let grown = resident_kib(daemon.id()).saturating_sub(before);
    // The bytes themselves wait for the next write of the record, once; a line
    // that is held as well would make it twice as much.
    assert!(grown < 16 << 10, "ten megabytes on the line cost {grown} KiB of memory");
}

/// Memory of a process, from the kernel (proc(5), `VmRSS`).
fn resident_kib(id: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).expect("the daemon's state");
    let row = status.lines().find_map(|row| row.strip_prefix("VmRSS:")).expect("VmRSS");
    row.split_whitespace().next().and_then(|n| n.parse().ok()).expect("a number")
}

#[test]
fn nan_is_a_missing_value_and_never_a_number() {
    let (bench, cable, daemon) = bench();
    bench.ampledger("start --pack GAL-07").good();
    cable.send(b"U=26.4 I=NaN\nU=nan I=-12.1\nU=NaN I=NaN\nU=inf I=-12.1\n");
    cable.send(line(26.3, -12.0).as_bytes());
    daemon.until("the last good line", "bench-shunt", |s| {
        s.latest.iter().any(|r| r.channel == "voltage_volt" && r.value == 26.3)
    });
    for reading in daemon.source("bench-shunt").latest {
        assert!(reading.value.is_finite(), "{reading:?}");
    }
    daemon.until_recorded(daemon.status().store.newest);
    bench.ampledger("stop").good();
    let shown = bench.ampledger("show last --json").json();
    let anomalies = shown["anomalies"].as_array().expect("anomalies");
    assert!(anomalies.iter().any(|a| a["kind"] == "value_missing"), "{shown:#}");
    let rows = bench.ampledger("export last --output -").good().out();
    let cells = rows.lines().skip(1).flat_map(|row| row.split(','));
    for cell in cells.filter(|cell| !cell.is_empty()) {
        assert!(cell.parse().is_ok_and(f64::is_finite), "`{cell}` in\n{rows}");
    }
}

#[test]
fn a_header_that_changes_in_mid_stream_changes_what_the_columns_are() {
    let bench = Bench::new(
        "
[sources.bench-shunt]
decoder = \"text-lines\"
[sources.bench-shunt.serial]
path = \"DIR/bench-shunt\"
",
    );
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    cable.send(b"Voltage [V],Current [A]\n26.4,-12.1\n26.3,-12.1\n");
    daemon.until_samples("bench-shunt", 2);
    cable.send(b"Current [mA],Voltage [mV],Ambient Temperature [degC]\n-11900,26200,21.5\n");
    daemon.until_samples("bench-shunt", 3);
    let latest = daemon.source("bench-shunt").latest;
    let value = |name: &str| latest.iter().find(|r| r.channel == name).map(|r| r.value);
    assert_eq!(value("current_ampere"), Some(-11.9));
    assert_eq!(value("voltage_volt"), Some(26.2));
    assert_eq!(value("ambient_temperature_celsius"), Some(21.5));
}

#[test]
fn a_meter_that_prints_on_through_rubbish_keeps_every_good_line() {
    let (_bench, cable, daemon) = bench();
    let mut printed = 0_u64;
    let sensor = Sensor::start(&cable, PACE, move |_| {
        printed += 1;
        let rubbish = if printed.is_multiple_of(7) { "?? 12,,=;\n" } else { "" };
        (printed <= 100).then(|| format!("{rubbish}{}", line(26.4, -12.1)))
    });
    sensor.finish();
    daemon.until_samples("bench-shunt", 103);
    assert_eq!(daemon.source("bench-shunt").counters.samples, 103);
    assert!(complaints(&daemon) >= 14);
}
