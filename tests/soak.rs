//! Eight instruments of five kinds, seven of them at 50 Hz, for a minute
//! (`AMPLEDGER_SOAK_SECOND`), while cables are pulled, the radio drops, frames are
//! damaged and rubbish is sent, by chance that can be repeated: no reading is
//! missing outside a marked gap, gaps are as long as they were, memory stays as
//! it was.

use std::collections::{BTreeMap, BTreeSet};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use ampledger_types::MarkerKind;
use serde_json::json;

use crate::peers::{Bluetooth, Cable, Chance, Manners, Scpi, numbered};
use crate::util::{Bench, Daemon, record, sources};

/// The meters that count on a cable, with what they send.
const METERS: [(&str, Form); 6] = [
    ("meter-1", Form::Frames),
    ("meter-2", Form::Frames),
    ("meter-3", Form::Frames),
    ("meter-4", Form::Frames),
    ("lines", Form::Lines),
    ("objects", Form::Objects),
];
/// Where the clamp says its voltage, 1/64 V a count.
const CLAMP_VOLTAGE: &str = "2b18";
const PACE: Duration = Duration::from_millis(20);
/// How far one end of a gap may be misplaced on average: frames are placed at
/// their arrival, and this machine has other things to do.
const MISPLACED_US: f64 = 20_000.0;

/// What a meter sends.
#[derive(Clone, Copy, PartialEq)]
enum Form {
    /// With a checksum.
    Frames,
    /// As text.
    Lines,
    /// As JSON.
    Objects,
}

impl Form {
    fn source(self, name: &str) -> String {
        match self {
            Form::Frames => sources::numbered(name),
            Form::Lines => sources::lines(name),
            Form::Objects => sources::json(name),
        }
    }

    fn bytes(self, number: u32) -> Vec<u8> {
        let volt = f64::from(number) / 1000.0;
        match self {
            Form::Frames => numbered(number).to_vec(),
            Form::Lines => format!("U={volt:.3} I=-12.1\n").into_bytes(),
            Form::Objects => format!("{{\"U\": {volt:.3}}}\n").into_bytes(),
        }
    }
}

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
    form: Form,
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
        let mut frame = self.form.bytes(self.next);
        // Nothing would show that a line without a checksum is damaged.
        if self.form == Form::Frames && self.chance.one_in(200) {
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
            self.cable.send(&self.form.bytes(self.next)[..self.chance.within(0..8) as usize]);
            self.cable.unplug();
            self.diary.pulled += 1;
            let away = self.chance.within(0..3000);
            self.plug_at = Some(Instant::now() + Duration::from_millis(away));
        } else if self.chance.one_in(100) {
            let length = self.chance.within(1..64);
            let rubbish = (0..length).map(|_| self.chance.within(0..256) as u8);
            let mut rubbish: Vec<u8> = rubbish.collect();
            if self.form != Form::Frames {
                // It costs the line it falls into: here that is its own.
                rubbish.iter_mut().for_each(|byte| *byte |= 0x80);
                rubbish.push(b'\n');
            }
            self.cable.send(&rubbish);
        }
    }
}

/// The load, which is asked: now and then it is mute or its cable is pulled.
struct Load {
    cable: Cable,
    scpi: Scpi,
    chance: Chance,
    plug_at: Option<Instant>,
}

impl Load {
    fn suffer(&mut self) {
        if self.plug_at.is_some_and(|at| at <= Instant::now()) {
            self.cable.plug();
            self.plug_at = None;
        } else if self.plug_at.is_none() && self.chance.one_in(40) {
            self.cable.unplug();
            let away = Duration::from_millis(self.chance.within(0..3000));
            self.plug_at = Some(Instant::now() + away);
        }
        let mute = self.chance.one_in(20);
        self.scpi.behave(|manners| manners.mute = mute);
    }

    fn recover(&mut self) {
        if self.plug_at.take().is_some() {
            self.cable.plug();
        }
        self.scpi.behave(|manners| manners.mute = false);
    }
}

#[test]
fn eight_instruments_with_random_faults_lose_nothing_outside_marked_gaps() {
    let second: u64 = std::env::var("AMPLEDGER_SOAK_SECOND")
        .map_or(60, |text| text.parse().expect("AMPLEDGER_SOAK_SECOND is no number"));
    let meters = METERS.map(|(name, form)| form.source(name)).concat();
    let bench = Bench::new(&(meters + &sources::scpi("load") + &sources::clamp("clamp", "")));
    let Some(bluetooth) = Bluetooth::start(&bench, clamp()) else { return };
    let mut chance = Chance::new();
    let cables = METERS.map(|(name, _)| Cable::plugged(bench.path(name)));
    let mut load = load(&bench, chance.part());
    let daemon = daemon(&bench, &bluetooth);
    let until = Instant::now() + Duration::from_secs(second);
    let mut begin = |(cable, (_, form)): (Cable, (&str, Form))| {
        let chance = chance.part();
        let diary = Diary::default();
        let meter = Meter { form, cable, chance, diary, next: 0, plug_at: None };
        std::thread::spawn(move || meter.run(until))
    };
    let meters: Vec<JoinHandle<(Cable, Diary)>> =
        cables.into_iter().zip(METERS).map(&mut begin).collect();
    let mut chance = chance.part();
    let mut dropped = 0;
    let memory = watch_memory(&daemon, until, || {
        load.suffer();
        if chance.one_in(40) {
            bluetooth.tell(&json!({ "do": "drop", "device": CLAMP }));
            dropped += 1;
        }
    });
    load.recover();
    let mut diaries: BTreeMap<&str, Diary> = BTreeMap::new();
    for ((name, form), meter) in METERS.iter().zip(meters) {
        let (cable, diary) = meter.join().expect("the meter failed");
        until_up(&daemon, name, || cable.send(&form.bytes(9_000_000)));
        diaries.insert(name, diary);
    }
    ["load", "clamp"].iter().for_each(|name| until_up(&daemon, name, || ()));
    let sent_us = bluetooth.sent_us(CLAMP_VOLTAGE);
    let sent_us = sent_us.into_iter().map(|(n, us)| (n as u32, us as i64)).collect();
    diaries.insert("clamp", Diary { sent_us, pulled: dropped, ..Diary::default() });
    let load = daemon.source("load").counters;
    assert!(daemon.stop().success());
    assert!(load.samples > 4 * second, "the load answered {} times", load.samples);
    let mut gaps = Gaps::default();
    for (name, diary) in &diaries {
        gaps.find(&bench, name, diary);
    }
    gaps.judge();
    judge_memory(&memory);
}

const CLAMP: &str = "C0:00:00:00:00:01";

fn clamp() -> serde_json::Value {
    let counter = |uuid: &str| json!({ "uuid": uuid, "flags": ["notify"], "period_ms": 20 });
    json!([{ "address": CLAMP, "name": "clamp", "services": [
        { "uuid": "1815", "characteristics": [counter(CLAMP_VOLTAGE), counter("2aee")] }
    ]}])
}

fn load(bench: &Bench, chance: Chance) -> Load {
    let cable = Cable::plugged(bench.path("load"));
    let scpi = Scpi::start(&cable, Manners::default());
    Load { cable, scpi, chance, plug_at: None }
}

/// A daemon with all of them up.
fn daemon(bench: &Bench, bluetooth: &Bluetooth) -> Daemon {
    let mut command = bench.daemon_command();
    command.env("DBUS_SYSTEM_BUS_ADDRESS", bluetooth.address());
    let daemon = Daemon::start(command, &bench.path("."), bench.api());
    METERS.iter().for_each(|(name, _)| daemon.until_opened(name, 1));
    ["load", "clamp"].iter().for_each(|name| daemon.until_samples(name, 1));
    daemon
}

/// It is up again, and all before is taken, when one more reading arrives.
fn until_up(daemon: &Daemon, name: &str, send: impl Fn()) {
    let before = daemon.source(name).counters.samples;
    daemon.until("it is up again", name, |s| {
        send();
        s.counters.samples > before
    });
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
        if name == "clamp" {
            let volts = record::volts(&bench.store(), name).into_iter();
            found = volts.map(|(volt, t_us)| ((volt * 64.0).round() as u32, t_us)).collect();
        }
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
fn watch_memory(daemon: &Daemon, until: Instant, mut each: impl FnMut()) -> Vec<(f64, f64)> {
    let begin = Instant::now();
    let mut seen = Vec::new();
    while Instant::now() < until {
        each();
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
