//! The log has no reader any more, or no room. Nothing else is touched.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::process::{ChildStderr, Command, Stdio};

use crate::peers::{Cable, line};
use crate::util::{Bench, sources, until};

/// Records ten readings, and does what is logged at each step: opens, loses and
/// opens its source, reads the configuration again, ends.
fn records_on(stderr: impl Into<Stdio>, lose: impl FnOnce(Option<ChildStderr>)) {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let mut command: Command = bench.daemon_command();
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(stderr);
    let mut daemon = command.spawn().expect("the daemon cannot be run");
    until("the daemon answers", || bench.api().try_get("/v1/status"));
    lose(daemon.stderr.take());
    cable.unplug();
    cable.plug();
    bench.ampledger("reload").good();
    let samples = || {
        let sources = bench.api().get("/v1/sources").good().read::<serde_json::Value>();
        sources[0]["counters"]["samples"].as_u64().filter(|count| *count >= 10)
    };
    until("ten readings", || {
        cable.send(line(26.4, -12.1).as_bytes());
        samples()
    });
    rustix::process::kill_process(
        rustix::process::Pid::from_child(&daemon),
        rustix::process::Signal::TERM,
    )
    .expect("the daemon");
    assert!(daemon.wait().expect("the daemon").success());
}

#[test]
fn a_log_that_nobody_reads_any_more_stops_nothing() {
    records_on(Stdio::piped(), |log| {
        let mut log = BufReader::new(log.expect("the log"));
        let mut first = String::new();
        log.read_line(&mut first).expect("a line");
        assert!(first.contains("recording"), "{first}");
    });
}

#[test]
fn a_log_on_a_full_disk_stops_nothing() {
    let full = File::options().write(true).open("/dev/full").expect("full(4)");
    records_on(full, drop);
}
