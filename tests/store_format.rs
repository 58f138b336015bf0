//! The store's format as docs/store-format.md describes it, read by programs
//! that know no more of it than that page.

use std::ops::ControlFlow;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use ampledger_store::{Batch, FrameChunk, NewRun, NumberedSample, Range, Reader, Store};
use ampledger_types::{Channel, DecodeSet, Frame, FrameKind, Group, Quantity, RunId, Sample};

use crate::peers::{Cable, Sensor};
use crate::util::{Bench, Python, script, skip, sources, until};

fn samples(run: RunId) -> Vec<NumberedSample> {
    let set = |source: &str| {
        Arc::new(DecodeSet {
            source: source.to_owned(),
            decoder: "text-lines".to_owned(),
            decoder_version: "1".to_owned(),
            config_digest: String::new(),
            identity: None,
        })
    };
    let group = |quantities: &[Quantity]| {
        let channels = quantities.iter().copied().map(Channel::of).collect();
        Arc::new(Group { name: String::new(), channels })
    };
    let shunt = (set("bench-shunt"), group(&[Quantity::Voltage, Quantity::Current]));
    let clamp = (set("clamp"), group(&[Quantity::Current]));
    let odd = [f64::NAN, -0.0, f64::INFINITY, f64::NEG_INFINITY, 5e-324, 0.1 + 0.2, 1e300];
    let value = |seq: u64| match seq % 97 {
        0 => odd[(seq / 97) as usize % odd.len()],
        _ => (26_400 - (seq * 7 % 50)) as f64 / 1000.0,
    };
    let sample = |seq: u64| {
        let (set, group) = if seq.is_multiple_of(3) { &clamp } else { &shunt };
        // Steady at first, then as times should not be.
        let t_us = if seq < 9_000 { seq * 100_000 + seq * 31 % 900 } else { seq.pow(4) };
        let values = [value(seq), (seq as f64).sqrt()];
        NumberedSample {
            seq,
            run,
            decode_set: set.clone(),
            sample: Sample {
                group: group.clone(),
                t_us: t_us.cast_signed(),
                instrument_t_us: seq.is_multiple_of(2).then_some(seq.cast_signed()),
                values: values[..group.channels.len()].to_vec(),
            },
        }
    };
    (1..=30_000).map(sample).collect()
}

fn new_run() -> NewRun {
    NewRun {
        boot_id: "boot".to_owned(),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: "test".to_owned(),
        replay_of: None,
    }
}

fn line(given: &NumberedSample) -> String {
    let bits = given.sample.values.iter().map(|v| format!(" {:016x}", v.to_bits()));
    let source = serde_json::to_string(&given.decode_set.source).expect("text");
    let head = format!("{} {} {source} {}", given.seq, given.run.0, given.sample.t_us);
    head + &bits.collect::<String>()
}

#[test]
fn a_reader_written_from_the_page_alone_reads_every_bit() {
    let Some(python) = Python::Readers.interpreter() else { return };
    let bench = Bench::new("");
    let mut store = Store::open(&bench.store()).expect("a store");
    let run = store.begin_run(&new_run()).expect("a run").id;
    let all = samples(run);
    for part in all.chunks(700) {
        store.append(&Batch { samples: part.to_vec(), ..Batch::default() }).expect("written");
    }
    let found = script(&python, "read_store.py", &[bench.store()]);
    let mut expected = Vec::new();
    let read = store.reader().expect("a reader").samples(&Range::everything(), |sample| {
        expected.push(line(&sample));
        ControlFlow::Continue(())
    });
    read.expect("the samples");
    assert_eq!(expected, all.iter().map(line).collect::<Vec<_>>());
    for (found, expected) in found.lines().zip(&expected) {
        assert_eq!(found, expected);
    }
    assert_eq!(found.lines().count(), expected.len());
    let chunks = rusqlite::Connection::open(bench.store())
        .and_then(|db| db.query_row("SELECT count(*) FROM chunk", [], |row| row.get::<_, i64>(0)))
        .expect("chunks");
    assert!(chunks > 4, "{chunks} chunks are little to read");
}

#[test]
fn the_python_readers_stay_under_a_hundred_lines() {
    for name in ["read_store.py", "read_frames.py"] {
        let path = crate::util::root().join("tests/python").join(name);
        let text = std::fs::read_to_string(path).expect("the reader");
        assert!(text.lines().count() < 100, "{}", text.lines().count());
    }
}

/// Frames of all kinds, some in rows of their own and some put together.
fn frames(run: RunId) -> Vec<FrameChunk> {
    let decode_set = samples(run)[0].decode_set.clone();
    assert_eq!(decode_set.source, "bench-shunt");
    let frame = |number: u64| Frame {
        number,
        t_us: number.cast_signed() * 100_000 - 7,
        kind: [FrameKind::Opened, FrameKind::Received, FrameKind::Sent, FrameKind::Deadline]
            [if number == 1 { 0 } else { 1 + number as usize % 3 }],
        endpoint: if number.is_multiple_of(5) { 300 } else { 0 },
        payload: match number % 3 {
            0 => format!("26.{},-12.1\r\n", number % 50).into_bytes(),
            1 => Vec::new(),
            _ => number.to_be_bytes().to_vec(),
        },
    };
    let chunk = |i: u64| FrameChunk {
        run,
        decode_set: decode_set.clone(),
        snapshot: i.is_multiple_of(200).then(|| vec![1, 2, i as u8]),
        // The last is numbered after a hole.
        frames: (10 * i..10 * i + 10).map(|n| frame(n + 1 + n / 5_990)).collect(),
    };
    (0..600).map(chunk).collect()
}

#[test]
fn a_reader_written_from_the_page_alone_reads_every_frame() {
    if Command::new("python3").arg("--version").output().is_err() {
        return skip("there is no python3");
    }
    let bench = Bench::new("");
    let mut store = Store::open(&bench.store()).expect("a store");
    let run = store.begin_run(&new_run()).expect("a run").id;
    let all = frames(run);
    store.append(&Batch { frames: all.clone(), ..Batch::default() }).expect("written");
    assert!(store.compact_frames().expect("put together") > 100);
    let mut expected = String::new();
    let from = Range::everything().from;
    let read = store.reader().expect("a reader").frames("bench-shunt", from, None, |chunk| {
        for frame in &chunk.frames {
            let Frame { number, t_us, kind, endpoint, payload } = frame;
            let hex: String = payload.iter().map(|byte| format!("{byte:02x}")).collect();
            let kind = format!("{kind:?}").to_lowercase();
            let head = format!("{} \"bench-shunt\" {number} {t_us} {kind}", run.0);
            expected += &format!("{head} {endpoint} {hex}\n");
        }
        expected += &chunk.snapshot.map_or(String::new(), |state| {
            format!("state {}\n", state.iter().map(|b| format!("{b:02x}")).collect::<String>())
        });
        ControlFlow::Continue(())
    });
    read.expect("the frames");
    assert!(expected.lines().count() == 6_003, "{}", expected.lines().count());
    assert_eq!(script(Path::new("python3"), "read_frames.py", &[bench.store()]), expected);
}

fn shell(store: &Path, query: &str) -> Option<String> {
    let output = Command::new("sqlite3").arg("-readonly").arg(store).arg(query).output().ok()?;
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    Some(String::from_utf8(output.stdout).expect("text"))
}

#[test]
fn the_minutes_can_be_read_with_the_sqlite3_shell_while_the_daemon_writes() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let mut command = bench.daemon_command();
    // A minute every quarter of a second.
    command.args(["--clock-rate", "240"]);
    let daemon = crate::util::Daemon::start(command, &bench.path("."), bench.api());
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    let sensor = Sensor::steady(&cable, std::time::Duration::from_millis(5), 26.4, -12.1);
    let query = "SELECT source, quantity, unit, min(min), max(max), sum(count) > 20, \
                 min(unix_time_second) > 1e9 FROM minutes GROUP BY quantity ORDER BY quantity";
    if shell(&bench.store(), "SELECT 1").is_none() {
        skip("there is no sqlite3 shell");
        return;
    }
    let found = until("three minutes are written", || {
        let count = shell(&bench.store(), "SELECT count(DISTINCT run_second) FROM minutes")?;
        (count.trim().parse::<u32>().ok()? >= 3).then(|| shell(&bench.store(), query))?
    });
    sensor.silence();
    let expected = "bench-shunt|current_ampere|A|-12.1|-12.1|1|1\n\
                    bench-shunt|voltage_volt|V|26.4|26.4|1|1\n";
    assert_eq!(found, expected);
    let samples = daemon.until_recorded(1);
    assert!(daemon.stop().success());
    let reader = Reader::open(&bench.store()).expect("the store");
    assert!(reader.recorded_up_to().expect("a number") >= samples);
}
