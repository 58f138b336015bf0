//! A recorded file played again: times come from the file, so figures are
//! exact, and playing it twice gives the same digits.

use std::fmt::Write as _;
use std::ops::ControlFlow;
use std::path::Path;
use std::time::Duration;

use ampledger_store::{Range, Reader};
use ampledger_types::api::SourceState;
use ampledger_types::result::{PhaseKind, SessionReport};

use crate::peers::{Cable, Manners, Scpi};
use crate::util::{Bench, sources};

/// A discharge of 1 h at 12 A, voltage falling in a straight line from 26 V to
/// 24 V, at irregular times (2 s and 3 s in turn), rests of 60 s around it.
fn file() -> String {
    let mut text = String::from("Test Time [s],Voltage [V],Current [A]\n");
    let mut second = 0_u32;
    while second <= 3720 {
        let loaded = f64::from(second) - 60.0;
        let (volt, ampere) = match loaded {
            t if !(0.0..=3600.0).contains(&t) => (26.2, 0.0),
            t => (26.0 - 2.0 * t / 3600.0, -12.0),
        };
        writeln!(text, "{second},{volt},{ampere}").expect("a string");
        second += if second.is_multiple_of(5) { 2 } else { 3 };
    }
    text
}

fn played(name: &str) -> (Bench, SessionReport) {
    let bench = Bench::new(&sources::replay("old-run", name, ""));
    bench.write(name, file().as_bytes());
    let daemon = bench.daemon();
    daemon.until("the file is played", "old-run", |s| s.state == SourceState::Finished);
    daemon.until_recorded(daemon.status().store.newest);
    bench.ampledger("start --pack GAL-07 --source old-run").good();
    bench.ampledger("stop").good();
    let report = bench.ampledger("show last --json").json();
    assert!(daemon.stop().success());
    (bench, serde_json::from_value(report).expect("a session report"))
}

#[test]
fn a_replayed_file_gives_exact_figures() {
    let (_bench, report) = played("old-run.csv");
    let discharge = report.phases.iter().find(|p| p.kind == PhaseKind::Discharge);
    let discharge = discharge.unwrap_or_else(|| panic!("{:#?}", report.phases));
    // The load comes on between 57 s (or 58 s) and 60 s of the file and goes
    // off likewise: those intervals belong to the discharge by trapezoid.
    let delivered = report.results.discharging_capacity_ah.value.expect("a figure");
    let (least, most) = (12.0, 12.0 + 12.0 * 6.0 / 3600.0);
    assert!((least..=most).contains(&delivered), "{delivered}");
    assert_eq!(discharge.charge_ah.map(|q| -q), Some(delivered));
}

/// Every sample of a source in a store: how long after the first, and what.
fn samples(store: &Path, source: &str) -> Vec<(i64, Vec<f64>)> {
    let reader = Reader::open(store).expect("a store");
    let mut all = Vec::new();
    let range = Range { sources: vec![source.to_owned()], ..Range::everything() };
    let read = reader.samples(&range, |stored| {
        all.push((stored.sample.t_us, stored.sample.values));
        ControlFlow::Continue(())
    });
    read.expect("samples");
    let first_us = all.first().map_or(0, |(t_us, _)| *t_us);
    all.iter_mut().for_each(|(t_us, _)| *t_us -= first_us);
    all
}

/// A store's frame log of one source as a file that can be played.
fn frame_log(store: &Path, source: &str) -> String {
    let reader = Reader::open(store).expect("a store");
    let mut text = String::new();
    let read = reader.frames(source, Range::everything().from, None, |chunk| {
        for frame in &chunk.frames {
            writeln!(text, "{}", frame.to_line()).expect("a string");
        }
        ControlFlow::Continue(())
    });
    read.expect("frames");
    text
}

#[test]
fn a_recorded_frame_log_plays_to_the_same_samples() {
    // A polled instrument with late answers: everything that the decoder saw
    // (what was sent, what timed out) is needed to come to the same samples.
    let live = Bench::new(&sources::scpi("load"));
    let cable = Cable::plugged(live.path("load"));
    let late = Duration::from_millis(300);
    let _load = Scpi::start(&cable, Manners { late_every: 5, late, ..Manners::default() });
    let daemon = live.daemon();
    daemon.until_samples("load", 12);
    assert!(daemon.stop().success());
    let recorded = samples(&live.store(), "load");

    let config = sources::scpi("load").replace("path = \"DIR/load\"\nbaud = 9600\n", "");
    let config = config.replace(
        "[sources.load.serial]",
        "[sources.load.replay]\nfile = \"DIR/load.frames.jsonl\"",
    );
    let again = Bench::new(&config);
    again.write("load.frames.jsonl", frame_log(&live.store(), "load").as_bytes());
    let daemon = again.daemon();
    daemon.until("the log is played", "load", |s| s.state == SourceState::Finished);
    assert!(daemon.stop().success());
    assert!(recorded.len() >= 12, "{} samples", recorded.len());
    assert_eq!(samples(&again.store(), "load"), recorded);
}

#[test]
fn a_long_file_loses_nothing_however_fast_it_is_played() {
    const ROWS: usize = 150_000;
    let bench = Bench::new(&sources::replay("old-run", "long.csv", ""));
    let mut text = String::from("time_s,voltage_V,current_A\n");
    (0..ROWS).for_each(|n| writeln!(text, "{n},26,-12").expect("a string"));
    bench.write("long.csv", text.as_bytes());
    let daemon = bench.daemon();
    daemon.until("the file is played", "old-run", |s| s.state == SourceState::Finished);
    assert_eq!(daemon.source("old-run").counters.dropped, 0);
    assert!(daemon.stop().success());
    assert_eq!(samples(&bench.store(), "old-run").len(), ROWS);
}

#[test]
fn playing_a_file_twice_gives_the_same_digits() {
    let (_one, first) = played("old-run.csv");
    let (_two, second) = played("old-run.csv");
    assert_eq!(first.results, second.results);
    assert_eq!(first.claim, second.claim);
}
