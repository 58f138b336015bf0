//! The refit shed with a store of its own: a pack, a meter that says what it
//! is told to, a clock that goes when it is told to.

use std::sync::Arc;

use ampledger_report::{Holding, Subject, View, compute, holding};
use ampledger_store::{Batch, NewRun, NewSession, NumberedSample, Reader, Store};
use ampledger_types::result::SessionReport;
use ampledger_types::source::{Accuracy, PoweredBy, ReadingKind, VoltageSensedAt};
use ampledger_types::{
    Bound, Channel, Chemistry, ClockObservation, DecodeSet, Group, Instrument, Marker, MarkerKind,
    Pack, Quantity, Rating, RunId, Sample,
};
use tempfile::TempDir;

pub const SECOND: i64 = 1_000_000;
/// 2026-03-01T08:12:00Z
pub const BEGAN_UNIX_SECOND: i64 = 1_772_352_720;

pub struct Bench {
    _dir: TempDir,
    pub store: Store,
    pub run: RunId,
    pub t_us: i64,
    /// Everything that was recorded, in order.
    pub samples: Vec<NumberedSample>,
    group: Arc<Group>,
    identity: Option<String>,
    written: usize,
}

pub fn gal_07() -> Pack {
    Pack {
        label: "GAL-07".to_owned(),
        rating: Some(Rating { capacity_ah: 60.0, ..Rating::default() }),
        chemistry: Some(Chemistry::LithiumIronPhosphate),
        cells_in_series: Some(8),
        charge_voltage_volt: Some(29.2),
        cutoff_voltage_volt: Some(20.0),
        ..Pack::default()
    }
}

pub fn group(quantities: &[Quantity]) -> Arc<Group> {
    let channels = quantities.iter().copied().map(Channel::of).collect();
    Arc::new(Group { name: String::new(), channels })
}

fn decode_set(source: &str, identity: Option<String>) -> Arc<DecodeSet> {
    Arc::new(DecodeSet {
        source: source.to_owned(),
        decoder: "text-lines".to_owned(),
        decoder_version: "1".to_owned(),
        config_digest: "e3b0c442".to_owned(),
        identity,
    })
}

impl Bench {
    /// A bench whose clock is synchronised from the start.
    pub fn new() -> Bench {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open(&dir.path().join("shed.db")).unwrap();
        store.put_pack(&gal_07()).unwrap();
        let group = group(&[Quantity::Voltage, Quantity::Current]);
        let run = begin_run(&mut store, "boot-a", 100 * SECOND);
        let mut bench = Bench {
            _dir: dir,
            store,
            run,
            t_us: 100 * SECOND,
            samples: Vec::new(),
            group,
            identity: None,
            written: 0,
        };
        bench.observe("boot-a", BEGAN_UNIX_SECOND, true);
        bench
    }

    /// The wall clock is looked at.
    pub fn observe(&mut self, boot: &str, unix_second: i64, synchronised: bool) {
        let unix_us = unix_second * SECOND;
        let seen = ClockObservation { t_us: self.t_us, unix_us, synchronised };
        let observations = vec![(boot.to_owned(), seen)];
        self.store.append(&Batch { observations, ..Batch::default() }).unwrap();
    }

    /// The machine starts again.
    pub fn reboot(&mut self, boot: &str) {
        self.t_us = 5 * SECOND;
        self.run = begin_run(&mut self.store, boot, self.t_us);
    }

    /// The recorder starts again; the machine runs on.
    pub fn restart(&mut self) {
        self.reader();
        self.run = begin_run(&mut self.store, "boot-a", self.t_us);
    }

    pub fn now(&self) -> Bound {
        Bound { run: self.run, t_us: self.t_us }
    }

    /// Voltage and current of `bench-shunt`, now.
    pub fn reads(&mut self, volt: f64, ampere: f64) {
        self.says("bench-shunt", Arc::clone(&self.group), vec![volt, ampere]);
    }

    /// From now on the instruments answer with this when they are asked.
    pub fn answers(&mut self, identity: &str) {
        self.identity = Some(identity.to_owned());
    }

    /// Values of any group of any source, now.
    pub fn says(&mut self, source: &str, group: Arc<Group>, values: Vec<f64>) {
        let sample = Sample { group, t_us: self.t_us, instrument_t_us: None, values };
        let seq = self.samples.len() as u64 + 1;
        let decode_set = decode_set(source, self.identity.clone());
        self.samples.push(NumberedSample { seq, run: self.run, decode_set, sample });
    }

    /// Reads every two seconds for so long; `at` gives voltage and current
    /// from the seconds since the stretch began, the first at 0.
    pub fn for_seconds(&mut self, seconds: i64, at: impl Fn(f64) -> (f64, f64)) {
        for second in (0..=seconds).step_by(2) {
            let (volt, ampere) = at(second as f64);
            self.reads(volt, ampere);
            self.t_us += 2 * SECOND;
        }
    }

    pub fn describe(&mut self, source: &str, instrument: Instrument) {
        let run = self.now().run;
        self.store.put_instruments(run, &[(source.to_owned(), instrument)].into()).unwrap();
    }

    pub fn mark(&mut self, text: &str) {
        let marker = Marker::new(self.now(), MarkerKind::Note, text.to_owned());
        self.store.append(&Batch { markers: vec![marker], ..Batch::default() }).unwrap();
    }

    pub fn cannot_read(&mut self, count: u64, text: &str) {
        let marker = Marker::new(self.now(), MarkerKind::Unreadable, text.to_owned());
        let marker = Marker { count, source: Some("bench-shunt".to_owned()), ..marker };
        self.store.append(&Batch { markers: vec![marker], ..Batch::default() }).unwrap();
    }

    pub fn start(&mut self) -> i64 {
        self.start_on(&["bench-shunt"])
    }

    pub fn start_on(&mut self, sources: &[&str]) -> i64 {
        self.start_about("GAL-07", sources)
    }

    pub fn start_about(&mut self, pack: &str, sources: &[&str]) -> i64 {
        let new = NewSession {
            pack: Some(pack.to_owned()),
            sources: sources.iter().map(|s| (*s).to_owned()).collect(),
            opened_by: Default::default(),
            start: self.now(),
            cutoff_voltage_volt: None,
            cutoff_rule: Default::default(),
            tags: Vec::new(),
        };
        self.store.insert_session(&new).unwrap().id
    }

    pub fn stop(&mut self, session: i64) {
        let end = self.now();
        let mut session = self.reader().session(session).unwrap().unwrap();
        session.end = Some(end);
        self.store.put_session(&session).unwrap();
    }

    /// A reader that sees everything said so far.
    pub fn reader(&mut self) -> Reader {
        let samples = self.samples[self.written..].to_vec();
        self.written = self.samples.len();
        self.store.append(&Batch { samples, ..Batch::default() }).unwrap();
        self.store.reader().unwrap()
    }

    pub fn view(&self) -> View {
        View { now: Some(self.now()), build: "ampledger test".to_owned(), ..View::default() }
    }

    pub fn subject(&mut self, session: i64) -> Subject {
        Subject::read(&self.reader(), session).unwrap()
    }

    /// The report as the recorder issues it.
    pub fn issue(&mut self, session: i64) -> SessionReport {
        let view = self.view();
        let Holding { report, cited, .. } = holding(&self.reader(), session, &view).unwrap();
        let revision = report.session.session.revision;
        self.store.save_report(session, revision, &report, &cited).unwrap();
        report
    }

    pub fn report(&mut self, session: i64) -> SessionReport {
        let view = self.view();
        compute(&self.reader(), session, &view).unwrap()
    }
}

fn begin_run(store: &mut Store, boot: &str, started_t_us: i64) -> RunId {
    let new = NewRun {
        boot_id: boot.to_owned(),
        started_t_us,
        clock_rate: 1.0,
        recorded_by: "ampledgerd test".to_owned(),
        replay_of: None,
    };
    store.begin_run(&new).unwrap().id
}

/// The load draws this much, A.
pub const LOAD_AMPERE: f64 = 12.0;
/// So long to the cut-off, s: 12 A × 17220 s = 57.4 Ah.
pub const TO_CUTOFF_SECOND: f64 = 17_220.0;

/// Voltage under load, a straight line from 26.4 V to 20.0 V at the cut-off.
pub fn loaded_volt(second: f64) -> f64 {
    26.4 - 6.4 * second / TO_CUTOFF_SECOND
}

/// A whole test: charge with taper, rest, discharge beyond the cut-off, rest,
/// stopped. Gives the session's number.
pub fn whole_test(bench: &mut Bench) -> i64 {
    let session = bench.start();
    bench.for_seconds(1800, |s| (26.6 + 2.6 * s / 1800.0, 20.0));
    // The taper falls on a straight line, to C/32, at 29.2 V.
    bench.for_seconds(1798, |s| (29.2, 20.0 - 18.1 * (s + 2.0) / 1800.0));
    bench.for_seconds(1800, |_| (26.8, 0.0));
    bench.for_seconds(TO_CUTOFF_SECOND as i64 + 20, |s| (loaded_volt(s), -LOAD_AMPERE));
    bench.for_seconds(120, |_| (23.0, 0.0));
    bench.mark("load taken off");
    bench.stop(session);
    session
}

/// A shunt of which everything is said that a proof needs.
pub fn described_shunt() -> Instrument {
    let stated = |gain_percent, offset, resolution| Accuracy {
        gain_percent: Some(gain_percent),
        offset: Some(offset),
        resolution: Some(resolution),
        calibrated: Some("2026-01-14".to_owned()),
        ..Accuracy::default()
    };
    let accuracy = [
        ("current_ampere".to_owned(), stated(0.25, 0.01, 0.001)),
        ("voltage_volt".to_owned(), stated(0.1, 0.005, 0.001)),
    ];
    Instrument {
        powered_by: Some(PoweredBy::SomethingElse),
        voltage_sensed_at: Some(VoltageSensedAt::PackTerminals),
        draws_ahead_of_sensor: Some("nothing".to_owned()),
        reading: Some(ReadingKind::Average),
        averaging_second: Some(0.1),
        accuracy: accuracy.into(),
        ..Instrument::default()
    }
}

/// The charge that proves a full pack, to the rest after it.
pub fn proving_charge(bench: &mut Bench) {
    bench.for_seconds(1800, |s| (26.6 + 2.6 * s / 1800.0, 20.0));
    bench.for_seconds(1798, |s| (29.2, 20.0 - 18.1 * (s + 2.0) / 1800.0));
    // Bit for bit the same it would be a stuck channel.
    bench.for_seconds(600, |s| (29.2, 1.9 - 1e-5 * s));
    bench.for_seconds(3660, |_| (26.8, 0.0));
}

/// A load down to the cut-off, and the rest after it.
pub fn discharge_to_cutoff(bench: &mut Bench) {
    bench.for_seconds(TO_CUTOFF_SECOND as i64 + 20, |s| (loaded_volt(s), -LOAD_AMPERE));
    bench.for_seconds(120, |_| (23.0, 0.0));
}

/// A discharge in whose middle the pack's protection takes the meter along.
/// Gives the session's number, still open, twelve minutes later.
pub fn gone_dark(bench: &mut Bench) -> i64 {
    let session = bench.start();
    bench.for_seconds(60, |_| (26.6, 0.0));
    bench.for_seconds(3600, |s| (26.4 - 6.1 * s / 3600.0, -LOAD_AMPERE));
    bench.t_us += 720 * SECOND;
    session
}
