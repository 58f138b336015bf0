//! Bytes out of the record and off the line, and what is made of them with no
//! daemon: `capture`, `decode`, `probe`.

use std::fmt::Write as _;

use ampledger_types::{Frame, FrameKind};
use serde_json::Value;

use crate::peers::{Cable, line};
use crate::util::{Bench, Daemon, sources};

/// A daemon that has read so many lines from `bench-shunt`.
fn recorded(lines: usize) -> (Bench, Cable, Daemon) {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    cable.send(line(26.4, -12.1).repeat(lines).as_bytes());
    daemon.until_samples("bench-shunt", lines as u64);
    (bench, cable, daemon)
}

fn frames(text: &str) -> Vec<Frame> {
    text.lines().map(|line| Frame::parse_line(line.as_bytes()).expect(line)).collect()
}

fn received(frames: &[Frame]) -> Vec<u8> {
    let received = frames.iter().filter(|frame| frame.kind == FrameKind::Received);
    received.flat_map(|frame| frame.payload.clone()).collect()
}

#[test]
fn a_capture_of_the_running_daemon_has_every_byte_that_arrived_by_now() {
    let (bench, _cable, daemon) = recorded(20);
    let now = bench.ampledger_with(&["capture", "bench-shunt", "-", "--from", "1 min ago"]).good();
    let live = frames(&now.out());
    let text = String::from_utf8(received(&live)).expect("text");
    assert!(text.ends_with(&line(26.4, -12.1).repeat(20)), "{text:?}");
    assert!(now.err().contains("bytes arrived"), "{}", now.err());
    // The same out of the store, with and without the daemon.
    let store = bench.store();
    let store = store.to_str().expect("a path");
    assert!(daemon.stop().success());
    let still = bench.ampledger_with(&["capture", "bench-shunt", "-", "--store", store]).good();
    assert_eq!(received(&frames(&still.out())), text.as_bytes());
}

#[test]
fn a_session_is_captured_from_its_start_to_its_end() {
    let (bench, cable, daemon) = recorded(5);
    bench.ampledger("start --pack GAL-07").good();
    cable.send(line(25.9, -12.2).repeat(3).as_bytes());
    daemon.until_samples("bench-shunt", 8);
    bench.ampledger("stop").good();
    cable.send(line(26.8, 0.0).repeat(3).as_bytes());
    daemon.until_samples("bench-shunt", 11);
    let run = bench.ampledger("capture bench-shunt - --session GAL-07").good();
    let text = String::from_utf8(received(&frames(&run.out()))).expect("text");
    assert_eq!(text, line(25.9, -12.2).repeat(3));
}

#[test]
fn a_capture_appears_whole_and_overwrites_nothing() {
    let (bench, _cable, _daemon) = recorded(5);
    let file = bench.path("shunt.frames.jsonl");
    let capture = "capture bench-shunt shunt.frames.jsonl --from 2000-01-01T00:00:00Z";
    bench.ampledger(capture).good();
    let before = std::fs::read(&file).expect("the capture");
    let again = bench.ampledger(capture).fails_with(4);
    assert!(again.err().contains("--force"), "{}", again.err());
    assert_eq!(std::fs::read(&file).expect("the capture"), before);
    let json = bench.ampledger(&format!("{capture} --force --json")).json();
    assert_eq!(json["bytes"], received(&frames(&String::from_utf8_lossy(&before))).len());
    let unknown = bench.ampledger("capture bench-shnt x.frames.jsonl").fails_with(4);
    assert!(unknown.err().contains("did you mean `bench-shunt`"), "{}", unknown.err());
    assert!(!bench.path("x.frames.jsonl").exists());
}

#[test]
fn frames_that_arrive_from_now_on_are_captured_for_so_long() {
    let (bench, cable, _daemon) = recorded(3);
    let run = std::thread::scope(|scope| {
        let capture =
            scope.spawn(|| bench.ampledger("capture bench-shunt - --for 1.5s").good().out());
        while !capture.is_finished() {
            cable.send(line(25.0, -1.0).as_bytes());
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        capture.join().expect("the capture")
    });
    let text = String::from_utf8(received(&frames(&run))).expect("text");
    let lines = text.matches(&line(25.0, -1.0)).count();
    assert!(lines >= 5 && !text.contains(&line(26.4, -12.1)), "{lines} lines: {text:?}");
}

#[test]
fn a_device_is_captured_with_no_daemon_and_nothing_is_left() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    cable.send(b"\n");
    let out = std::thread::scope(|scope| {
        let command = "capture bench-shunt - --config ampledger.toml --for 1s";
        let capture = scope.spawn(|| bench.ampledger(command).good().out());
        while !capture.is_finished() {
            cable.send(line(26.4, -12.1).as_bytes());
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        capture.join().expect("the capture")
    });
    assert!(String::from_utf8_lossy(&received(&frames(&out))).contains(&line(26.4, -12.1)));
    assert!(!bench.store().exists(), "the configured store is not touched");
}

#[test]
fn silence_is_told_with_what_to_check() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let _cable = Cable::plugged(bench.path("bench-shunt"));
    let capture = "capture bench-shunt x.frames.jsonl --config ampledger.toml --for 200ms";
    let run = bench.ampledger(capture).fails_with(1);
    assert!(run.err().contains("Nothing arrived") && run.err().contains("baud"), "{}", run.err());
    let missing = Bench::new(&sources::lines("bench-shunt"));
    let run = missing.ampledger(capture).fails_with(7);
    assert!(run.err().contains("is not there"), "{}", run.err());
}

const QUAY: &str = r#"
[sources.quay-shunt]
decoder = "frames"
[sources.quay-shunt.options]
framing = "sync"
sync = "59 44"
length = 7
checksum = { algorithm = "sum8" }
[[sources.quay-shunt.options.frames]]
name = "live"
fields = [
  { name = "U", at = 2, type = "u16" },
  { name = "I", at = 4, type = "i16" },
]
[sources.quay-shunt.fields.U]
quantity = "voltage_volt"
scale = 0.01
[sources.quay-shunt.fields.I]
quantity = "current_ampere"
scale = 0.001
"#;

fn quay(volt: u16, ampere: i16) -> Vec<u8> {
    let mut frame = vec![0x59, 0x44];
    frame.extend(volt.to_le_bytes().into_iter().chain(ampere.to_le_bytes()));
    frame.push(frame.iter().fold(0, |sum: u8, byte| sum.wrapping_add(*byte)));
    frame
}

#[test]
fn a_layout_is_tried_on_bytes_with_no_daemon_and_no_store() {
    let bench = Bench::new("");
    bench.write("quay.toml", QUAY.as_bytes());
    let mut bytes = quay(2641, -12_100);
    bytes.extend([0x00, 0x59, 0x44]);
    bytes.extend(quay(2640, -12_095));
    bench.write("quay.bin", &bytes);
    let mut hex = String::new();
    bytes.iter().for_each(|byte| write!(hex, "{byte:02x} ").expect("a string"));
    bench.write("quay.hex", hex.as_bytes());
    for file in ["quay.bin", "quay.hex"] {
        let out = bench.ampledger(&format!("decode {file} --config quay.toml")).good().out();
        let rows: Vec<Vec<&str>> =
            out.lines().map(|line| line.split_whitespace().collect()).collect();
        assert_eq!(rows[0], ["time", "/", "s", "voltage_volt", "current_ampere"], "{out}");
        assert_eq!(rows[1][1..], ["26.41", "-12.1"], "{out}");
        assert!(out.contains("26.4 ") && out.contains("-12.095"), "{out}");
        assert!(out.contains("2 readings") && out.contains("bytes skipped"), "{out}");
    }
    let json = bench.ampledger("decode quay.bin --config quay.toml --json").good().out();
    let lines: Vec<Value> =
        json.lines().map(|line| serde_json::from_str(line).expect(line)).collect();
    assert_eq!(lines[0]["values"]["current_ampere"], -12.1);
    let summary = &lines.last().expect("a summary")["summary"];
    assert_eq!((&summary["samples"], &summary["bytes_skipped"]), (&2.into(), &3.into()), "{json}");
}

#[test]
fn what_cannot_be_read_and_what_is_mistyped_is_told() {
    let bench = Bench::new("");
    bench.write("quay.bin", b"V=26.4 I=-12.1\n");
    bench.write("quay.toml", QUAY.as_bytes());
    let nothing = bench.ampledger("decode quay.bin --config quay.toml").fails_with(1);
    assert!(nothing.out().contains("Nothing could be read"), "{}", nothing.out());
    bench.write(
        "quay.toml",
        QUAY.replace("\"i16\"", "\"i17\"").replace("scale", "scael").as_bytes(),
    );
    let wrong = bench.ampledger("decode quay.bin --config quay.toml").fails_with(2).err();
    let place = |what: &str| {
        let at = QUAY.lines().position(|line| line.contains(what)).expect(what) + 1;
        format!("quay.toml:{at}: ")
    };
    assert!(wrong.contains(&place("\"i16\"")), "{wrong}");
    assert!(wrong.contains(&place("scale = 0.01")) && wrong.contains("`scale`?"), "{wrong}");
}

#[test]
fn a_field_that_no_reading_came_from_is_named() {
    let bench = Bench::new("");
    let field = "[sources.load]\ndecoder = \"json-lines\"\n[sources.load.fields.\"/U\"]\n\
                 quantity = \"voltage_volt\"\n[sources.load.fields.\"/shunt/b\"]\n\
                 quantity = \"current_ampere\"\n";
    bench.write("load.toml", field.as_bytes());
    bench.write(
        "load.bin",
        b"{\"U\": 26.4, \"shunt\": {\"a\": -12.1}}\n{\"U\": 26.3, \"shunt\": {\"a\": -12.0}}\n",
    );
    let out = bench.ampledger("decode load.bin --config load.toml").good().out();
    assert!(out.contains("no reading has come from `/shunt/b`"), "{out}");
    let out = bench.ampledger("decode load.bin --config load.toml --json").good().out();
    assert!(out.contains(r#""never_read":["/shunt/b"]"#), "{out}");
}

#[test]
fn a_capture_decodes_to_the_samples_that_were_recorded() {
    let (bench, _cable, daemon) = recorded(12);
    assert!(daemon.stop().success());
    bench.ampledger("capture bench-shunt s.frames.jsonl --store bench.db").good();
    let out = bench.ampledger("decode s.frames.jsonl --config ampledger.toml --json").good().out();
    let values = out.lines().filter(|line| line.contains("\"voltage_volt\":26.4")).count();
    assert_eq!(values, 12, "{out}");
}

#[test]
fn an_unknown_instrument_is_looked_at_and_the_guess_decodes() {
    let bench = Bench::new("");
    let mut text = String::new();
    let mut number = 0;
    for n in 0..400_i64 {
        // Ten seconds off, ten on, four readings a second; the noise is made up.
        // The hand that tells of it is up to half a second late.
        let on = (n / 40) % 2 == 1;
        let wander = (n * 7 % 11) as i16;
        let frame = quay(2641 - u16::from(on) * 40, wander - i16::from(on) * 12_100);
        for (late_us, part) in [(0, &frame[..3]), (900, &frame[3..])] {
            number += 1;
            let payload = part.to_vec();
            let t_us = n * 250_000 + late_us;
            let kind = FrameKind::Received;
            let frame = Frame { number, t_us, kind, endpoint: 0, payload };
            writeln!(text, "{}", frame.to_line()).expect("a string");
        }
    }
    bench.write("quay-shunt.frames.jsonl", text.as_bytes());
    let probe =
        "probe quay-shunt.frames.jsonl --switched 10.4,20.5,30.3,40.1,50,60.5,70.4,80.2,90.5";
    let out = bench.ampledger(probe).good().out();
    for part in ["400 of 7 bytes", "0: 59  1: 44", "hint: the checksum is sum8", "i16 little"] {
        assert!(out.contains(part), "{part} is not in\n{out}");
    }
    let json = bench.ampledger(&format!("{probe} --json")).json();
    let guess = json["guess"].as_str().expect("a guess");
    assert!(out.contains(guess.trim_end()), "{out}");
    bench.write("guess.toml", guess.as_bytes());
    let decode = "decode quay-shunt.frames.jsonl --config guess.toml --json";
    let decoded = bench.ampledger(decode).good().out();
    assert!(decoded.contains("\"samples\":400"), "{decoded}\nby\n{guess}");
}
