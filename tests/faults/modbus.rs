//! Modbus RTU against servers that nobody here wrote, over a line that delivers
//! byte by byte, flips bits and is late.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::export::table;
use crate::peers::{Cable, Maker, ModbusServer, Relay, Trouble};
use crate::util::{Bench, Daemon};

/// The instrument's ten registers, in one read; the counter goes where a number
/// of its size fits.
const SOURCE: &str = r#"
[sources.meter]
decoder = "modbus-rtu"
[sources.meter.serial]
path = "DIR/meter"
baud = 115200
[sources.meter.options]
OPTIONS
[[sources.meter.options.units]]
address = 1
every_ms = 20
registers = [
    { field = "U", address = 0, function = 4, type = "f32" },
    { field = "I", address = 2, function = 4, type = "f32" },
    { field = "T1", address = 4, function = 4, type = "u16" },
    { field = "T2", address = 5, function = 4, type = "i16" },
    { field = "count", address = 6, function = 4, type = "u64" },
]
[sources.meter.fields]
U = { quantity = "voltage_volt" }
I = { quantity = "current_ampere", sign = "discharging-positive" }
T1 = { quantity = "temperature_t1_celsius", scale = 0.1 }
T2 = { quantity = "temperature_t2_celsius", scale = 0.1 }
count = { quantity = "frequency_hertz" }
"#;

type Row = BTreeMap<String, f64>;

struct Setup {
    // They go in this order: the line outlasts what is on its ends.
    daemon: Daemon,
    _server: ModbusServer,
    relay: Relay,
    bench: Bench,
}

/// A daemon that records the instrument; `None` where there is none.
fn recording(maker: Maker, options: &str, period: Duration) -> Option<Setup> {
    let bench = Bench::new(&SOURCE.replace("OPTIONS", options));
    let (near, far) = (Cable::plugged(bench.path("meter")), Cable::plugged(bench.path("far")));
    let server = ModbusServer::start(maker, &bench, &bench.path("far"), period)?;
    let relay = Relay::join(&near, &far);
    let daemon = bench.daemon();
    daemon.until_samples("meter", 1);
    bench.ampledger("start --pack GAL-07").good();
    Some(Setup { daemon, _server: server, relay, bench })
}

impl Setup {
    fn samples(&self) -> u64 {
        self.daemon.source("meter").counters.samples
    }

    fn complaints(&self, kind: &str) -> u64 {
        self.daemon.source("meter").counters.complaints.get(kind).copied().unwrap_or(0)
    }

    /// What was recorded of the session.
    fn rows(&self) -> Vec<Row> {
        self.bench.ampledger("stop").good();
        let file = self.bench.path("meter.bdf.csv");
        let path = file.to_str().expect("a path");
        self.bench
            .ampledger_with(&["export", "last", "--format", "bdf-csv", "--output", path])
            .good();
        table(file)
    }
}

/// Every row is one answer of the instrument, whole and untouched: the voltage
/// goes with the counter.
#[track_caller]
fn every_row_is_right(rows: &[Row]) {
    for row in rows {
        assert_eq!(row["Voltage / V"], 12.0 + row["Frequency / Hz"] / 64.0, "{row:?}");
        // It counts a discharge as positive.
        assert_eq!(row["Current / A"], 1.5, "{row:?}");
        assert_eq!(row["Temperature T1 / degC"], 25.3, "{row:?}");
        assert_eq!(row["Temperature T2 / degC"], -4.0, "{row:?}");
    }
}

fn values_are_right_whole_and_split(maker: Maker) {
    let Some(setup) = recording(maker, "", Duration::from_millis(100)) else { return };
    setup.daemon.until_samples("meter", setup.samples() + 20);
    setup.relay.make(Trouble { split: Some(Duration::from_millis(1)), ..Trouble::default() });
    setup.daemon.until_samples("meter", setup.samples() + 20);
    let complaints = setup.daemon.source("meter").counters.complaints;
    assert!(complaints.is_empty(), "{complaints:?}");
    let rows = setup.rows();
    assert!(rows.len() >= 40, "{} rows", rows.len());
    every_row_is_right(&rows);
}

fn flipped_bits_give_no_wrong_value(maker: Maker) {
    let options = "timeout_ms = 150\nlate_ms = 50";
    let Some(setup) = recording(maker, options, Duration::from_millis(100)) else { return };
    setup.relay.make(Trouble { flip_one_in: 100, ..Trouble::default() });
    setup.daemon.until("fifty bits are flipped", "meter", |_| setup.relay.flipped() >= 50);
    setup.daemon.until_samples("meter", setup.samples() + 3);
    assert!(setup.complaints("bad_check") >= 10, "{}", setup.daemon.log());
    let rows = setup.rows();
    assert!(rows.len() >= 20, "{} rows", rows.len());
    every_row_is_right(&rows);
}

/// The instrument's counter says when it read its registers: in 10 ms since its
/// start. A late answer that became a reading would be older than all others.
fn no_late_answer_becomes_a_reading(maker: Maker, late: Duration) {
    let Some(setup) = recording(maker, "", Duration::from_millis(10)) else { return };
    setup.relay.make(Trouble { late_every: 20, late, ..Trouble::default() });
    setup.daemon.until("three answers came late", "meter", |_| setup.relay.late() >= 3);
    setup.daemon.until_samples("meter", setup.samples() + 10);
    assert!(setup.complaints("no_answer") >= 3);
    let rows = setup.rows();
    every_row_is_right(&rows);
    let age = |row: &Row| row["Test Time / s"] - row["Frequency / Hz"] / 100.0;
    let ages: Vec<f64> = rows.iter().map(age).collect();
    let youngest = ages.iter().copied().fold(f64::INFINITY, f64::min);
    let oldest = ages.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    // The limit is 1 s; what is late is 1.2 s old at least.
    assert!(oldest - youngest < 1.1, "{youngest} to {oldest} in {} rows", rows.len());
    assert!(rows.len() >= 40, "{} rows", rows.len());
}

#[test]
fn values_of_pymodbus_are_right_whole_and_byte_by_byte() {
    values_are_right_whole_and_split(Maker::Pymodbus);
}

#[test]
fn values_of_libmodbus_are_right_whole_and_byte_by_byte() {
    values_are_right_whole_and_split(Maker::Libmodbus);
}

#[test]
fn one_flipped_bit_in_a_hundred_bytes_of_pymodbus_gives_no_wrong_value() {
    flipped_bits_give_no_wrong_value(Maker::Pymodbus);
}

#[test]
fn one_flipped_bit_in_a_hundred_bytes_of_libmodbus_gives_no_wrong_value() {
    flipped_bits_give_no_wrong_value(Maker::Libmodbus);
}

#[test]
fn an_answer_after_the_limit_never_becomes_the_next_reading() {
    no_late_answer_becomes_a_reading(Maker::Libmodbus, Duration::from_millis(1200));
}

#[test]
fn an_answer_after_limit_and_quiet_never_becomes_the_next_reading() {
    no_late_answer_becomes_a_reading(Maker::Pymodbus, Duration::from_millis(2500));
}
