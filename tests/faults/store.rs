//! Faults around the store and the socket: held by another, left behind.

use std::os::unix::net::UnixListener;

use crate::peers::{Cable, line};
use crate::util::{Bench, sources};

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
