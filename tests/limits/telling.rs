//! Who is told when a limit is passed, and what happens when that fails.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt;
use std::sync::{Arc, Mutex};

use ampledger_types::alarm::{AlarmState, LimitStanding};
use serde_json::{Value, json};

use super::{TELL, limit, pack_low, program, told, until_standing};
use crate::peers::{Sensor, line};
use crate::util::until;
use crate::yard::{PACE, Yard};

#[test]
fn a_command_gets_the_alarm_when_a_limit_is_passed_and_when_it_is_over() {
    let mut yard = Yard::new(&(pack_low("\"tell\"", "hysteresis = 0.5") + TELL));
    program(&yard.bench, "");
    yard.bench.ampledger("start --pack GAL-07").good();
    yard.read(20.1, -12.0);
    assert_eq!(limit(&yard.bench, "pack-low").standing, LimitStanding::Within);
    yard.read(19.9, -12.0);
    until_standing(&yard, "pack-low", LimitStanding::Passed);
    let alarms = until("the program is run", || Some(told(&yard.bench)).filter(|a| !a.is_empty()));
    let alarm = &alarms[0];
    assert_eq!((alarm.limit.as_str(), alarm.state), ("pack-low", AlarmState::Passed));
    assert_eq!((alarm.value, alarm.bound, alarm.unit.as_str()), (Some(19.9), Some(20.0), "V"));
    assert_eq!((alarm.session, alarm.pack.as_deref()), (Some(1), Some("GAL-07")));
    assert_eq!(alarm.sentence, "pack-low: 19.9 V on bench-shunt, at or below 20.0 V.");
    let status = yard.bench.ampledger("status");
    assert!(status.out().contains(&alarm.sentence), "{}", status.out());
    // Back, but not by the hysteresis.
    yard.read(20.4, -1.0);
    assert_eq!(limit(&yard.bench, "pack-low").standing, LimitStanding::Passed);
    yard.read(20.6, -1.0);
    until_standing(&yard, "pack-low", LimitStanding::Within);
    let over = until("it is told that it is over", || {
        told(&yard.bench).into_iter().find(|alarm| alarm.state == AlarmState::Over)
    });
    assert_eq!(over.sentence, "pack-low is over: 20.6 V on bench-shunt.");
}

#[test]
fn a_command_that_fails_is_tried_three_times_and_then_marked() {
    let mut yard = Yard::new(&(pack_low("\"tell\"", "") + TELL));
    program(&yard.bench, "echo no line to the yard >&2; exit 3");
    yard.bench.ampledger("start --pack GAL-07").good();
    yard.read(19.9, -12.0);
    let action = until("it is given up", || {
        limit(&yard.bench, "pack-low").actions.into_iter().find(|action| action.failed == 1)
    });
    assert_eq!(told(&yard.bench).len(), 3);
    let why = action.last_failure.expect("why");
    assert!(why.contains("exit status: 3") && why.contains("no line to the yard"), "{why}");
    until("it is marked", || {
        let report = yard.bench.ampledger("show last --json").json();
        let markers = report["markers"].as_array().expect("markers").clone();
        let mut texts = markers.iter().filter_map(|marker| marker["text"].as_str());
        texts.any(|text| text.contains("`tell` failed 3 times")).then_some(())
    });
}

#[test]
fn a_value_that_flutters_does_not_run_a_command_each_time() {
    let action = "\n[actions.tell]\ncommand = [\"DIR/tell\"]\nat_most_every_second = 3600\n";
    let mut yard = Yard::new(&(pack_low("\"tell\"", "hysteresis = 0") + action));
    program(&yard.bench, "");
    let mut is_low = false;
    yard.sensor = Some(Sensor::start(&yard.cable, PACE, move |_| {
        is_low = !is_low;
        Some(line(if is_low { 19.9 } else { 20.1 }, -12.0))
    }));
    let action = until("most are left out", || {
        limit(&yard.bench, "pack-low").actions.into_iter().find(|a| a.left_out > 20 && a.done > 0)
    });
    assert_eq!(action.done, 1, "{action:?}");
    assert_eq!(told(&yard.bench).len(), 1);
}

/// What was asked of a web server: heads and bodies.
type Asked = Arc<Mutex<Vec<(String, Value)>>>;

/// Answers each request with the next of these; gives what was asked.
fn web(answers: &'static [&'static str]) -> (String, Asked) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let url = format!("http://{}/yard?token=s3cret", listener.local_addr().expect("an address"));
    let asked = Arc::new(Mutex::new(Vec::new()));
    let seen = Arc::clone(&asked);
    std::thread::spawn(move || {
        for (stream, answer) in listener.incoming().zip(answers) {
            let mut stream = BufReader::new(stream.expect("a client"));
            let mut head = String::new();
            while !head.ends_with("\r\n\r\n") && stream.read_line(&mut head).expect("a head") > 0 {}
            let length = head.to_lowercase();
            let length = length.split("content-length:").nth(1).expect("a length");
            let length = length.lines().next().expect("a length").trim().parse().expect("a length");
            let mut body = vec![0; length];
            stream.read_exact(&mut body).expect("a body");
            let body = serde_json::from_slice(&body).expect("JSON");
            seen.lock().expect("the list").push((head, body));
            let answer = format!("HTTP/1.1 {answer}\r\ncontent-length: 0\r\n\r\n");
            stream.get_mut().write_all(answer.as_bytes()).expect("the answer");
        }
    });
    (url, asked)
}

#[test]
fn a_webhook_is_posted_again_until_the_other_side_takes_it() {
    let (url, asked) = web(&["503 Service Unavailable", "200 OK"]);
    let action = format!(
        "\n[actions.yard]\nwebhook = {{ url = \"{url}\", headers = {{ x-shed = \"2\" }} }}\n"
    );
    let mut yard = Yard::new(&(pack_low("\"yard\"", "") + &action));
    yard.read(19.9, -12.0);
    let action = until("it is taken", || {
        limit(&yard.bench, "pack-low").actions.into_iter().find(|action| action.done == 1)
    });
    assert_eq!((action.failed, action.kind.as_str()), (0, "webhook"));
    let asked = asked.lock().expect("the list");
    assert_eq!(asked.len(), 2);
    assert!(asked[1].0.starts_with("POST /yard?token=s3cret HTTP/1.1"), "{}", asked[1].0);
    assert!(asked[1].0.to_lowercase().contains("x-shed: 2"), "{}", asked[1].0);
    assert_eq!(asked[1].1["limit"], json!("pack-low"));
    assert_eq!(asked[1].1["state"], json!("passed"));
    drop(asked);
    let log = yard.daemon.log();
    assert!(log.contains("503") && !log.contains("s3cret"), "what is secret is not told: {log}");
    let listed = yard.bench.ampledger("limits --json");
    assert!(!listed.out().contains("s3cret"), "{}", listed.out());
}

#[test]
fn actions_in_a_file_that_others_can_write_are_not_run() {
    let yard = Yard::new(&(pack_low("\"tell\"", "") + TELL));
    drop(yard.daemon);
    program(&yard.bench, "");
    let open = std::fs::Permissions::from_mode(0o666);
    std::fs::set_permissions(yard.bench.config(), open).expect("the file's mode");
    let daemon = yard.bench.daemon();
    assert!(daemon.log().contains("others can write this file"), "{}", daemon.log());
    let tried = yard.bench.ampledger("limits test pack-low");
    assert!(tried.out().contains("no action to try"), "{}", tried.out());
    assert_eq!(told(&yard.bench), []);
}
