//! A reader of the API that does not keep up: it is told what it missed, and
//! nobody waits for it.

use std::io::{BufRead, BufReader};

use serde_json::Value;

use crate::peers::{Cable, line};
use crate::util::{Bench, sources};

/// Many more than wait for a listener and fit into a socket.
const LINES: u64 = 40_000;

fn missed(data: &str) -> u64 {
    let told: Value = serde_json::from_str(data).expect("JSON");
    told["missed"].as_u64().expect("a number")
}

#[test]
fn a_reader_that_is_too_slow_is_told_what_it_missed_and_holds_up_nobody() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    let stream = bench.api().open("GET", "/v1/stream", b"").expect("the stream");
    let mut lines = stream.lines().map(|line| line.expect("the stream goes on"));
    assert!(lines.next().is_some_and(|status| status.contains(" 200 ")));
    for _ in 0..LINES / 100 {
        cable.send(line(26.4, -12.1).repeat(100).as_bytes());
    }
    daemon.until_samples("bench-shunt", LINES);
    daemon.until_recorded(LINES);
    assert_eq!(daemon.source("bench-shunt").counters.dropped, 0);

    // Every reading came or was told to be missed.
    let (mut came, mut behind, mut middle) = (0, 0, String::new());
    let mut kind = String::new();
    for line in lines {
        assert_ne!(line, ":", "nothing more comes: {came} came, {behind} missed");
        // Server-sent events: `event:`, `id:` and `data:` lines (HTML standard, 9.2.6).
        match line.split_once(": ") {
            Some(("event", of)) => kind = of.to_owned(),
            Some(("id", id)) if came == 1 => middle = id.to_owned(),
            Some(("data", _)) if kind == "sample" => came += 1,
            Some(("data", data)) if kind == "behind" => behind += missed(data),
            _ => {}
        }
        if came + behind >= LINES {
            break;
        }
    }
    assert!(behind > 0 && came > 0, "{came} came, {behind} missed");
    // A marker may be among what was missed.
    assert!(came + behind <= LINES + 10, "{came} came, {behind} missed");

    // Who comes back with a number it saw is told how many came since.
    let (_, seen) = middle.rsplit_once(':').expect("an id");
    let seen: u64 = seen.parse().expect("a number");
    let mut again = reopened(&bench, &middle);
    assert!(again.any(|line| line.starts_with("event: behind")), "it is told at once");
    let data = again.next().expect("how much");
    assert_eq!(missed(data.strip_prefix("data: ").expect("data")), LINES - seen);
}

/// The stream, from after the event of that id.
fn reopened(bench: &Bench, id: &str) -> impl Iterator<Item = String> + use<> {
    use std::io::Write;
    let mut stream = std::os::unix::net::UnixStream::connect(bench.socket()).expect("the socket");
    let ask = format!("GET /v1/stream HTTP/1.1\r\nhost: ampledger\r\nlast-event-id: {id}\r\n\r\n");
    stream.write_all(ask.as_bytes()).expect("the request");
    stream.set_read_timeout(Some(crate::util::PATIENCE)).expect("a limit");
    BufReader::new(stream).lines().map(|line| line.expect("the stream goes on"))
}
