//! The API as a program meets it: builds that refuse each other, bounds on
//! what is taken, refusals that say what to do, and the stream.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixListener;

use ampledger_types::api::BUILD_HEADER;
use serde_json::{Value, json};

use crate::peers::{Cable, line};
use crate::util::{Api, Bench, sources};

#[test]
fn the_daemon_refuses_a_client_of_another_build() {
    let bench = Bench::new("");
    let _daemon = bench.daemon();
    let answer = bench.api().of_build("0.0.1+other").get("/v1/status");
    let refusal = answer.refusal();
    assert!(refusal.message.contains("0.0.1+other"), "both builds are named: {refusal:?}");
    let own = answer.header(BUILD_HEADER).expect("the daemon says its build").to_owned();
    assert!(refusal.message.contains(&own), "{refusal:?}");
    assert_eq!(bench.api().of_build(&own).get("/v1/status").status, 200);
}

#[test]
fn the_client_refuses_a_daemon_of_another_build() {
    let bench = Bench::new("");
    let listener = UnixListener::bind(bench.socket()).expect("a socket");
    // Answers whoever asks until the test's process ends.
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.expect("a client");
            let asked = stream.try_clone().expect("the client's connection");
            let mut lines = BufReader::new(asked).lines();
            while lines.next().is_some_and(|line| line.is_ok_and(|text| !text.is_empty())) {}
            let head = format!("HTTP/1.1 200 OK\r\n{BUILD_HEADER}: 9.9.9+other\r\n");
            let _ = stream.write_all(format!("{head}content-length: 2\r\n\r\n{{}}").as_bytes());
        }
    });
    let run = bench.ampledger("status").fails_with(5);
    assert!(run.err().contains("9.9.9+other"), "{}", run.err());
}

#[test]
fn every_refusal_has_a_code_and_a_message() {
    let bench = Bench::new("");
    let _daemon = bench.daemon();
    let api = bench.api();
    for path in ["/v1/nothing", "/v1/sessions/99", "/v1/sessions/99/export?format=bdf-csv", "/"] {
        let answer = api.get(path);
        assert_eq!(answer.status, 404, "{path}");
        let refusal = answer.refusal();
        assert!(!refusal.code.is_empty() && !refusal.message.is_empty(), "{path}: {refusal:?}");
    }
    let wrong = api.post("/v1/sessions", &json!({"pakc": "GAL-07"})).refusal();
    assert!(wrong.message.contains("pakc"), "{wrong:?}");
    let unknown = api.post("/v1/sessions", &json!({"sources": ["nobody"]})).refusal();
    assert!(unknown.message.contains("nobody"), "{unknown:?}");
}

#[test]
fn every_described_path_is_there() {
    let bench = Bench::new("");
    let _daemon = bench.daemon();
    let api = bench.api();
    let described = api.get("/v1/openapi.json").read::<serde_json::Value>();
    for (path, acts) in described["paths"].as_object().expect("paths") {
        let path = path.replace("{session}", "99").replace("{label}", "GAL-12");
        let path = path.replace("{limit}", "pack-low");
        let path = path.replace("{name}", "nobody").replace("{job}", "99");
        for method in ["get", "post", "put"] {
            if acts.get(method).is_none() || path == "/v1/stream" {
                continue;
            }
            let answer = api.request(&method.to_uppercase(), &path, b"{}").expect("an answer");
            assert_ne!(answer.status, 405, "{method} {path}");
            if answer.status == 404 {
                let code = answer.refusal().code;
                let known = ["no_such_session", "no_such_source", "no_such_limit", "no_such_job"];
                let known = known.contains(&code.as_str());
                assert!(known, "{method} {path}: {code}");
            }
        }
    }
}

#[test]
fn a_body_without_end_is_refused() {
    let bench = Bench::new("");
    let daemon = bench.daemon();
    let body = format!("{{\"pack\": \"{}\"}}", "x".repeat(32 << 20));
    // The daemon may close the line before it has taken everything.
    if let Ok(answer) = bench.api().request("POST", "/v1/sessions", body.as_bytes()) {
        assert!(answer.status >= 400, "{}", answer.status);
    }
    assert_eq!(bench.api().get("/v1/status").status, 200);
    assert!(daemon.status().open_sessions.is_empty());
}

#[test]
fn the_stream_brings_readings_as_they_arrive() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    let stream = bench.api().open("GET", "/v1/stream", b"").expect("the stream");
    let mut lines = stream.lines().map(|line| line.expect("the stream goes on"));
    assert!(lines.next().is_some_and(|status| status.contains(" 200 ")));
    let kind = lines.find(|l| l.to_lowercase().starts_with("content-type"));
    assert!(kind.is_some_and(|k| k.contains("text/event-stream")));
    cable.send(line(26.4, -12.1).as_bytes());
    // Server-sent events: `data:` lines (HTML standard, 9.2.6).
    let told = lines.find(|l| l.starts_with("data:") && l.contains("-12.1"));
    assert!(told.is_some(), "the reading came");
}

#[test]
fn packs_are_put_and_read_back() {
    let bench = Bench::new("");
    let _daemon = bench.daemon();
    let pack = json!({
        "label": "GAL-07", "rating": {"capacity_ah": 60.0}, "cells_in_series": 8,
        "chemistry": "lithium-iron-phosphate", "cutoff_voltage_volt": 20.0,
    });
    put(&bench.api(), "/v1/packs/GAL-07", &pack);
    let packs: Vec<Value> = bench.api().get("/v1/packs").good().read();
    assert_eq!(packs.len(), 1);
    assert_eq!(packs[0]["label"], json!("GAL-07"));
    assert_eq!(packs[0]["rating"]["capacity_ah"], json!(60.0));
    assert_eq!(packs[0]["chemistry"], json!("lithium-iron-phosphate"));
}

#[track_caller]
fn put(api: &Api, path: &str, body: &Value) {
    let answer = api.request("PUT", path, body.to_string().as_bytes()).expect("an answer");
    answer.good();
}
