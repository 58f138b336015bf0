//! Plugins as their authors and users meet them: the examples that are shipped,
//! the starters, the command that tries one, and every call of the interface.

use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use ampledger_boundary::{Fault, FaultKind, Launch, Process};
use ampledger_decoders::config::FieldConfig;
use ampledger_decoders::{Complaint, ComplaintKind, DecoderConfig, Integrity, Output};
use ampledger_store::Reader;
use ampledger_types::{Frame, FrameKind, Quantity};
use serde_json::{Value, json};

use crate::peers::Cable;
use crate::util::{Bench, binary, plugins, root, sources};

/// A frame of the board that `yard_shunt` reads: hundredths of volt and ampere.
fn frame(volt: i16, ampere: i16) -> Vec<u8> {
    let mut frame = vec![0xA5];
    frame.extend(volt.to_le_bytes().into_iter().chain(ampere.to_le_bytes()));
    frame.push(frame.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte)));
    frame
}

/// `ampledger plugin check` with an example's own capture and configuration.
fn check(bench: &Bench, library: &Path, example: &str, capture: &str) -> Value {
    let folder = root().join("decoders/examples").join(example);
    let name = capture.split('.').next().expect("a name");
    let (capture, config) = (folder.join(capture), folder.join(format!("{name}.toml")));
    let path = |path: &Path| path.display().to_string();
    let (library, capture, config) = (path(library), path(&capture), path(&config));
    let arguments =
        ["plugin", "check", &library, "--capture", &capture, "--config", &config, "--json"];
    bench.ampledger_with(&arguments).json()
}

#[test]
fn the_example_in_c_reads_its_capture() {
    let bench = Bench::new("");
    let library = plugins::c_example(&bench);
    let told = check(&bench, &library, "c", "yard_shunt.hex");
    assert_eq!((&told["samples"], &told["failure"]), (&json!(3), &Value::Null), "{told:#}");
    assert_eq!(told["channels"][1]["first"], -12.1, "the discharge is turned round: {told:#}");
    assert_eq!(told["complaints"], json!({ "bad_check": 1 }));
    assert_eq!(told["same_byte_by_byte"], true);
    assert_eq!(told["same_with_saved_state"], true);
}

#[test]
fn the_example_in_rust_reads_its_capture() {
    let bench = Bench::new("");
    let told = check(&bench, &plugins::rust_example(), "rust", "asked_load.frames.jsonl");
    assert_eq!((&told["samples"], &told["failure"]), (&json!(2), &Value::Null), "{told:#}");
    assert_eq!(told["channels"][0]["lowest"], 12.611);
    assert_eq!(told["complaints"], json!({ "no_answer": 1 }));
    assert_eq!(told["same_byte_by_byte"], true);
    assert_eq!(told["same_with_saved_state"], true);
}

#[test]
fn a_line_read_by_the_example_in_c_becomes_a_session() {
    let bench = Bench::new("");
    let library = plugins::c_example(&bench);
    let sign = "sign = \"discharging-positive\"";
    bench.configure(&sources::plugin("bench-shunt", &library, sign));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    bench.ampledger("start --pack GAL-07").good();
    for n in 0..20 {
        // Cut where it hurts most.
        let frame = frame(2640 - n, 1210);
        let (first, second) = frame.split_at(usize::from(n as u16) % 6);
        cable.send(first);
        cable.send(second);
    }
    daemon.until_samples("bench-shunt", 20);
    bench.ampledger("stop").good();
    let latest = daemon.source("bench-shunt").latest;
    let value = |name: &str| latest.iter().find(|r| r.channel == name).map(|r| r.value);
    assert_eq!((value("voltage_volt"), value("current_ampere")), (Some(26.21), Some(-12.1)));
    assert!(daemon.stop().success());
    let reader = Reader::open(&bench.store()).expect("the store");
    let heads = reader.chunks("bench-shunt").expect("the frame log");
    let set = &heads[0].decode_set;
    assert_eq!(set.decoder, "plugin yard_shunt", "what decoded it is named");
    assert!(set.decoder_version.starts_with("1 (sha256 "), "{set:?}");
    let can_begin = heads[0].opens && heads.iter().any(|head| head.has_snapshot);
    assert!(can_begin, "it can be decoded again from its beginning and its middle: {heads:?}");
}

/// A load that answers `READ?`, unless it is mute.
struct Load {
    mute: Arc<AtomicBool>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Load {
    fn start(cable: &Cable) -> Load {
        let (mute, stop) = (Arc::<AtomicBool>::default(), Arc::<AtomicBool>::default());
        let (cable, is_mute, is_over) = (cable.clone(), mute.clone(), stop.clone());
        let thread = std::thread::spawn(move || {
            let mut asked = Vec::new();
            while !is_over.load(Ordering::Relaxed) {
                asked.extend(cable.receive());
                while let Some(end) = asked.iter().position(|byte| *byte == b'\n') {
                    let question: Vec<u8> = asked.drain(..=end).collect();
                    if question == b"READ?\n" && !is_mute.load(Ordering::Relaxed) {
                        cable.send(b"12.612,-4.003\n");
                    }
                }
            }
        });
        Load { mute, stop, thread: Some(thread) }
    }
}

impl Drop for Load {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        // The test that is ending has its own failure to tell.
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

#[test]
fn a_load_that_only_answers_is_asked_by_the_example_in_rust() {
    let bench = Bench::new("");
    let more = "[sources.load.options]\nevery_ms = 100\ntimeout_ms = 80\n";
    bench.configure(&sources::plugin("load", &plugins::rust_example(), more));
    let cable = Cable::plugged(bench.path("load"));
    let load = Load::start(&cable);
    let daemon = bench.daemon();
    daemon.until_samples("load", 5);
    load.mute.store(true, Ordering::Relaxed);
    daemon.until("it is mute", "load", |s| s.counters.complaints.contains_key("no_answer"));
    load.mute.store(false, Ordering::Relaxed);
    let before = daemon.source("load").counters.samples;
    daemon.until_samples("load", before + 5);
    assert_eq!(daemon.source("load").counters.opened, 1);
}

/// Makes a starter, does as it says, and gives what its check told.
fn starter(bench: &Bench, name: &str, lang: &str) -> Value {
    let made = bench.ampledger(&format!("plugin new {name} --lang {lang} --json")).json();
    let steps = made["next"].as_array().expect("what is next").clone();
    let steps: Vec<&str> = steps.iter().filter_map(Value::as_str).collect();
    let mut build = Command::new("sh");
    build.args(["-c", steps[0]]).current_dir(bench.path(""));
    // Built already for the example; and cargo is where the tests' is.
    let target = root().join("target/examples");
    if lang == "rust" {
        build.env("CARGO_TARGET_DIR", &target);
    }
    plugins::run(&mut build);
    let check = steps[1].strip_prefix("ampledger ").expect("a command");
    let built = format!("{name}/target/");
    let check = check.replace(&format!("./{built}"), &format!("{}/", target.display()));
    bench.ampledger(&format!("{check} --json")).json()
}

#[test]
fn a_starter_in_c_is_built_and_reads_at_once() {
    let bench = Bench::new("");
    let told = starter(&bench, "quay_meter", "c");
    assert_eq!((&told["plugin"]["name"], &told["samples"]), (&json!("quay_meter"), &json!(3)));
    let taken = bench.ampledger("plugin new quay_meter --lang c");
    assert!(taken.fails_with(4).err().contains("quay_meter"));
}

#[test]
fn a_starter_in_rust_is_built_and_reads_at_once() {
    let _example = plugins::rust_example();
    let bench = Bench::new("");
    let told = starter(&bench, "quay_load", "rust");
    assert_eq!((&told["plugin"]["name"], &told["samples"]), (&json!("quay_load"), &json!(2)));
}

#[test]
fn a_check_of_what_is_no_plugin_says_why_and_ends_with_one() {
    let bench = Bench::new("");
    let library = plugins::plugin(&bench, "other_version").display().to_string();
    let run = bench.ampledger(&format!("plugin check {library}")).fails_with(1);
    assert!(run.out().contains("version 999"), "{}", run.out());
    let crashing = plugins::plugin(&bench, "faulty").display().to_string();
    let capture = bench.write("crash.hex", b"43 52 41 53 48 0a\n").display().to_string();
    let check = format!("plugin check {crashing} --capture {capture} --json");
    let run = bench.ampledger(&check).fails_with(1);
    let told: Value = serde_json::from_str(&run.out()).expect("JSON");
    let failure = told["failure"].as_str().expect("a failure");
    assert!(failure.contains("SIGSEGV"), "{failure}");
}

fn start(bench: &Bench, options: Value) -> Result<Process, Fault> {
    let mut config = DecoderConfig {
        options: options.as_object().expect("options").clone(),
        ..DecoderConfig::default()
    };
    for (name, quantity) in [("U", Quantity::Voltage), ("I", Quantity::Current)] {
        config.fields.insert(name.to_owned(), FieldConfig::of(quantity));
    }
    let launch = Launch {
        host: binary("ampledger-host"),
        file: plugins::plugin(bench, "says_everything"),
        config,
        memory_bytes: 64 << 20,
        reply_limit: Duration::from_secs(5),
        called_off: Arc::default(),
    };
    let (process, described) = Process::start(&launch)?;
    assert_eq!((described.name.as_str(), described.abi_version), ("says_everything", 1));
    assert!(described.version.starts_with("2.1 (sha256 "), "{}", described.version);
    assert_eq!((described.integrity, described.saves), (Integrity::Crc, true));
    Ok(process)
}

fn input(number: u64, kind: FrameKind, payload: &[u8]) -> Frame {
    Frame { number, t_us: 5_000, kind, endpoint: 0, payload: payload.to_vec() }
}

#[test]
fn every_call_of_the_interface_arrives_as_it_was_meant() {
    let bench = Bench::new("");
    let mut process = start(&bench, json!({})).expect("a plugin");
    let command = br#"{"id":7,"name":"zero","arguments":null}"#;
    let reply = process.exchange([input(1, FrameKind::Command, command)].iter()).expect("a reply");
    let mut said = reply.outputs.into_iter().map(|(number, output)| {
        assert_eq!(number, 1);
        output
    });
    let Some(Output::Sample(sample)) = said.next() else { panic!("no sample") };
    assert_eq!((sample.t_us, &sample.values[..]), (5_000, &[26.4, -12.1][..]));
    assert_eq!(sample.instrument_t_us, Some(1_700_000_000_000_000));
    let rest: Vec<Output> = said.collect();
    let expected = [
        Output::Complaint(Complaint::new(ComplaintKind::BadCheck, 5, "a bell \\u{7}")),
        Output::Identity { instrument: String::new(), text: "GAL meter 7".to_owned() },
        Output::Send { endpoint: 3, bytes: command.to_vec() },
        Output::Drain { quiet_us: 40_000 },
        Output::Wake(Some(6_000)),
        Output::Wake(None),
        Output::CommandDone { id: 7, result: Ok(json!({ "zeroed": true })) },
        Output::CommandDone { id: 8, result: Err("it cannot".to_owned()) },
    ];
    assert_eq!(rest, expected);
}

#[test]
fn every_kind_of_input_arrives_and_a_state_is_saved_and_taken_up() {
    let bench = Bench::new("");
    let mut process = start(&bench, json!({})).expect("a plugin");
    let inputs = [
        input(1, FrameKind::Opened, &[1]),
        input(2, FrameKind::Opened, &[]),
        input(3, FrameKind::Received, b"x"),
        input(4, FrameKind::Sent, b"x"),
        input(5, FrameKind::Drained, &[]),
        // It has asked for none: one that was called off is not given.
        input(6, FrameKind::Deadline, &[]),
        input(7, FrameKind::Closed, &[]),
    ];
    let reply = process.exchange(inputs.iter()).expect("a reply");
    assert_eq!((reply.acknowledged, reply.outputs.len()), (7, 0));
    let state = process.save().expect("a state").expect("a state");
    assert_eq!(state, [1, 2, 1, 1, 1, 0, 0, 1]);
    let mut other = start(&bench, json!({})).expect("a plugin");
    assert_eq!(other.restore(&state), Ok(Ok(())));
    assert_eq!(other.save(), Ok(Some(state)));
    assert!(other.restore(b"of another").expect("an answer").is_err());
}

#[test]
fn options_that_a_plugin_refuses_are_told_by_key() {
    let bench = Bench::new("");
    let fault = start(&bench, json!({ "pace": { "ms": 0 } })).expect_err("refused");
    assert_eq!(fault.kind, FaultKind::Refused);
    assert_eq!(fault.text, "`options.pace.ms`: must be above 0; `options`: and more");
}
