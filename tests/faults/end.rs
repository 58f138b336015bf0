//! How a daemon ends: killed without a word, or stopped in order.

use std::os::unix::net::UnixDatagram;
use std::time::{Duration, Instant};

use crate::peers::{Cable, Sensor};
use crate::util::{Bench, Daemon, PATIENCE, rounds, sources};

const PACE: Duration = Duration::from_millis(5);

/// Rows of a session's export: one a sample.
fn rows(bench: &Bench, session: &str) -> u64 {
    let file = bench.path("rows.bdf.csv");
    let store = bench.store();
    bench
        .ampledger_with(&[
            "export",
            session,
            "--format",
            "bdf-csv",
            "--output",
            file.to_str().expect("a path"),
            "--store",
            store.to_str().expect("a path"),
        ])
        .good();
    let text = std::fs::read_to_string(file).expect("the export");
    text.lines().count() as u64 - 1
}

#[test]
fn a_kill_in_the_middle_of_a_discharge_loses_nothing_that_was_called_recorded() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let mut daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    bench.ampledger("start --pack GAL-07 --rated-ah 60 --cutoff-voltage 20").good();
    let sensor = Sensor::steady(&cable, PACE, 26.4, -12.1);
    let mut recorded = 0;
    let kills = match rounds(20) {
        usual @ ..=20 => usual,
        long => long.max(100),
    };
    for _ in 0..kills {
        recorded = daemon.until_recorded(recorded + 50);
        daemon.kill();
        daemon = bench.daemon();
        let status = daemon.status();
        assert!(status.store.recorded_up_to >= recorded, "{status:?} after {recorded}");
        assert_eq!(status.open_sessions.len(), 1, "the session goes on");
    }
    recorded = daemon.until_recorded(recorded + 50);
    sensor.silence();
    bench.ampledger("stop").good();
    let report = bench.ampledger("show last --json").json();
    assert_eq!(report["phases"][0]["kind"], "discharge", "{report:#}");
    assert!(daemon.stop().success());
    assert!(rows(&bench, "last") >= recorded, "fewer rows than were called recorded");
}

#[test]
fn an_orderly_stop_loses_nothing() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    bench.ampledger("start --pack GAL-07").good();
    let mut left = 200;
    let sensor = Sensor::start(&cable, PACE, move |_| {
        left -= 1;
        (left >= 0).then(|| crate::peers::line(26.4, -12.1))
    });
    let sent = sensor.finish();
    daemon.until_samples("bench-shunt", sent);
    let status = daemon.stop();
    assert!(status.success(), "{status}");
    assert!(!bench.socket().exists(), "the socket is taken away");
    assert_eq!(rows(&bench, "last"), sent);
}

#[test]
fn a_stop_does_not_wait_for_a_device_that_is_not_there() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until("it waits for its next try", "bench-shunt", |s| s.retry_in_second.is_some());
    let begin = Instant::now();
    assert!(daemon.stop().success());
    assert!(begin.elapsed() < Duration::from_secs(2), "{:?}", begin.elapsed());
}

#[test]
fn the_log_is_for_programs_where_that_is_asked_for() {
    let bench = Bench::new("[log]\nformat = \"json\"\n");
    let daemon = bench.daemon();
    let log = daemon.log();
    assert!(log.lines().count() > 0, "nothing was logged");
    for line in log.lines() {
        let entry: serde_json::Value = serde_json::from_str(line).expect(line);
        assert!(entry["level"].is_string() && entry["timestamp"].is_string(), "{entry}");
    }
}

#[test]
fn systemd_is_told_when_it_is_ready_and_when_it_stops() {
    let bench = Bench::new("");
    let path = bench.path("notify");
    let told = UnixDatagram::bind(&path).expect("a socket");
    told.set_read_timeout(Some(PATIENCE)).expect("a time limit");
    let mut command = bench.daemon_command();
    command.env("NOTIFY_SOCKET", &path);
    let daemon = Daemon::start(command, &bench.path("."), bench.api());
    // Names of the states: sd_notify(3).
    until_told(&told, "READY=1");
    assert!(daemon.stop().success());
    until_told(&told, "STOPPING=1");
}

fn until_told(socket: &UnixDatagram, state: &str) {
    let mut bytes = [0; 512];
    loop {
        let n = socket.recv(&mut bytes).unwrap_or_else(|e| panic!("never told {state}: {e}"));
        if String::from_utf8_lossy(&bytes[..n]).lines().any(|l| l == state) {
            return;
        }
    }
}
