//! Nobody presses start: sessions that begin and end by the bench's rules, and
//! a person whose word always goes first.

use ampledger_types::Session;
use ampledger_types::api::SessionLine;
use ampledger_types::session::OpenedBy;
use serde_json::{Value, json};

use crate::util::{sources, until};
use crate::yard::Yard;

const RATE: f64 = 600.0;

/// A bench on which half an hour of rest is over in three seconds.
fn yard(more: &str) -> Yard {
    Yard::at_rate(RATE, more)
}

fn sessions(yard: &Yard) -> Vec<Session> {
    let lines: Vec<SessionLine> = yard.bench.api().get("/v1/sessions").good().read();
    lines.into_iter().map(|line| line.session).collect()
}

#[track_caller]
fn until_session(yard: &Yard, what: &str, is: impl Fn(&Session) -> bool) -> Session {
    until(what, || sessions(yard).into_iter().rev().find(|session| is(session)))
}

#[test]
fn a_test_that_nobody_started_is_a_session_from_its_first_volt_to_its_rest() {
    let mut yard = yard("");
    yard.read_for(0.1, 0.0, 30);
    assert_eq!(sessions(&yard), []);
    yard.read(26.6, 0.0);
    let session = until_session(&yard, "a session begins", Session::is_open);
    assert_eq!(session.opened_by, OpenedBy::Rule);
    assert_eq!(session.sources, ["bench-shunt"]);
    yard.read_for(25.4, -12.0, 30);
    yard.read(26.1, 0.0);
    let ended = until_session(&yard, "the rest ends it", |session| !session.is_open());
    assert_eq!(ended.id, session.id);
    let markers = yard.markers(session.id);
    let said = |what: &str| markers.iter().any(|text| text.contains(what));
    assert!(said("began by rule: a pack is connected: 26.6 V kept within 0.5 %"), "{markers:?}");
    assert!(said("ended by rule: the discharge is over and the pack has rested for 30 min"));
    let report = yard.bench.ampledger(&format!("show {} --json", session.id)).json();
    let kinds: Vec<&Value> = report["phases"].as_array().expect("phases").iter().collect();
    let kinds: Vec<&str> = kinds.iter().filter_map(|phase| phase["kind"].as_str()).collect();
    assert_eq!(kinds, ["rest", "discharge", "rest"], "{report:#}");
}

#[test]
fn a_session_that_began_by_itself_is_named_later() {
    let mut yard = yard("");
    yard.read(26.6, 0.0);
    let session = until_session(&yard, "a session begins", Session::is_open);
    let status = yard.bench.ampledger("status");
    assert!(status.out().contains("ampledger tag 1 --pack LABEL"), "{}", status.out());
    yard.bench.ampledger(&format!("tag {} --pack GAL-07", session.id)).good();
    let named = until_session(&yard, "the session", |session| session.pack.is_some());
    assert_eq!(named.opened_by, OpenedBy::RuleAdopted);
    assert!(named.is_open(), "it goes on");
    // The rule that opened it still ends it.
    yard.read(0.05, 0.0);
    let ended = until_session(&yard, "the pack is gone", |session| !session.is_open());
    assert_eq!((ended.id, ended.pack.as_deref()), (session.id, Some("GAL-07")));
    let markers = yard.markers(session.id);
    let gone = |text: &String| text.contains("ended by rule: the pack is gone: 0.050 V for 60 s");
    assert!(markers.iter().any(gone), "{markers:?}");
}

#[test]
fn a_trip_is_marked_with_the_reading_that_showed_it() {
    let mut yard = yard("");
    yard.read_for(26.6, 0.0, 30);
    yard.read_for(21.0, -12.0, 30);
    yard.read_for(0.2, 0.0, 30);
    let session = until_session(&yard, "a session", |_| true);
    let markers = until("the trip is marked", || {
        let markers = yard.markers(session.id);
        let trip =
            |text: &String| text.starts_with("protection trip: ") && text.contains("0.200 V");
        markers.iter().any(trip).then_some(markers)
    });
    assert_eq!(markers.iter().filter(|text| text.starts_with("protection trip")).count(), 1);
}

#[test]
fn a_person_who_starts_takes_the_place_of_the_rule() {
    let mut yard = yard("");
    yard.read(26.6, 0.0);
    let by_rule = until_session(&yard, "a session begins", Session::is_open);
    yard.bench.ampledger("start --pack GAL-07 --tag shed=2").good();
    let all = sessions(&yard);
    assert_eq!(all.len(), 1, "one test, one session: {all:?}");
    assert_eq!((all[0].id, all[0].opened_by), (by_rule.id, OpenedBy::Person));
    assert!(all[0].start > by_rule.start, "it begins when the person says");
    // Nothing ends what a person began.
    yard.read_for(25.4, -12.0, 30);
    yard.read(0.05, 0.0);
    yard.daemon.until_samples("bench-shunt", 800);
    assert!(sessions(&yard)[0].is_open());
}

#[test]
fn what_a_person_ended_is_not_begun_again_until_the_pack_is_gone() {
    let mut yard = yard("");
    yard.read(26.6, 0.0);
    until_session(&yard, "a session begins", Session::is_open);
    yard.bench.ampledger("stop").good();
    yard.read_for(25.4, -12.0, 30);
    yard.read_for(26.1, 0.0, 30);
    assert_eq!(sessions(&yard).len(), 1, "the same pack, the same person");
    yard.read_for(0.05, 0.0, 30);
    yard.read(26.5, 0.0);
    let next = until_session(&yard, "the next pack has its session", Session::is_open);
    assert_eq!(next.id, 2);
}

#[test]
fn rules_can_be_switched_off_for_a_source() {
    let mut yard = yard("[sources.bench-shunt.sessions]\nopen = false\n");
    yard.read_for(26.6, 0.0, 30);
    yard.read_for(25.4, -12.0, 30);
    assert_eq!(sessions(&yard), []);
}

#[test]
fn a_session_takes_the_sources_along_that_the_configuration_names() {
    let with = "[sources.bench-shunt.sessions]\nwith = [\"clamp\"]\n";
    let mut yard = yard(&(with.to_owned() + &sources::lines("clamp")));
    yard.read(26.6, 0.0);
    let session = until_session(&yard, "a session begins", Session::is_open);
    assert_eq!(session.sources, ["bench-shunt", "clamp"]);
}

#[test]
fn a_restart_begins_nothing_and_ends_nothing() {
    let mut yard = yard("");
    yard.read(26.6, 0.0);
    let session = until_session(&yard, "a session begins", Session::is_open);
    yard.read_for(25.4, -12.0, 30);
    let mut yard = yard.restart(RATE);
    yard.daemon.until_samples("bench-shunt", 30);
    let sessions = sessions(&yard);
    assert_eq!(sessions.len(), 1, "{sessions:?}");
    assert!(sessions[0].is_open());
    // And the rules go on where they were.
    yard.read(26.1, 0.0);
    let ended = until_session(&yard, "the rest ends it", |session| !session.is_open());
    assert_eq!(ended.id, session.id);
}

#[test]
fn who_forgot_to_start_is_shown_what_looks_like_a_test() {
    let mut yard = yard("[sources.bench-shunt.sessions]\nopen = false\n");
    yard.read_for(0.1, 0.0, 30);
    yard.read_for(26.6, 0.0, 30);
    yard.read_for(25.4, -12.0, 30);
    yard.read_for(26.1, 0.0, 30);
    yard.read_for(0.1, 0.0, 30);
    let found = until("the pack is gone", || {
        let found = yard.bench.ampledger("sessions --suggest --json").json();
        let is_over = !found[0]["stretch"]["end"].is_null();
        is_over.then_some(found)
    });
    assert_eq!(found.as_array().map(Vec::len), Some(1), "{found:#}");
    assert_eq!(found[0]["source"], json!("bench-shunt"));
    let claim = found[0]["claim"].as_str().expect("a claim");
    assert!(claim.contains("Ah") && !claim.contains("session 0"), "{claim}");
    let store = yard.bench.store();
    let offline = ["sessions", "--suggest", "--json", "--store", store.to_str().expect("a path")];
    let offline = yard.bench.ampledger_with(&offline).json();
    assert_eq!(offline[0]["stretch"], found[0]["stretch"], "the same with and without a daemon");
    let adopt = format!("start --adopt {} --pack GAL-07 --json", found[0]["number"]);
    let session = yard.bench.ampledger(&adopt).json();
    assert_eq!(session["session"]["start"], found[0]["stretch"]["start"]);
    assert_eq!(session["session"]["end"], found[0]["stretch"]["end"]);
    let report = yard.bench.ampledger("show GAL-07 --json").json();
    assert!(report["main_discharge"].is_u64(), "{report:#}");
    let left = yard.bench.ampledger("sessions --suggest --json").json();
    assert_eq!(left, json!([]), "it is a session now");
}

#[test]
fn a_test_after_a_session_that_was_ended_is_not_to_be_taken_up_as_that_session() {
    let mut yard = yard("");
    yard.read(26.6, 0.0);
    until_session(&yard, "a session begins", Session::is_open);
    yard.bench.ampledger("stop").good();
    yard.read_for(25.4, -12.0, 30);
    yard.read_for(26.1, 0.0, 30);
    // Dark for more than ten minutes without a load: the pack is gone.
    yard.fall_silent();
    let found = until("the pack is gone", || {
        let found = yard.bench.ampledger("sessions --suggest --json").json();
        (!found[0]["stretch"]["end"].is_null()).then_some(found)
    });
    assert_eq!(found[0]["session"], Value::Null, "session 1 has no discharge: {found:#}");
}

#[test]
fn a_suggestion_that_is_none_is_refused() {
    let yard = yard("");
    let run = yard.bench.ampledger("start --adopt 99 --pack GAL-07").fails_with(4);
    assert!(run.err().contains("--suggest"), "{}", run.err());
}
