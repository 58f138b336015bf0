//! Faults around the store and the socket: held by another, left behind, damaged,
//! or made by a newer program.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixListener;
use std::process::{Child, Command, Stdio};

use ampledger_store::{Range, Reader};

use crate::peers::{Cable, line};
use crate::util::{Bench, skip, sources, until};
use crate::yard::Yard;

#[test]
fn of_two_daemons_on_one_store_the_second_says_who_holds_it() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let first = bench.daemon();
    let mut second = bench.daemon_command();
    second.arg("--socket").arg(bench.path("second.sock"));
    let output = second.output().expect("the daemon");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(75), "{said}");
    assert!(said.contains(&first.id().to_string()), "who holds it: {said}");
    assert!(said.contains("bench.db"), "which store: {said}");
    first.until_opened("bench-shunt", 1);
    cable.end_first_line();
    cable.send(line(26.4, -12.1).as_bytes());
    first.until_samples("bench-shunt", 1);
    assert!(first.stop().success(), "the first is not disturbed");
}

#[test]
fn a_socket_left_from_a_crash_is_no_obstacle() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    bench.daemon().kill();
    assert!(bench.socket().exists(), "the crash left a socket behind");
    let daemon = bench.daemon();
    assert!(daemon.stop().success());
}

#[test]
fn a_socket_that_somebody_answers_on_is_left_alone() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let _other = UnixListener::bind(bench.socket()).expect("a socket");
    let output = bench.daemon_command().output().expect("the daemon");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(75), "{said}");
    assert!(said.contains("api.sock"), "{said}");
    assert!(bench.socket().exists());
}

#[test]
fn a_file_that_is_no_store_is_not_overwritten() {
    let bench = Bench::new("");
    let text = b"the yard's shopping list\n".repeat(200);
    std::fs::write(bench.store(), &text).expect("a file");
    let output = bench.daemon_command().output().expect("the daemon");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success(), "{said}");
    assert!(said.contains("bench.db"), "{said}");
    assert_eq!(std::fs::read(bench.store()).expect("still there"), text);
}

#[test]
fn a_store_of_a_newer_program_is_left_alone_and_recording_goes_on_beside_it() {
    let mut bench = Bench::new(&sources::lines("bench-shunt"));
    recorded(&bench);
    let db = rusqlite::Connection::open(bench.store()).expect("the store");
    let known: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0)).expect("it");
    db.pragma_update(None, "user_version", known + 1).expect("a newer one");
    drop(db);
    let before = std::fs::read(bench.store()).expect("the store");
    let beside = bench.path(&format!("bench.db.beside-format-{known}"));
    for run in 1..=2 {
        let cable = Cable::plugged(bench.path("bench-shunt"));
        let daemon = bench.daemon();
        let mut yard = Yard::of(bench, daemon, cable);
        let alarms = yard.daemon.status().alarms;
        assert!(alarms.iter().any(|text| text.contains("use the newer program")), "{alarms:?}");
        assert!(alarms[0].contains(&beside.display().to_string()), "{alarms:?}");
        let doctor = yard.bench.ampledger("doctor").fails_with(1);
        assert!(doctor.out().contains("use the newer program"), "{}", doctor.out());
        yard.read_for(26.4, -12.1, 50);
        yard.fall_silent();
        assert!(yard.daemon.stop().success());
        assert!(numbers(&beside).len() as u64 >= 50 * run, "it is recorded into each time");
        bench = yard.bench;
    }
    assert_eq!(std::fs::read(bench.store()).expect("the store"), before, "left alone");
}

/// Somebody's own shell in the middle of a change to the store.
fn shell(bench: &Bench) -> Option<Child> {
    let mut command = Command::new("sqlite3");
    command.arg(bench.store()).stdin(Stdio::piped()).stdout(Stdio::piped());
    let Ok(mut child) = command.spawn() else {
        skip("no `sqlite3` shell (Debian: sqlite3)");
        return None;
    };
    let stdin = child.stdin.as_mut().expect("its input");
    writeln!(stdin, ".timeout 20000\nBEGIN IMMEDIATE;\nSELECT 'held';").expect("it reads");
    let mut said = String::new();
    let stdout = child.stdout.as_mut().expect("its output");
    BufReader::new(stdout).read_line(&mut said).expect("its output");
    assert_eq!(said.trim(), "held");
    Some(child)
}

#[test]
fn a_store_held_by_somebodys_shell_is_told_by_name_and_nothing_is_lost() {
    let mut yard = Yard::new("");
    yard.read_for(26.4, -12.1, 100);
    let Some(mut shell) = shell(&yard.bench) else { return };
    let holder = format!("sqlite3 (process {})", shell.id());
    let trouble = until("it is told", || yard.daemon.status().store.trouble);
    assert!(trouble.contains(&holder), "{trouble}");
    let said = yard.bench.ampledger("status");
    assert!(said.out().contains(&holder), "{}", said.out());
    yard.read_for(25.0, -12.1, 300);
    let stuck = yard.daemon.status().store;
    assert!(stuck.newest > stuck.recorded_up_to + 200, "{stuck:?}");
    shell.kill().expect("it is closed");
    shell.wait().expect("its end");
    yard.daemon.until_recorded(stuck.newest);
    until("the alarm is over", || yard.daemon.status().store.trouble.is_none().then_some(()));
    yard.fall_silent();
    let sent = yard.daemon.source("bench-shunt").counters.samples;
    assert!(yard.daemon.stop().success());
    assert_eq!(numbers(&yard.bench.store()).len() as u64, sent);
}

/// Numbers of the samples in a store, as its own reader gives them.
fn numbers(store: &std::path::Path) -> Vec<u64> {
    let mut numbers = Vec::new();
    let reader = Reader::open(store).expect("a store");
    let done = reader.samples(&Range::everything(), |sample| {
        numbers.push(sample.seq);
        std::ops::ControlFlow::Continue(())
    });
    done.expect("its samples");
    numbers
}

/// A store of some thousand samples that the daemon recorded, stopped in order.
fn recorded(bench: &Bench) -> u64 {
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    bench.ampledger("start --pack GAL-07").good();
    for _ in 0..50 {
        cable.send(line(26.4, -12.1).repeat(100).as_bytes());
    }
    daemon.until_samples("bench-shunt", 5_000);
    assert!(daemon.stop().success());
    5_000
}

#[test]
fn a_damaged_chunk_is_named_by_the_doctor_and_costs_no_other_sample() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let all = recorded(&bench);
    let db = rusqlite::Connection::open(bench.store()).expect("the store");
    let spoil = "UPDATE chunk_data SET data = \
                 CAST(substr(data, 1, 40) || x'ff' || substr(data, 42) AS BLOB) \
                 WHERE chunk = (SELECT min(id) FROM chunk)";
    assert_eq!(db.execute(spoil, []).expect("a chunk"), 1);
    let lost: i64 = db
        .query_row("SELECT samples FROM chunk ORDER BY id LIMIT 1", [], |row| row.get(0))
        .expect("its row");
    drop(db);
    let store = bench.store();
    let store = store.to_str().expect("a path");
    let run = bench.ampledger_with(&["doctor", "--store", store]).fails_with(1);
    assert!(run.out().contains("bench-shunt") && run.out().contains("checksum"), "{}", run.out());
    assert_eq!(numbers(&bench.store()).len() as u64, all - lost.unsigned_abs());
    // The daemon records on, and its doctor says the same.
    let daemon = bench.daemon();
    let run = bench.ampledger("doctor").fails_with(1);
    assert!(run.out().contains(&format!("{lost} samples of bench-shunt")), "{}", run.out());
    assert!(daemon.stop().success());
}

#[test]
fn a_damaged_store_is_set_aside_whole_recording_goes_on_and_salvage_brings_the_rest() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let all = recorded(&bench);
    let root: i64 = rusqlite::Connection::open(bench.store())
        .and_then(|db| {
            let find = "SELECT rootpage FROM sqlite_schema WHERE name = 'tail'";
            db.query_row(find, [], |row| row.get(0))
        })
        .expect("the page of the tail");
    let mut bytes = std::fs::read(bench.store()).expect("the store");
    let begin = (root as usize - 1) * 4096;
    bytes[begin..begin + 4096].fill(0x5a);
    std::fs::write(bench.store(), &bytes).expect("damage");

    let daemon = bench.daemon();
    assert!(daemon.log().contains("ampledger salvage"), "{}", daemon.log());
    let status = daemon.status();
    assert_eq!(status.open_sessions.len(), 1, "the session goes on");
    let cable = Cable::plugged(bench.path("bench-shunt"));
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    cable.send(line(26.4, -12.1).repeat(5).as_bytes());
    daemon.until_samples("bench-shunt", 5);
    assert!(daemon.stop().success());

    let aside = bench.path("bench.db.damaged-1");
    assert_eq!(std::fs::read(&aside).expect("set aside"), bytes, "whole");
    let saved = bench.path("saved.db");
    let (aside, saved_name) = (aside.display(), saved.display());
    bench.ampledger(&format!("salvage {aside} {saved_name}")).fails_with(1);
    let found = numbers(&saved);
    assert!(!found.is_empty() && found.len() as u64 <= all, "{}", found.len());
    assert_eq!(found, (1..=found.len() as u64).collect::<Vec<_>>(), "the sealed ones");
}
