//! One configured source: its decoder, its name for the record, and its way
//! into the daemon.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use ampledger_boundary::remote::Failure;
use ampledger_boundary::{Described, FailureRecord};
use ampledger_decoders::config::PluginConfig;
use ampledger_decoders::config::plugin::PLUGIN;
use ampledger_decoders::{Complaint, ComplaintKind, Decoder, Descriptor, Identities};
use ampledger_store::NumberedSample;
use ampledger_types::{Bound, DecodeSet, Frame, Marker, MarkerKind, RunId, Sample};

use crate::clock::Clock;
use crate::commands::Commands;
use crate::config::SourceConfig;
use crate::frame_log::FrameLog;
use crate::health::Health;
use crate::intake::Intake;

/// How often at most the record gets a marker about unreadable input.
const MARK_EVERY: Duration = Duration::from_secs(10);

/// What makes a source's decoder.
#[derive(Clone)]
pub enum Maker {
    /// One that is built in.
    BuiltIn(&'static Descriptor),
    /// A library, in a process of its own.
    Plugin(PluginConfig),
}

impl Maker {
    /// Name and version of the decoder, as far as they are known beforehand.
    fn describe(&self) -> (&str, &str) {
        match self {
            Maker::BuiltIn(descriptor) => (descriptor.name, descriptor.version),
            Maker::Plugin(_) => (PLUGIN, ""),
        }
    }
}

/// One source, shared by its task and the API.
pub struct Source {
    /// Its name in the configuration.
    pub name: String,
    /// What it is connected to, in words.
    pub connection: String,
    /// As configured.
    pub config: SourceConfig,
    /// What it is doing.
    pub health: Health,
    /// What is wanted of its instrument.
    pub commands: Commands,
    /// Where its samples go.
    pub intake: Arc<Intake>,
    maker: Maker,
    failures: Arc<FailureRecord>,
    decode_set: Mutex<Arc<DecodeSet>>,
    identities: Mutex<Identities>,
    unreadable: Mutex<Unreadable>,
    last_frame: AtomicU64,
    log: Mutex<Option<FrameLog>>,
}

/// What could not be read since the last marker about it.
#[derive(Default)]
struct Unreadable {
    count: u64,
    first: String,
    marked_at: Option<Instant>,
}

impl Source {
    /// A source as configured; its decoder is known to exist.
    pub fn new(
        name: &str,
        connection: String,
        config: SourceConfig,
        maker: Maker,
        intake: Arc<Intake>,
    ) -> Self {
        let (decoder, version) = maker.describe();
        let decode_set = DecodeSet {
            source: name.to_owned(),
            decoder: decoder.to_owned(),
            decoder_version: version.to_owned(),
            config_digest: config.decoder_config().digest(decoder, version),
            identity: None,
        };
        let health = Health::new(name, connection.clone(), decoder, &intake.clock);
        Source {
            name: name.to_owned(),
            connection,
            config,
            health,
            commands: Commands::default(),
            intake,
            maker,
            failures: Arc::default(),
            decode_set: Mutex::new(Arc::new(decode_set)),
            identities: Mutex::default(),
            unreadable: Mutex::default(),
            last_frame: AtomicU64::new(0),
            log: Mutex::default(),
        }
    }

    /// The process's clock.
    pub fn clock(&self) -> &Clock {
        &self.intake.clock
    }

    /// What makes its decoder.
    pub fn maker(&self) -> &Maker {
        &self.maker
    }

    /// A fresh decoder, where it is built in.
    pub fn decoder(&self) -> Result<Box<dyn Decoder>, String> {
        match &self.maker {
            Maker::BuiltIn(descriptor) => {
                (descriptor.build)(&self.config.decoder_config()).map_err(|e| e.to_string())
            }
            Maker::Plugin(_) => Err("a plugin runs in a process of its own".to_owned()),
        }
    }

    /// The number of the next frame. Frames are numbered without a hole over
    /// all connections of a run, so that a hole in the log shows.
    pub fn next_frame(&self) -> u64 {
        self.last_frame.load(Ordering::Relaxed) + 1
    }

    /// Goes on with the numbers of the source that had its name before.
    pub fn number_frames_after(&self, last: u64) {
        self.last_frame.store(last, Ordering::Relaxed);
    }

    /// A frame is given to the decoder: it goes into the log.
    pub fn framed(&self, frame: Frame) {
        self.last_frame.store(frame.number, Ordering::Relaxed);
        let set = self.decode_set();
        self.log(|log| log.add(frame, &set));
    }

    /// Frames go into this log from now on.
    pub fn begin_log(&self, log: FrameLog) {
        *self.log.lock().unwrap_or_else(|e| e.into_inner()) = Some(log);
    }

    /// Does something with the log, if the source was ever open.
    pub fn log<T>(&self, act: impl FnOnce(&mut FrameLog) -> T) -> Option<T> {
        self.log.lock().unwrap_or_else(|e| e.into_inner()).as_mut().map(act)
    }

    /// Hands the frames that wait over to the recorder.
    pub fn flush_log(&self) {
        let set = self.decode_set();
        self.log(|log| log.flush(&set));
    }

    /// Marks something that happened to this source.
    pub fn mark(&self, kind: MarkerKind, text: String) {
        self.intake.mark(kind, Some(&self.name), text);
    }

    /// What makes its samples now.
    pub fn decode_set(&self) -> Arc<DecodeSet> {
        self.decode_set.lock().unwrap_or_else(|e| e.into_inner()).clone()
    }

    /// A sample from its decoder.
    pub fn sample(&self, sample: Sample, run: RunId, now_us: i64) {
        let numbered =
            NumberedSample { seq: 0, run, decode_set: self.decode_set(), sample: sample.clone() };
        let recorded = self.intake.sample(numbered);
        self.health.sampled(&sample, recorded, now_us);
    }

    /// The decoder could not read something. The log is told once a kind; the
    /// record gets one marker for many.
    pub fn complained(&self, complaint: &Complaint) {
        if self.health.complained(complaint) {
            tracing::info!(
                source = %self.name,
                kind = complaint.kind.word(),
                "not understood: {}; more of this kind is only counted",
                complaint.detail
            );
        }
        let mut unreadable = self.unreadable.lock().unwrap_or_else(|e| e.into_inner());
        if unreadable.count == 0 {
            unreadable.first.clone_from(&complaint.detail);
        }
        unreadable.count += 1;
    }

    /// Marks what could not be read, if it is time to, or if this is the end.
    pub fn mark_unreadable(&self, run: RunId, t_us: i64, is_end: bool) {
        let mut unreadable = self.unreadable.lock().unwrap_or_else(|e| e.into_inner());
        let is_due = unreadable.marked_at.is_none_or(|at| at.elapsed() >= MARK_EVERY);
        if unreadable.count == 0 || !(is_due || is_end) {
            return;
        }
        let text = format!("not understood: {}", unreadable.first);
        let marker = Marker::new(Bound { run, t_us }, MarkerKind::Unreadable, text);
        let (source, count) = (Some(self.name.clone()), unreadable.count);
        self.intake.put_marker(Marker { source, count, ..marker });
        *unreadable = Unreadable { marked_at: Some(Instant::now()), ..Unreadable::default() };
    }

    /// The instrument said who it is. Another one than before is marked: its
    /// calibration is not that of the former.
    /// `instrument` is its name on the line, empty where it is the only one.
    pub fn identified(&self, instrument: &str, text: &str) {
        let mut identities = self.identities.lock().unwrap_or_else(|e| e.into_inner());
        if let Some(before) = identities.note(instrument, text) {
            let named = if instrument.is_empty() { "" } else { " as " };
            let text = format!(
                "another instrument answers{named}{instrument}: `{text}`, before `{before}`"
            );
            tracing::warn!(source = %self.name, "{text}");
            self.mark(MarkerKind::InstrumentChanged, text);
        }
        let identity = identities.text();
        self.health.identified(identity.clone());
        let mut set = self.decode_set.lock().unwrap_or_else(|e| e.into_inner());
        if set.identity != identity {
            *set = Arc::new(DecodeSet { identity, ..(**set).clone() });
        }
    }

    /// How often its plugin has failed.
    pub fn plugin_failures(&self) -> Arc<FailureRecord> {
        self.failures.clone()
    }

    /// Its plugin works: from here on samples are of what it says it is.
    pub fn plugin_works(&self, described: &Described) {
        self.health.decoder_trouble(None);
        let mut set = self.decode_set.lock().unwrap_or_else(|e| e.into_inner());
        let decoder = format!("{PLUGIN} {}", described.name);
        if set.decoder == decoder && set.decoder_version == described.version {
            return;
        }
        tracing::info!(
            source = %self.name,
            "{decoder}, version {}, held back by: {}",
            described.version,
            described.fences.join(", ")
        );
        let config_digest = self.config.decoder_config().digest(&decoder, &described.version);
        let decoder_version = described.version.clone();
        *set = Arc::new(DecodeSet { decoder, decoder_version, config_digest, ..(**set).clone() });
    }

    /// Its plugin's process ended.
    pub fn plugin_failed(&self, failure: &Failure) {
        let Some(wait) = failure.wait else {
            let told = self.failures.set_aside();
            return self.plugin_is_set_aside(told.as_ref().unwrap_or(&failure.reason));
        };
        tracing::warn!(source = %self.name, "{}; it is started again", failure.reason);
        self.mark(MarkerKind::DecoderFailed, format!("{}; it is started again", failure.reason));
        let retry_us =
            self.clock().now_us() + (wait.as_micros() as f64 * self.clock().rate()) as i64;
        self.health.decoder_trouble(Some((failure.reason.clone(), Some(retry_us))));
        if let Some(Frame { number, payload, .. }) = &failure.left_out {
            let bytes = payload.len();
            let detail = format!(
                "input {number} ({bytes} bytes) is left out: {} each time it was given",
                failure.reason
            );
            self.complained(&Complaint::new(ComplaintKind::NotMine, bytes, detail));
        }
    }

    /// Its plugin has failed too often.
    pub fn plugin_is_set_aside(&self, reason: &str) {
        if self.health.decoder_trouble(Some((reason.to_owned(), None))) {
            tracing::error!(source = %self.name, "{reason}");
            self.mark(MarkerKind::DecoderFailed, reason.to_owned());
        }
    }

    /// More input waits for its plugin than may: one is not given to it. What
    /// is not given is in the frame log all the same.
    pub fn plugin_is_slow(&self) {
        let detail = "its plugin is too far behind; what arrives is kept, but not decoded";
        self.complained(&Complaint::new(ComplaintKind::Incomplete, 0, detail));
    }
}
