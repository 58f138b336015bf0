//! Faults of the configuration: told with file, line, key and the nearest key
//! that exists, and a wrong source stops that source only.

use ampledger_types::api::SourceState;

use crate::peers::{Cable, line};
use crate::util::{Bench, sources};

/// The number of the line on which `what` stands in the configuration.
fn line_of(bench: &Bench, what: &str) -> usize {
    let text = std::fs::read_to_string(bench.config()).expect("the configuration");
    1 + text.lines().position(|row| row.contains(what)).expect("it stands there")
}

/// What `ampledgerd --check` says, and its exit code.
fn check(bench: &Bench) -> (String, Option<i32>) {
    let output = bench.daemon_command().arg("--check").output().expect("the daemon");
    let said = [output.stdout, output.stderr].concat();
    (String::from_utf8_lossy(&said).into_owned(), output.status.code())
}

#[test]
fn a_wrong_key_is_told_with_file_line_key_and_the_nearest() {
    let bench = Bench::new(&sources::lines("bench-shunt").replace("baud", "buad"));
    let (said, code) = check(&bench);
    let place = format!("{}:{}", bench.config().display(), line_of(&bench, "buad"));
    assert!(said.contains(&place), "{said}");
    assert!(said.contains("sources.bench-shunt.serial.buad"), "{said}");
    assert!(said.contains("did you mean `baud`"), "{said}");
    assert_eq!(code, Some(1), "{said}");
}

#[test]
fn every_mistake_is_told_at_once() {
    let wrong = sources::lines("bench-shunt").replace("baud", "buad") + "scael = 2.0\n";
    let bench = Bench::new(&wrong);
    let (said, _) = check(&bench);
    assert!(said.contains("`baud`") && said.contains("`scale`"), "{said}");
}

#[test]
fn a_good_configuration_passes_the_check() {
    let bench = Bench::new(&(sources::lines("bench-shunt") + &sources::scpi("load")));
    let (said, code) = check(&bench);
    assert_eq!(code, Some(0), "{said}");
}

#[test]
fn a_wrong_source_stops_that_source_only_and_doctor_lists_it() {
    let wrong = sources::lines("clamp").replace("baud", "buad");
    let bench = Bench::new(&(sources::lines("bench-shunt") + &wrong));
    let cable = Cable::plugged(bench.path("bench-shunt"));
    let daemon = bench.daemon();
    daemon.until_opened("bench-shunt", 1);
    cable.end_first_line();
    cable.send(line(26.4, -12.1).as_bytes());
    daemon.until_samples("bench-shunt", 1);
    let refused = daemon.source("clamp");
    assert_eq!(refused.state, SourceState::Failed);
    assert!(refused.reason.is_some_and(|why| why.contains("buad")));
    let doctor = bench.ampledger("doctor");
    assert!(doctor.out().contains("buad"), "{}{}", doctor.out(), doctor.err());
}

#[test]
fn a_file_that_is_no_toml_is_told_with_its_line() {
    let bench = Bench::new("[sources.load\n");
    let output = bench.daemon_command().output().expect("the daemon");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let place = format!("{}:{}", bench.config().display(), line_of(&bench, "[sources.load"));
    assert!(said.contains(&place), "{said}");
    assert_eq!(output.status.code(), Some(78), "{said}");
}

#[test]
fn a_variable_wins_over_the_file_and_a_flag_over_the_variable() {
    let bench = Bench::new(&sources::lines("bench-shunt"));
    let mut command = bench.daemon_command();
    command.env("AMPLEDGER_STORE__PATH", bench.path("variable.db"));
    let daemon = crate::util::Daemon::start(command, &bench.path("."), bench.api());
    assert!(daemon.status().store.path.ends_with("variable.db"));
    drop(daemon);
    let mut command = bench.daemon_command();
    command.env("AMPLEDGER_STORE__PATH", bench.path("variable.db"));
    command.arg("--store").arg(bench.path("flag.db"));
    let daemon = crate::util::Daemon::start(command, &bench.path("."), bench.api());
    assert!(daemon.status().store.path.ends_with("flag.db"));
}
