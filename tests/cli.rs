//! The command line as people and scripts meet it: exit codes, JSON from every
//! command, no prompt and no colour in a pipe.

use std::process::Command;

use crate::peers::{Cable, line};
use crate::util::{Bench, binary, sources};

#[test]
fn every_command_speaks_json() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    cable.send(line(26.4, -12.1).repeat(5).as_bytes());
    daemon.until_samples("bench-shunt", 5);
    let file = bench.path("GAL-07.bdf.csv");
    let copy = bench.path("copy.db");
    let backup = format!("backup {} --json", copy.display());
    let restored = bench.path("restored.db");
    let restore = format!("restore {} {} --json", copy.display(), restored.display());
    let plan = format!("restore {} --plan --json", copy.display());
    let salvaged = bench.path("salvaged.db");
    let salvage = format!("salvage {} {} --json", copy.display(), salvaged.display());
    let export = format!("export last --format bdf-csv --output {} --json", file.display());
    for arguments in [
        "status --json",
        "sources --json",
        "limits --json",
        "sessions --suggest --json",
        "start --pack GAL-07 --rated-ah 60 --json",
        "tag last load=lamp --json",
        "sessions --json",
        "stop --json",
        "show last --json",
        "redecode last --json",
        "packs --json",
        "packs show GAL-07 --json",
        "calibrate bench-shunt --json",
        "reload --json",
        "doctor --json",
        "capture bench-shunt s.frames.jsonl --from 2000-01-01T00:00:00Z --json",
        "probe s.frames.jsonl --json",
        &backup,
        "thin --older-than 30 --json",
        "compact --json",
        &plan,
        &restore,
        &salvage,
        "plugin new quay_meter --lang c --json",
        &export,
    ] {
        let json = bench.ampledger(arguments).json();
        assert!(json.is_object() || json.is_array(), "{arguments}: {json}");
        if arguments.starts_with("start") {
            cable.send(line(26.4, -12.1).repeat(5).as_bytes());
            daemon.until_samples("bench-shunt", 10);
        }
    }
    let decoded = bench.ampledger("decode s.frames.jsonl --config ampledger.toml --json").good();
    for line in decoded.out().lines() {
        assert!(serde_json::from_str::<serde_json::Value>(line).is_ok(), "{line}");
    }
}

#[test]
fn a_wrong_command_line_is_two_and_names_the_nearest() {
    let bench = Bench::new("");
    let run = bench.ampledger("sesions").fails_with(2);
    assert!(run.err().contains("sessions"), "{}", run.err());
}

#[test]
fn no_daemon_is_told_with_what_to_do() {
    let bench = Bench::new("");
    let run = bench.ampledger("status").fails_with(3);
    let said = run.err();
    assert!(said.contains("api.sock") && said.contains("ampledgerd"), "{said}");
}

#[test]
fn a_pipe_gets_no_colours() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let _daemon = bench.daemon();
    for command in ["status", "sources", "sessions", "packs", "doctor"] {
        let run = bench.ampledger(command);
        assert!(!run.out().contains('\u{1b}') && !run.err().contains('\u{1b}'), "{command}");
    }
}

#[test]
fn reading_works_on_a_store_without_a_daemon() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    bench.ampledger("start --pack GAL-07").good();
    cable.send(line(26.4, -12.1).repeat(5).as_bytes());
    daemon.until_samples("bench-shunt", 5);
    bench.ampledger("stop").good();
    let live = bench.ampledger("show last --json").json();
    assert!(daemon.stop().success());
    let store = bench.store();
    let store = store.to_str().expect("a path");
    let still = bench.ampledger_with(&["show", "last", "--json", "--store", store]).json();
    assert_eq!(still["results"], live["results"], "the same digits with and without a daemon");
    bench.ampledger_with(&["sessions", "--json", "--store", store]).json();
    bench.ampledger_with(&["packs", "--json", "--store", store]).json();
}

#[test]
fn both_binaries_say_the_same_version() {
    let say = |name: &str| {
        let output = Command::new(binary(name)).arg("--version").output().expect("a version");
        let text = String::from_utf8(output.stdout).expect("text");
        text.trim().split_once(' ').map(|(_, version)| version.to_owned()).expect("NAME VERSION")
    };
    assert_eq!(say("ampledgerd"), say("ampledger"));
}

#[test]
fn errors_are_json_too_where_json_is_asked_for() {
    let bench = Bench::new("");
    let run = bench.ampledger("status --json").fails_with(3);
    let said = format!("{}{}", run.out(), run.err());
    let error: serde_json::Value = serde_json::from_str(&said).expect(&said);
    assert!(error["code"].is_string() && error["message"].is_string(), "{said}");
}
