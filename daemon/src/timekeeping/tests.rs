//! What becomes of time, through a clock that is set and a store that is read:
//! sleep, steps, restarts, reboots, with and without a clock that is trusted.

use std::path::{Path, PathBuf};
use std::thread::JoinHandle;

use ampledger_report::{View, compute};
use ampledger_store::{NewRun, NewSession, NumberedSample, Reader, Store};
use ampledger_types::result::SessionReport;
use ampledger_types::{Bound, Channel, DecodeSet, Group, Quantity, RunId, Sample};

use super::*;
use crate::keeper::Keeper;
use crate::recorder::Recorder;

const S: i64 = 1_000_000;
/// 2026-03-01T08:12:00Z
const MORNING: i64 = 1_772_352_720 * S;

/// The recorder of one run, on a clock that a test moves.
struct Machine {
    intake: Intake,
    keeper: Timekeeper,
    thread: JoinHandle<bool>,
    synchronised: bool,
}

impl Machine {
    /// The daemon starts on a machine that was started `up_us` ago.
    fn start(path: &Path, boot: &str, up_us: i64, unix_us: i64) -> Machine {
        let mut store = Store::open(path).unwrap();
        let clock = Arc::new(Clock::standing(boot, up_us, unix_us));
        let run = NewRun {
            boot_id: boot.to_owned(),
            started_t_us: up_us,
            clock_rate: 1.0,
            recorded_by: "test".to_owned(),
            replay_of: None,
        };
        let run = store.begin_run(&run).unwrap();
        let newest = store.recorded_up_to();
        let (recorder, thread) = Recorder::start(store, u64::MAX).unwrap();
        let keeper = Arc::new(Keeper::new(path.to_owned()));
        let intake = Intake::new(clock, recorder, keeper, run.id, newest);
        let keeper = Timekeeper::begin(&intake);
        Machine { intake, keeper, thread, synchronised: false }
    }

    fn look(&mut self) {
        self.keeper.look(&self.intake, self.synchronised);
    }

    /// The system says that its clock is right.
    fn set_right(mut self) -> Machine {
        self.synchronised = true;
        self.look();
        self
    }

    fn now(&self) -> Bound {
        Bound { run: self.intake.run, t_us: self.intake.clock.now_us() }
    }

    /// Discharges at 12 A for so many seconds, a reading a second, the first of
    /// them now.
    fn discharge(&mut self, seconds: i64) {
        let channels = [Quantity::Voltage, Quantity::Current].map(Channel::of).to_vec();
        let group = Arc::new(Group { name: String::new(), channels });
        let decode_set = Arc::new(DecodeSet {
            source: "bench-shunt".to_owned(),
            decoder: "text-lines".to_owned(),
            decoder_version: "1".to_owned(),
            config_digest: String::new(),
            identity: None,
        });
        for second in 0..=seconds {
            if second > 0 {
                self.intake.clock.pass(S, false);
            }
            let t_us = self.intake.clock.now_us();
            // Readings of a pack under load do not stand still.
            let (group, values) = (group.clone(), vec![26.4 + 0.001 * (second % 2) as f64, -12.0]);
            let sample = Sample { group, t_us, instrument_t_us: None, values };
            let (decode_set, run) = (decode_set.clone(), self.intake.run);
            self.intake.sample(NumberedSample { seq: 0, run, decode_set, sample });
            self.look();
        }
    }

    fn stop(self) {
        self.intake.recorder.finish();
        assert!(self.thread.join().unwrap());
    }
}

struct Shed {
    _folder: tempfile::TempDir,
    path: PathBuf,
}

impl Shed {
    fn new() -> Shed {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("shed.db");
        Shed { _folder: folder, path }
    }

    /// A report about everything from `start` on.
    fn report(&self, start: Bound, now: Bound) -> SessionReport {
        let mut store = Store::open(&self.path).unwrap();
        let new = NewSession {
            pack: None,
            sources: vec!["bench-shunt".to_owned()],
            opened_by: Default::default(),
            start,
            cutoff_voltage_volt: None,
            cutoff_rule: Default::default(),
            tags: Vec::new(),
        };
        let session = store.insert_session(&new).unwrap().id;
        let view = View { now: Some(now), build: "test".to_owned(), ..View::default() };
        compute(&store.reader().unwrap(), session, &view).unwrap()
    }

    fn markers(&self) -> Vec<(MarkerKind, String)> {
        let reader = Reader::open(&self.path).unwrap();
        let all = reader.markers(Bound { run: RunId(1), t_us: 0 }, None).unwrap();
        all.into_iter().map(|marker| (marker.kind, marker.text)).collect()
    }

    fn marked(&self, kind: MarkerKind) -> Vec<String> {
        self.markers().into_iter().filter(|(k, _)| *k == kind).map(|(_, text)| text).collect()
    }

    /// When a moment was, in seconds after the morning, and whether that can be
    /// trusted.
    fn date(&self, boot: &str, t_us: i64) -> (f64, bool) {
        let reader = Reader::open(&self.path).unwrap();
        let date = reader.clock_map(boot).unwrap().date(t_us).unwrap();
        ((date.unix_us - MORNING) as f64 / 1e6, date.synchronised)
    }
}

fn delivered_ah(report: &SessionReport) -> f64 {
    report.results.discharging_capacity_ah.value.unwrap()
}

fn gap_reasons(report: &SessionReport) -> String {
    format!("{:?}", report.results.discharging_capacity_ah.reasons)
}

/// 12 A over an hour. The estimate across a gap in one phase comes on top of it
/// (bench rules, Axis and gaps).
const HOUR_AH: f64 = 12.0;

#[test]
fn a_clock_that_is_set_late_dates_what_came_before_and_moves_no_integral() {
    let shed = Shed::new();
    let mut machine = Machine::start(&shed.path, "a", 20 * S, 0);
    machine.look();
    let start = machine.now();
    machine.discharge(1800);
    // Half an hour later the time comes in over the network: a step of years.
    let t_us = machine.intake.clock.now_us();
    machine.intake.clock.set(t_us, MORNING);
    let mut machine = machine.set_right();
    machine.discharge(1800);
    let now = machine.now();
    machine.stop();
    let report = shed.report(start, now);
    assert!((delivered_ah(&report) - HOUR_AH).abs() < 1e-9, "{}", delivered_ah(&report));
    assert_eq!(shed.date("a", start.t_us), (-1800.0, true), "put right afterwards");
    assert_eq!(shed.marked(MarkerKind::ClockStep).len(), 1, "{:?}", shed.markers());
    let trust = shed.marked(MarkerKind::ClockTrust);
    assert_eq!(trust.len(), 2, "{trust:?}");
    assert!(trust[0].contains("not set") && trust[1].contains("is set"), "{trust:?}");
}

#[test]
fn a_step_is_marked_and_moves_no_integral() {
    let shed = Shed::new();
    let mut machine = Machine::start(&shed.path, "a", 20 * S, MORNING).set_right();
    let start = machine.now();
    machine.discharge(1800);
    let t_us = machine.intake.clock.now_us();
    machine.intake.clock.set(t_us, MORNING - 3600 * S);
    machine.discharge(1800);
    let now = machine.now();
    machine.stop();
    assert!((delivered_ah(&shed.report(start, now)) - HOUR_AH).abs() < 1e-9);
    let steps = shed.marked(MarkerKind::ClockStep);
    assert!(steps.len() == 1 && steps[0].contains("-5400.0 s"), "{steps:?}");
    assert!(shed.marked(MarkerKind::ClockTrust).is_empty(), "it was right all along");
}

#[test]
fn slewing_is_no_step_however_long_it_lasts() {
    let shed = Shed::new();
    let mut machine = Machine::start(&shed.path, "a", 0, MORNING).set_right();
    // 500 ppm, the most that the kernel slews by (adjtimex(2)), over two hours.
    for _ in 0..720 {
        let (t_us, unix_us) = (machine.intake.clock.now_us(), machine.intake.clock.unix_us());
        machine.intake.clock.set(t_us + 10 * S, unix_us + 10 * S + 5000);
        machine.look();
    }
    let t_us = machine.intake.clock.now_us();
    let slewed = (machine.intake.clock.unix_us() - MORNING) as f64 / 1e6;
    machine.stop();
    assert!(shed.marked(MarkerKind::ClockStep).is_empty(), "{:?}", shed.markers());
    assert!((shed.date("a", t_us).0 - slewed).abs() < 0.11, "dates follow");
}

#[test]
fn a_sleep_is_a_gap_with_its_length_and_is_marked() {
    let shed = Shed::new();
    let mut machine = Machine::start(&shed.path, "a", 20 * S, MORNING).set_right();
    let start = machine.now();
    machine.discharge(1800);
    machine.intake.clock.pass(600 * S, true);
    machine.look();
    machine.discharge(1800);
    let now = machine.now();
    machine.stop();
    let slept = shed.marked(MarkerKind::Suspended);
    assert!(slept.len() == 1 && slept[0].contains("600.0 s"), "{slept:?}");
    assert!(shed.marked(MarkerKind::ClockStep).is_empty(), "the wall clock slept along");
    let report = shed.report(start, now);
    // An hour and the ten minutes, which are estimated, and said.
    assert!((delivered_ah(&report) - HOUR_AH - 2.0).abs() < 1e-9, "{}", delivered_ah(&report));
    assert!(gap_reasons(&report).contains("gap"), "{}", gap_reasons(&report));
}

/// A discharge of an hour with ten minutes in the middle in which nothing ran,
/// with a clock that is right on both sides: they are estimated, and said.
fn ten_minutes_away(boot: &str, t_us: impl FnOnce(i64) -> i64) {
    let shed = Shed::new();
    let mut before = Machine::start(&shed.path, "a", 500 * S, MORNING).set_right();
    let start = before.now();
    before.discharge(1800);
    let t_us = t_us(before.intake.clock.now_us());
    before.stop();
    let mut after = Machine::start(&shed.path, boot, t_us, MORNING + 2400 * S).set_right();
    after.discharge(1800);
    let now = after.now();
    after.stop();
    let report = shed.report(start, now);
    assert!((delivered_ah(&report) - HOUR_AH - 2.0).abs() < 1e-9, "{}", delivered_ah(&report));
    assert!(gap_reasons(&report).contains("gap of 10 min"), "{}", gap_reasons(&report));
    assert!(!gap_reasons(&report).contains("unknown"), "{}", gap_reasons(&report));
}

#[test]
fn a_restart_of_the_daemon_goes_on_on_the_same_axis() {
    ten_minutes_away("a", |stopped_us| stopped_us + 600 * S);
}

#[test]
fn a_reboot_with_a_trusted_clock_is_a_gap_with_its_length() {
    ten_minutes_away("b", |_| 20 * S);
}

#[test]
fn a_reboot_without_a_trusted_clock_is_a_gap_whose_length_is_not_known() {
    let shed = Shed::new();
    let mut before = Machine::start(&shed.path, "a", 500 * S, MORNING).set_right();
    let start = before.now();
    before.discharge(1800);
    before.stop();
    // The battery of its clock is flat: it wakes up in 1970.
    let mut after = Machine::start(&shed.path, "b", 20 * S, 0);
    after.look();
    after.discharge(1800);
    let now = after.now();
    after.stop();
    let report = shed.report(start, now);
    let delivered = &report.results.discharging_capacity_ah;
    assert!(delivered.value.is_none_or(|ah| (ah - HOUR_AH).abs() < 1e-9), "{delivered:?}");
    let said = format!("{:?} {:?}", delivered.reasons, report.anomalies);
    assert!(said.contains("length") || said.contains("how long"), "{said}");
    let trust = shed.marked(MarkerKind::ClockTrust);
    assert!(trust.last().is_some_and(|text| text.contains("not set")), "{trust:?}");
}
