//! The page about a session as a browser shows it, on a phone and on a desk:
//! real Chromium, real layout, pictures kept in the test's folder.

mod browser;

use std::fmt::Write as _;
use std::net::TcpListener;

use ampledger_types::api::SourceState;
use ampledger_types::result::SessionReport;

use crate::util::{Bench, Daemon, sources};
use browser::{Browser, words};

/// A rest, a discharge of half an hour at 12 A with a silence of 200 s in it,
/// a rest; every 2 s.
fn file() -> String {
    let mut text = String::from("Test Time [s],Voltage [V],Current [A]\n");
    for second in (0..=2400_u32).step_by(2).filter(|second| !(900..1100).contains(second)) {
        let loaded = f64::from(second) - 300.0;
        let (volt, ampere) = match (0.0..1800.0).contains(&loaded) {
            true => (26.0 - 2.0 * loaded / 1800.0, -12.0),
            false => (26.8, 0.0),
        };
        writeln!(text, "{second},{volt:.3},{ampere}").expect("a string");
    }
    text
}

/// A bench on which that file was played, with a session about `pack`.
fn played(pack: &str) -> (Bench, Daemon) {
    let bench = Bench::new(&sources::replay("bench-shunt", "run.csv", ""));
    bench.write("run.csv", file().as_bytes());
    let daemon = bench.daemon();
    daemon.until("the file is played", "bench-shunt", |s| s.state == SourceState::Finished);
    daemon.until_recorded(daemon.status().store.newest);
    let start = ["start", "--pack", pack, "--rated-ah", "60", "--source", "bench-shunt"];
    bench.ampledger_with(&start).good();
    bench.ampledger("stop").good();
    (bench, daemon)
}

fn shown(bench: &Bench) -> SessionReport {
    serde_json::from_value(bench.ampledger("show last --json").json()).expect("a report")
}

#[test]
fn the_page_is_the_same_with_and_without_a_daemon() {
    let (bench, daemon) = played("GAL-07");
    let run = bench.ampledger("report last").good();
    let live = std::fs::read_to_string(bench.path("GAL-07-1.html")).expect("the page");
    assert!(run.out().contains("GAL-07-1.html") && run.out().contains("file://"), "{}", run.out());
    let by_api = bench.api().get("/v1/sessions/last/report").good();
    assert!(by_api.header("content-type").is_some_and(|kind| kind.starts_with("text/html")));
    let policy = by_api.header("content-security-policy");
    assert!(policy.is_some_and(|policy| policy.starts_with("default-src 'none'")));
    assert!(daemon.stop().success());
    let store = bench.store();
    let store = store.to_str().expect("a path");
    let still = bench.ampledger_with(&["report", "last", "--store", store, "--output", "-"]).good();
    assert_eq!(still.out(), live);
    assert!(live.contains("PROVISIONAL"));
}

#[test]
fn a_page_that_is_there_is_kept_unless_told_otherwise() {
    let (bench, _daemon) = played("GAL-07");
    let file = bench.write("mine.html", b"mine");
    let path = file.to_str().expect("a path");
    let refused = bench.ampledger_with(&["report", "last", "--output", path]).fails_with(4);
    assert!(refused.err().contains("--force"), "{}", refused.err());
    assert_eq!(std::fs::read(&file).expect("still there"), b"mine");
    let json = bench.ampledger_with(&["report", "1", "--output", path, "--force", "--json"]).json();
    assert_eq!(json["file"], path);
    assert!(std::fs::read_to_string(&file).expect("the page").starts_with("<!doctype html>"));
    bench.ampledger("report GAL-12").fails_with(4);
}

#[test]
fn a_browser_shows_the_claim_and_every_phase_on_a_phone_and_on_a_desk() {
    let Some(browser) = Browser::found() else { return };
    let (bench, _daemon) = played("GAL-07");
    bench.ampledger("report last --output page.html").good();
    let report = shown(&bench);
    let seen = words(&browser.dom(&bench, "page.html"));
    let (first, rest) = report.claim.split_once(". ").expect("two sentences");
    assert!(seen.contains(&format!("{first}.")) && seen.contains(rest), "{seen}");
    assert_eq!(report.phases.len(), 3, "{:#?}", report.phases);
    for phase in ["1 rest 0:00:0", "2 discharge 0:0", "3 rest 0:3"] {
        assert!(seen.contains(phase), "{phase} in {seen}");
    }
    for width in [390, 1200] {
        let picture = browser.picture(&bench, "page.html", width);
        let bytes = std::fs::read(&picture).expect("a picture");
        // PNG, third edition, 11.2.1: the width stands first in the header chunk.
        assert_eq!(bytes[16..20], u32::to_be_bytes(width), "{}", picture.display());
        assert!(bytes.len() > 20_000, "there is something on it: {} bytes", bytes.len());
    }
}

#[test]
fn nothing_is_wider_than_a_phone() {
    let Some(browser) = Browser::found() else { return };
    let (bench, _daemon) = played(&"W".repeat(90));
    bench.ampledger_with(&["tag", "last", "--note", &"no-blank-in-it".repeat(40)]).good();
    bench.ampledger("report last --output page.html").good();
    for width in [360, 390, 768] {
        assert_eq!(browser.scroll_width(&bench, "page.html", width), width);
    }
}

#[test]
fn the_page_asks_nobody_for_anything_whatever_people_wrote() {
    let Some(browser) = Browser::found() else { return };
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    listener.set_nonblocking(true).expect("a port that does not wait");
    let away = format!("http://{}", listener.local_addr().expect("its address"));
    let label = format!("</title><img src={away}/label>");
    let note =
        format!("</td><script>fetch('{away}/note')</script><style>@import url({away}/css)</style>");
    let (bench, _daemon) = played(&label);
    bench.ampledger_with(&["tag", "last", "--note", &note]).good();
    bench.ampledger("report last --output page.html").good();
    let dom = browser.dom(&bench, "page.html");
    assert!(words(&dom).contains(&note), "{dom}");
    for element in ["<script", "<img", "<iframe", "<object", " src=\""] {
        assert!(!dom.contains(element), "{element} in {dom}");
    }
    assert_eq!(dom.matches("<style>").count(), 1);
    let asked = listener.accept();
    assert!(asked.is_err(), "somebody was asked: {asked:?}");
}
