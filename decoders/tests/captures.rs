//! Every capture gives exactly what its `expected.json` says, live and decoded
//! again from its frame log. `captures/README.md` has the form of the files.
#![allow(clippy::disallowed_methods, reason = "a test reads its files; the decoders do not")]
#![allow(clippy::unwrap_used, reason = "a test fails by it")]

use std::fs;
use std::path::{Path, PathBuf};

use ampledger_decoders::{DecoderConfig, Driver, Input, Output, builtin};
use ampledger_types::Frame;
use serde_json::{Value, json};

fn folders(at: &Path) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = fs::read_dir(at)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir())
        .collect();
    found.sort();
    found
}

fn name(path: &Path) -> &str {
    path.file_name().unwrap().to_str().unwrap()
}

/// A line of `frames.txt`.
struct Event {
    t_us: i64,
    word: String,
    endpoint: u16,
    bytes: Vec<u8>,
}

fn events(text: &str) -> Vec<Event> {
    let lines = text.lines().filter(|line| !line.is_empty() && !line.starts_with('#'));
    lines
        .map(|line| {
            let mut parts = line.splitn(3, ' ');
            let t_ms: i64 = parts.next().unwrap().parse().unwrap();
            let word = parts.next().unwrap();
            let rest = parts.next().unwrap_or("");
            let (word, endpoint) = word.split_once('@').unwrap_or((word, "0"));
            let (word, bytes) = match word.strip_suffix("-hex") {
                Some(word) => (word, hex(rest)),
                None => (word, bytes(rest)),
            };
            let endpoint = endpoint.parse().unwrap();
            Event { t_us: t_ms * 1000, word: word.to_owned(), endpoint, bytes }
        })
        .collect()
}

fn hex(text: &str) -> Vec<u8> {
    text.split_whitespace().map(|byte| u8::from_str_radix(byte, 16).unwrap()).collect()
}

fn bytes(text: &str) -> Vec<u8> {
    let mut found = Vec::new();
    let mut rest = text.chars();
    while let Some(c) = rest.next() {
        if c != '\\' {
            found.extend(c.encode_utf8(&mut [0; 4]).bytes());
            continue;
        }
        match rest.next() {
            Some('n') => found.push(b'\n'),
            Some('r') => found.push(b'\r'),
            Some('t') => found.push(b'\t'),
            Some('\\') => found.push(b'\\'),
            Some('x') => {
                let digits: String = rest.by_ref().take(2).collect();
                found.push(u8::from_str_radix(&digits, 16).unwrap());
            }
            other => panic!("unknown escape {other:?} in {text}"),
        }
    }
    found
}

fn input(event: &Event) -> Input<'_> {
    let (endpoint, bytes) = (event.endpoint, event.bytes.as_slice());
    match event.word.as_str() {
        "opened" => Input::Opened { record: bytes == b"record" },
        "received" => Input::Received { endpoint, bytes },
        "sent" => Input::Sent { endpoint, bytes },
        "drained" => Input::Drained,
        "deadline" => Input::Deadline,
        "closed" => Input::Closed,
        other => panic!("unknown word {other}"),
    }
}

fn shown(output: &Output) -> Value {
    match output {
        Output::Sample(s) => json!({ "sample": {
            "group": s.group.name,
            "channels": s.group.channels.iter().map(|c| c.name.clone()).collect::<Vec<_>>(),
            "t_us": s.t_us,
            "instrument_t_us": s.instrument_t_us,
            "values": s.values,
        }}),
        Output::Complaint(c) => json!({ "complaint": {
            "kind": c.kind.word(), "bytes_skipped": c.bytes_skipped, "detail": c.detail,
        }}),
        Output::Identity { text, .. } => json!({ "identity": text }),
        Output::Send { bytes, .. } => match std::str::from_utf8(bytes) {
            Ok(text) => json!({ "send": text }),
            Err(_) => {
                let hex: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
                json!({ "send_hex": hex.join(" ") })
            }
        },
        Output::Drain { quiet_us } => json!({ "drain_us": quiet_us }),
        Output::Wake(t_us) => json!({ "wake_us": t_us }),
        Output::CommandDone { id, result } => {
            json!({ "done": id, "result": format!("{result:?}") })
        }
    }
}

fn config(folder: &Path) -> DecoderConfig {
    let text = fs::read_to_string(folder.join("config.toml")).unwrap();
    toml_edit::de::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", folder.display()))
}

fn driver(decoder: &str, config: &DecoderConfig) -> Driver {
    let descriptor = builtin::find(decoder).unwrap_or_else(|| panic!("no decoder {decoder}"));
    Driver::new((descriptor.build)(config).unwrap_or_else(|e| panic!("{decoder}: {e}")))
}

/// What the decoder says, and the frame log.
fn play(decoder: &str, folder: &Path) -> (Vec<Value>, Vec<Frame>) {
    let mut driver = driver(decoder, &config(folder));
    let text = fs::read_to_string(folder.join("frames.txt")).unwrap();
    let (mut said, mut log) = (Vec::new(), Vec::new());
    for event in events(&text) {
        let (frame, outputs) = driver.give(event.t_us, input(&event));
        said.extend(outputs.map(|output| shown(&output)));
        log.push(frame);
    }
    (said, log)
}

fn written(said: &[Value]) -> String {
    let lines: Vec<String> = said.iter().map(Value::to_string).collect();
    format!("[\n{}\n]\n", lines.join(",\n"))
}

#[test]
fn every_capture_gives_what_is_expected() {
    let rewrites = std::env::var_os("AMPLEDGER_REWRITE_CAPTURES").is_some();
    let mut wrong = Vec::new();
    for decoder in folders(&Path::new(env!("CARGO_MANIFEST_DIR")).join("captures")) {
        for case in folders(&decoder) {
            assert!(case.join("origin.md").is_file(), "{} has no origin", case.display());
            let found = written(&play(name(&decoder), &case).0);
            let file = case.join("expected.json");
            if fs::read_to_string(&file).unwrap_or_default() != found {
                wrong.push(format!("{}/{}:\n{found}", name(&decoder), name(&case)));
                if rewrites {
                    fs::write(&file, found).unwrap();
                }
            }
        }
    }
    assert!(wrong.is_empty(), "not as expected:\n{}", wrong.join("\n"));
    assert!(!rewrites, "nothing had to be written anew; run it without the switch");
}

#[test]
fn a_logged_stream_decodes_again_to_the_same_samples_from_any_snapshot() {
    for decoder in folders(&Path::new(env!("CARGO_MANIFEST_DIR")).join("captures")) {
        for case in folders(&decoder) {
            let (live, log) = play(name(&decoder), &case);
            let mut first = driver(name(&decoder), &config(&case));
            let mut again = Vec::new();
            for frame in &log {
                let restored = (builtin::find(name(&decoder)).unwrap().build)(&config(&case));
                let mut restored = restored.unwrap();
                restored.restore(&first.snapshot()).unwrap();
                let (mut out, mut command) = (Vec::new(), None);
                let input = Input::from_frame(frame, &mut command).unwrap();
                restored.handle(frame.t_us, input.clone(), &mut out);
                again.extend(out.iter().map(shown));
                assert_eq!(&first.give(frame.t_us, input).0, frame);
            }
            assert_eq!(again, live, "{}/{}", name(&decoder), name(&case));
        }
    }
}
