//! What it costs to look for the charge that proves a pack full: a short session
//! after weeks of record, with the charge in the last two days, a week back, or
//! nowhere. Beside it the bare columns of the same stretch, because machines
//! differ and the ratio is what counts; and the memory it takes.
//!
//! `cargo bench -p ampledger-report`; `AMPLEDGER_DAYS` is the length of the record.

use std::error::Error;
use std::hint::black_box;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use ampledger_report::{SessionFeed, Subject, View};
use ampledger_store::{Batch, NewRun, NewSession, NumberedSample, Range, Reader, Store};
use ampledger_types::{
    Bound, Channel, Chemistry, DecodeSet, Group, Pack, Quantity, Rating, RunId, Sample,
};

type Failure = Box<dyn Error>;

/// Days of record before the session, at a reading a second.
const DAYS: i64 = 10;
const DAY_SECOND: i64 = 86_400;
/// The session itself.
const SESSION_SECOND: i64 = 600;
const ROUNDS: usize = 5;

fn main() -> Result<(), Failure> {
    let days = match std::env::var("AMPLEDGER_DAYS") {
        Ok(text) => text.parse().map_err(|_| format!("AMPLEDGER_DAYS: {text}"))?,
        Err(_) => DAYS,
    };
    let folder = tempfile::tempdir()?;
    println!("{days} days of record, a reading of 2 channels a second");
    for (name, charged_day) in [("a day back", 1), ("five days back", 5), ("nowhere", i64::MAX)] {
        let path = folder.path().join(format!("{charged_day}.db"));
        let session = fill(&path, days, charged_day)?;
        measure(name, &path, session, charged_day)?;
    }
    Ok(())
}

/// A store whose pack was charged so many days before its session.
fn fill(path: &Path, days: i64, charged_day: i64) -> Result<i64, Failure> {
    let mut store = Store::open(path)?;
    store.put_pack(&Pack {
        label: "GAL-07".to_owned(),
        rating: Some(Rating { capacity_ah: 60.0, ..Rating::default() }),
        chemistry: Some(Chemistry::LithiumIronPhosphate),
        cells_in_series: Some(8),
        charge_voltage_volt: Some(29.2),
        cutoff_voltage_volt: Some(20.0),
        ..Pack::default()
    })?;
    let run = store.begin_run(&NewRun {
        boot_id: "bench".to_owned(),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: "bench".to_owned(),
        replay_of: None,
    })?;
    let decode_set = Arc::new(DecodeSet {
        source: "bench-shunt".to_owned(),
        decoder: "text-lines".to_owned(),
        decoder_version: "1".to_owned(),
        config_digest: "bench".to_owned(),
        identity: None,
    });
    let channels = [Quantity::Voltage, Quantity::Current].map(Channel::of).to_vec();
    let group = Arc::new(Group { name: String::new(), channels });
    let begins = days * DAY_SECOND;
    let charged = begins.saturating_sub(charged_day.saturating_mul(DAY_SECOND));
    let sample = |second: i64| {
        let (volt, ampere) = reading(second - charged, second - begins);
        let values = vec![volt + (second * 7 % 11) as f64 * 1e-3, ampere];
        let group = Arc::clone(&group);
        let sample = Sample { group, t_us: second * 1_000_000, instrument_t_us: None, values };
        let decode_set = Arc::clone(&decode_set);
        NumberedSample { seq: second as u64 + 1, run: run.id, decode_set, sample }
    };
    let all: Vec<i64> = (0..begins + SESSION_SECOND).collect();
    for part in all.chunks(8192) {
        let samples = part.iter().map(|second| sample(*second)).collect();
        store.append(&Batch { samples, ..Batch::default() })?;
    }
    store.seal()?;
    session(&mut store, run.id, begins)
}

fn session(store: &mut Store, run: RunId, begins: i64) -> Result<i64, Failure> {
    let at = |second: i64| Bound { run, t_us: second * 1_000_000 };
    let mut session = store.insert_session(&NewSession {
        pack: Some("GAL-07".to_owned()),
        sources: vec!["bench-shunt".to_owned()],
        opened_by: Default::default(),
        start: at(begins),
        cutoff_voltage_volt: None,
        cutoff_rule: Default::default(),
        tags: Vec::new(),
    })?;
    session.end = Some(at(begins + SESSION_SECOND - 1));
    store.put_session(&session)?;
    Ok(session.id)
}

/// Voltage and current so long after the charge began, and after the load did.
fn reading(charged_second: i64, loaded_second: i64) -> (f64, f64) {
    match charged_second {
        _ if loaded_second >= 60 => (26.2, -12.0),
        0..1800 => (27.0 + charged_second as f64 * 1.2e-3, 12.0),
        1800..3600 => (29.2, 12.0 * (-((charged_second - 1800) as f64) / 600.0).exp()),
        _ => (27.0, 0.0),
    }
}

fn measure(name: &str, path: &Path, session: i64, charged_day: i64) -> Result<(), Failure> {
    let reader = Reader::open(path)?;
    let subject = Subject::read(&reader, session)?;
    let (start, view) = (subject.session.start, View::default());
    let alone = fastest(|| {
        SessionFeed::read_alone(&reader, &subject, &view).map(drop).map_err(Into::into)
    })?;
    // From here on the most it holds is counted anew (proc_pid_clear_refs(5)).
    std::fs::write("/proc/self/clear_refs", "5")?;
    let with =
        fastest(|| SessionFeed::read(&reader, &subject, &view).map(drop).map_err(Into::into))?;
    let held = memory("VmHWM")?;
    // Two days are looked at, and seven where those show no charge.
    let days = if charged_day <= 2 { 2 } else { 9 };
    let mut read = 0;
    let mut bare = Duration::ZERO;
    for length in if days == 2 { &[2][..] } else { &[2, 7][..] } {
        let from_us = start.t_us.saturating_sub(length * DAY_SECOND * 1_000_000).max(0);
        let range = Range {
            sources: vec!["bench-shunt".to_owned()],
            from: Bound { t_us: from_us, ..start },
            to: Some(start),
            up_to: None,
        };
        bare += fastest(|| {
            Ok(reader.columns(
                &range,
                |_| true,
                |block| {
                    read = block.t_us.len();
                    black_box(block);
                    ControlFlow::Continue(())
                },
            )?)
        })?;
    }
    black_box(read);
    let look_back = with.saturating_sub(alone).as_secs_f64() * 1e3;
    let bare = bare.as_secs_f64() * 1e3;
    let seconds = (days * DAY_SECOND) as f64;
    println!(
        "charge {name}: {look_back:.0} ms to look back over {days} days, {:.1} million readings a \
         second; bare columns {bare:.0} ms, {:.1} times; the process holds {:.0} MB at most",
        2.0 * seconds / look_back / 1e3,
        look_back / bare,
        held as f64 / 1e3
    );
    Ok(())
}

fn fastest(mut work: impl FnMut() -> Result<(), Failure>) -> Result<Duration, Failure> {
    let mut best = Duration::MAX;
    for _ in 0..ROUNDS {
        let begin = Instant::now();
        work()?;
        best = best.min(begin.elapsed());
    }
    Ok(best)
}

/// Of this process, kB.
fn memory(what: &str) -> Result<u64, Failure> {
    let text = std::fs::read_to_string("/proc/self/status")?;
    let line = text.lines().find_map(|line| line.strip_prefix(what)?.strip_prefix(':'));
    let kilobytes = line.and_then(|line| line.split_whitespace().next());
    Ok(kilobytes.ok_or("the kernel does not say how much memory this takes")?.parse()?)
}
