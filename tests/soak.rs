//! Eight meters at 50 Hz for a minute (`AMPLEDGER_SOAK_SECOND`), while cables are
//! pulled, frames are damaged and rubbish is sent, by chance that can be
//! repeated: no reading is missing outside a marked gap, gaps are as long as
//! they were, memory stays as it was.

use std::collections::{BTreeMap, BTreeSet};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use ampledger_types::MarkerKind;

use crate::peers::{Cable, Chance, numbered};
use crate::util::{Bench, Daemon, record, sources};

const SOURCES: usize = 8;
const PACE: Duration = Duration::from_millis(20);
/// How far one end of a gap may be misplaced on average: frames are placed at
/// their arrival, and this machine has other things to do.
const MISPLACED_US: f64 = 20_000.0;

/// What a meter did.
#[derive(Default)]
struct Diary {
    /// When each frame was sent, on the boot clock, microseconds.
    sent_us: BTreeMap<u32, i64>,
    /// Frames that were damaged on the way.
    damaged: BTreeSet<u32>,
    pulled: u64,
}

fn boot_clock_us() -> i64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    now.tv_sec * 1_000_000 + now.tv_nsec / 1000
}

/// A meter that counts, at the end of a cable that suffers.
struct Meter {
    cable: Cable,
    chance: Chance,
    diary: Diary,
    next: u32,
    /// When the cable is plugged in again.
    plug_at: Option<Instant>,
}

impl Meter {
    fn run(mut self, until: Instant) -> (Cable, Diary) {
        let mut due = Instant::now();
        while Instant::now() < until {
            if self.plug_at.is_some_and(|at| at <= Instant::now()) {
                self.cable.plug();
                self.plug_at = None;
            }
            self.suffer();
            self.send();
            due += PACE;
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
        }
        if self.plug_at.is_some() {
            self.cable.plug();
        }
        (self.cable, self.diary)
    }

    fn send(&mut self) {
        let mut frame = numbered(self.next);
        if self.chance.one_in(200) {
            frame[self.chance.within(0..8) as usize] ^= 1 << self.chance.within(0..8);
            self.diary.damaged.insert(self.next);
        }
        self.diary.sent_us.insert(self.next, boot_clock_us());
        self.cable.send(&frame);
        self.next += 1;
    }

    /// Something goes wrong every few seconds.
    fn suffer(&mut self) {
        if self.plug_at.is_none() && self.chance.one_in(200) {
            // In the middle of a frame: nothing of it is read.
            self.cable.send(&numbered(self.next)[..self.chance.within(0..8) as usize]);
            self.cable.unplug();
            self.diary.pulled += 1;
            let away = self.chance.within(0..3000);
            self.plug_at = Some(Instant::now() + Duration::from_millis(away));
        } else if self.chance.one_in(100) {
            let rubbish: Vec<u8> =
                (0..self.chance.within(1..64)).map(|_| self.chance.within(0..256) as u8).collect();
            self.cable.send(&rubbish);
        }
    }
}

#[test]
fn eight_meters_with_random_faults_lose_nothing_outside_marked_gaps() {
    let second: u64 = std::env::var("AMPLEDGER_SOAK_SECOND")
        .map_or(60, |text| text.parse().expect("AMPLEDGER_SOAK_SECOND is no number"));
    let names: Vec<String> = (1..=SOURCES).map(|i| format!("meter-{i}")).collect();
    let bench = Bench::new(&names.iter().map(|name| sources::numbered(name)).collect::<String>());
    let mut chance = Chance::new();
    let cables: Vec<Cable> = names.iter().map(|n| Cable::plugged(bench.path(n))).collect();
    let daemon = bench.daemon();
    names.iter().for_each(|name| daemon.until_opened(name, 1));
    let until = Instant::now() + Duration::from_secs(second);
    let begin = |cable: Cable| {
        let chance = chance.part();
        let meter = Meter { cable, chance, diary: Diary::default(), next: 0, plug_at: None };
        std::thread::spawn(move || meter.run(until))
    };
    let meters: Vec<JoinHandle<(Cable, Diary)>> = cables.into_iter().map(begin).collect();
    let memory = watch_memory(&daemon, until);
    let mut diaries = Vec::new();
    for (name, meter) in names.iter().zip(meters) {
        let (cable, diary) = meter.join().expect("the meter failed");
        let sent = *diary.sent_us.keys().last().expect("it sent something");
        // It is up again and all is taken when one more frame arrives.
        let before = daemon.source(name).counters.samples;
        daemon.until("it is up again", name, |s| {
            cable.send(&numbered(sent + 1_000_000));
            s.counters.samples > before
        });
        diaries.push(diary);
    }
    assert!(daemon.stop().success());
    let mut gaps = Gaps::default();
    for (name, diary) in names.iter().zip(&diaries) {
        gaps.find(&bench, name, diary);
    }
    gaps.judge();
    judge_memory(&memory);
}

/// The gaps that were found in the record.
#[derive(Default)]
struct Gaps {
    count: u64,
    pulled: u64,
    recorded_us: i64,
    true_us: i64,
    readings: usize,
}

impl Gaps {
    /// Looks for everything that was sent; what is missing must lie in a stretch
    /// with a marker that says so.
    fn find(&mut self, bench: &Bench, name: &str, diary: &Diary) {
        let mut found = record::numbers(&bench.store(), name);
        found.retain(|(number, _)| diary.sent_us.contains_key(number));
        let mut lost = record::markers(&bench.store(), name);
        lost.retain(|marker| marker.kind == MarkerKind::SourceLost);
        for pair in found.windows(2) {
            let [(a, a_us), (b, b_us)] = pair else { continue };
            assert!(a < b && a_us <= b_us, "{name}: {b} after {a}, each once and in order");
            let missing: Vec<u32> = (a + 1..*b).filter(|n| !diary.damaged.contains(n)).collect();
            if missing.is_empty() {
                continue;
            }
            let is_marked = lost.iter().any(|m| (*a_us..=*b_us).contains(&m.at.t_us));
            assert!(is_marked, "{name}: {missing:?} are missing, and nothing says so");
            self.count += 1;
            self.recorded_us += b_us - a_us;
            self.true_us += diary.sent_us[b] - diary.sent_us[a];
        }
        self.pulled += diary.pulled;
        self.readings += found.len();
        let damaged = found.iter().filter(|(n, _)| diary.damaged.contains(n)).count();
        assert_eq!(damaged, 0, "{name}: a damaged frame became a reading");
    }

    fn judge(&self) {
        let second = |us: i64| us as f64 / 1e6;
        eprintln!(
            "{} readings; {} cables pulled; {} gaps, {:.2} s recorded, {:.2} s true",
            self.readings,
            self.pulled,
            self.count,
            second(self.recorded_us),
            second(self.true_us),
        );
        assert!(self.pulled > 0 && self.count > 0, "nothing went wrong: that is no soak");
        let bound_us = MISPLACED_US * self.count as f64;
        let off_us = (self.recorded_us - self.true_us).abs() as f64;
        assert!(off_us <= bound_us, "the gaps are off by {off_us} µs, allowed are {bound_us}");
    }
}

/// Resident memory, KiB, by seconds since the beginning.
fn watch_memory(daemon: &Daemon, until: Instant) -> Vec<(f64, f64)> {
    let begin = Instant::now();
    let mut seen = Vec::new();
    while Instant::now() < until {
        seen.push((begin.elapsed().as_secs_f64(), daemon.resident_kib() as f64));
        std::thread::sleep(Duration::from_millis(250));
    }
    seen
}

/// The slope over the last four fifths, by least squares: no more than 1 KiB/s
/// over ten minutes. Within one minute the queues and caches still fill.
fn judge_memory(seen: &[(f64, f64)]) {
    let last = &seen[seen.len() / 5..];
    let n = last.len() as f64;
    let (t, m) = last.iter().fold((0.0, 0.0), |sum, at| (sum.0 + at.0 / n, sum.1 + at.1 / n));
    let (over, under) = last.iter().fold((0.0, 0.0), |sum, at| {
        (sum.0 + (at.0 - t) * (at.1 - m), sum.1 + (at.0 - t) * (at.0 - t))
    });
    let slope = over / under;
    let spell = last.last().map_or(0.0, |at| at.0) - last[0].0;
    eprintln!("memory: {:.0} KiB, {slope:+.2} KiB/s over {spell:.0} s", last[last.len() - 1].1);
    let allowed = if spell >= 450.0 { 1.0 } else { 60.0 };
    assert!(slope <= allowed, "memory grows by {slope:.2} KiB/s");
}
