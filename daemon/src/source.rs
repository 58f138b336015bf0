//! One configured source: its decoder, its name for the record, and its way
//! into the daemon.

use std::sync::{Arc, Mutex};

use ampledger_decoders::{Decoder, Descriptor};
use ampledger_store::NumberedSample;
use ampledger_types::{DecodeSet, MarkerKind, RunId, Sample};

use crate::clock::Clock;
use crate::config::SourceConfig;
use crate::health::Health;
use crate::intake::Intake;

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
    /// Where its samples go.
    pub intake: Arc<Intake>,
    descriptor: &'static Descriptor,
    decode_set: Mutex<Arc<DecodeSet>>,
}

impl Source {
    /// A source as configured; its decoder is known to exist.
    pub fn new(
        name: &str,
        connection: String,
        config: SourceConfig,
        descriptor: &'static Descriptor,
        intake: Arc<Intake>,
    ) -> Self {
        let decode_set = DecodeSet {
            source: name.to_owned(),
            decoder: descriptor.name.to_owned(),
            decoder_version: descriptor.version.to_owned(),
            config_digest: config
                .decoder_config()
                .digest(descriptor.name, descriptor.version),
            identity: None,
        };
        let health = Health::new(name, connection.clone(), descriptor.name, &intake.clock);
        Source {
            name: name.to_owned(),
            connection,
            config,
            health,
            intake,
            descriptor,
            decode_set: Mutex::new(Arc::new(decode_set)),
        }
    }

    /// The process's clock.
    pub fn clock(&self) -> &Clock {
        &self.intake.clock
    }

    /// A fresh decoder.
    pub fn decoder(&self) -> Result<Box<dyn Decoder>, String> {
        (self.descriptor.build)(&self.config.decoder_config()).map_err(|e| e.to_string())
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

    /// The instrument said who it is. Another one than before is marked: its
    /// calibration is not that of the former.
    pub fn identified(&self, identity: &str) {
        if let Some(before) = self.health.identified(identity) {
            let text = format!("another instrument answers: `{identity}`, before `{before}`");
            tracing::warn!(source = %self.name, "{text}");
            self.mark(MarkerKind::InstrumentChanged, text);
        }
        let mut set = self.decode_set.lock().unwrap_or_else(|e| e.into_inner());
        if set.identity.as_deref() != Some(identity) {
            let next = DecodeSet { identity: Some(identity.to_owned()), ..(**set).clone() };
            *set = Arc::new(next);
        }
    }
}
