//! What a source is doing, kept by those who run it and asked by the API. The
//! state is worked out when asked, so that it is true at that moment.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Mutex;
use std::time::Duration;

use ampledger_decoders::Complaint;
use ampledger_types::Sample;
use ampledger_types::api::{LatestReading, SourceCounters, SourceState, SourceStatus};

use crate::clock::Clock;

/// Intervals that are remembered to know what is usual.
const INTERVALS: usize = 32;
/// Shortest silence that is called dark on a line (bench rules).
const DARK_US: i64 = 10_000_000;

/// One source's state, shared between its task and the API.
pub struct Health {
    name: String,
    connection: String,
    decoder: String,
    inner: Mutex<Inner>,
}

struct Inner {
    phase: Phase,
    /// Why its decoder, in a process of its own, does not work, and when it is
    /// started again.
    trouble: Option<(String, Option<i64>)>,
    since_unix_us: i64,
    last_arrival_us: Option<i64>,
    intervals_us: VecDeque<i64>,
    /// Shortest silence that is called dark.
    dark_us: i64,
    latest: BTreeMap<String, (LatestReading, i64)>,
    identity: Option<String>,
    counters: SourceCounters,
}

enum Phase {
    Opening,
    Open { since_us: i64 },
    Waiting { reason: String, retry_us: i64 },
    Refused { reason: String },
    Finished,
}

impl Health {
    /// A source that has not been opened yet.
    pub fn new(name: &str, connection: String, decoder: &str, clock: &Clock) -> Self {
        let inner = Inner {
            phase: Phase::Opening,
            trouble: None,
            since_unix_us: clock.unix_us(),
            last_arrival_us: None,
            intervals_us: VecDeque::new(),
            dark_us: DARK_US,
            latest: BTreeMap::new(),
            identity: None,
            counters: SourceCounters::default(),
        };
        let (name, decoder) = (name.to_owned(), decoder.to_owned());
        Health { name, connection, decoder, inner: Mutex::new(inner) }
    }

    /// The source is being opened.
    pub fn opening(&self, clock: &Clock) {
        self.enter(Phase::Opening, clock);
    }

    /// The source is open.
    pub fn opened(&self, clock: &Clock) {
        self.enter(Phase::Open { since_us: clock.now_us() }, clock);
        self.with(|inner| inner.counters.opened += 1);
    }

    /// The source was lost, or could not be opened; it is tried again.
    pub fn waiting(&self, reason: &str, retry_us: i64, was_open: bool, clock: &Clock) {
        self.enter(Phase::Waiting { reason: reason.to_owned(), retry_us }, clock);
        self.with(|inner| {
            let counters = &mut inner.counters;
            let counter = if was_open { &mut counters.lost } else { &mut counters.not_opened };
            *counter += 1;
            counters.last_trouble = Some(reason.to_owned());
        });
    }

    /// Samples decoded so far.
    pub fn samples(&self) -> u64 {
        self.with(|inner| inner.counters.samples)
    }

    /// Silence of less than this is not called dark.
    pub fn not_dark_before(&self, dark: Duration) {
        self.with(|inner| inner.dark_us = i64::try_from(dark.as_micros()).unwrap_or(i64::MAX));
    }

    /// The source cannot be used as it is configured.
    pub fn refused(&self, reason: &str, clock: &Clock) {
        self.enter(Phase::Refused { reason: reason.to_owned() }, clock);
    }

    /// A replay has come to its end.
    pub fn finished(&self, clock: &Clock) {
        self.enter(Phase::Finished, clock);
    }

    /// Its decoder does not work, for this reason, and is started again at this
    /// time, if it is; or it works again. Returns whether that is news.
    pub fn decoder_trouble(&self, trouble: Option<(String, Option<i64>)>) -> bool {
        self.with(|inner| {
            let is_news = inner.trouble != trouble;
            inner.trouble = trouble;
            is_news
        })
    }

    /// Bytes arrived.
    pub fn received(&self, bytes: usize) {
        self.with(|inner| inner.counters.bytes += bytes as u64);
    }

    /// Bytes were thrown away until the line was quiet.
    pub fn drained(&self, bytes: usize) {
        self.with(|inner| inner.counters.bytes_skipped += bytes as u64);
    }

    /// A sample was decoded; `recorded` says whether it found room.
    pub fn sampled(&self, sample: &Sample, recorded: bool, now_us: i64) {
        self.with(|inner| {
            inner.counters.samples += 1;
            inner.counters.dropped += u64::from(!recorded);
            inner.arrival(now_us);
            for (channel, value) in sample.group.channels.iter().zip(&sample.values) {
                if value.is_nan() {
                    continue;
                }
                let reading = LatestReading {
                    channel: channel.name.clone(),
                    quantity: channel.quantity,
                    unit: channel.quantity.unit().symbol().to_owned(),
                    value: *value,
                    age_second: 0.0,
                };
                inner.latest.insert(channel.name.clone(), (reading, now_us));
            }
        });
    }

    /// The decoder could not read something. Returns whether it is the first
    /// of its kind, so that the log is not flooded.
    pub fn complained(&self, complaint: &Complaint) -> bool {
        self.with(|inner| {
            let counters = &mut inner.counters;
            counters.bytes_skipped += complaint.bytes_skipped as u64;
            let count = counters.complaints.entry(complaint.kind.word().to_owned()).or_default();
            *count += 1;
            counters.last_complaint = Some(complaint.detail.clone());
            *count == 1
        })
    }

    /// Who the instruments say they are.
    pub fn identified(&self, identity: Option<String>) {
        self.with(|inner| inner.identity = identity);
    }

    /// What the source is doing now.
    pub fn status(&self, clock: &Clock) -> SourceStatus {
        let now_us = clock.now_us();
        self.with(|inner| {
            let (state, reason, retry_us) = inner.state(now_us - clock.slack_us());
            let silent = matches!(state, SourceState::Quiet | SourceState::Dark);
            let since_unix_us = match inner.last_arrival_us {
                Some(last) if silent => clock.unix_us() - (now_us - last),
                _ => inner.since_unix_us,
            };
            let latest = inner.latest.values().map(|(reading, t_us)| LatestReading {
                age_second: (now_us - t_us).max(0) as f64 / 1e6,
                ..reading.clone()
            });
            SourceStatus {
                name: self.name.clone(),
                connection: self.connection.clone(),
                decoder: self.decoder.clone(),
                state,
                since_unix_time_second: Some(since_unix_us as f64 / 1e6),
                reason,
                retry_in_second: retry_us.map(|t| (t - now_us).max(0) as f64 / 1e6 / clock.rate()),
                identity: inner.identity.clone(),
                latest: latest.collect(),
                never_read: Vec::new(),
                counters: inner.counters.clone(),
            }
        })
    }

    fn enter(&self, phase: Phase, clock: &Clock) {
        self.with(|inner| {
            inner.phase = phase;
            inner.since_unix_us = clock.unix_us();
        });
    }

    fn with<T>(&self, act: impl FnOnce(&mut Inner) -> T) -> T {
        act(&mut self.inner.lock().unwrap_or_else(|e| e.into_inner()))
    }
}

impl Inner {
    fn arrival(&mut self, now_us: i64) {
        if let Some(last) = self.last_arrival_us.replace(now_us) {
            if self.intervals_us.len() == INTERVALS {
                self.intervals_us.pop_front();
            }
            self.intervals_us.push_back(now_us - last);
        }
    }

    fn usual_interval_us(&self) -> i64 {
        let mut sorted: Vec<i64> = self.intervals_us.iter().copied().collect();
        sorted.sort_unstable();
        sorted.get(sorted.len() / 2).copied().unwrap_or(1_000_000)
    }

    /// Quiet after 3 usual intervals (at least 3 s), dark after 5 (at least
    /// 10 s, on the radio 30 s): the bench's rules.
    fn state(&self, now_us: i64) -> (SourceState, Option<String>, Option<i64>) {
        if let (Phase::Open { .. }, Some((reason, retry_us))) = (&self.phase, &self.trouble) {
            return (SourceState::Failed, Some(reason.clone()), *retry_us);
        }
        match &self.phase {
            Phase::Opening => (SourceState::Opening, None, None),
            Phase::Finished => (SourceState::Finished, None, None),
            Phase::Refused { reason } => (SourceState::Failed, Some(reason.clone()), None),
            Phase::Waiting { reason, retry_us } => {
                let state = match self.last_arrival_us {
                    Some(_) => SourceState::Dark,
                    None => SourceState::Failed,
                };
                (state, Some(reason.clone()), Some(*retry_us))
            }
            Phase::Open { since_us } => {
                let last = self.last_arrival_us.unwrap_or(*since_us).max(*since_us);
                let silent_us = now_us - last;
                let usual_us = self.usual_interval_us();
                if silent_us > (5 * usual_us).max(self.dark_us) {
                    (SourceState::Dark, Some("it is open, but nothing arrives".to_owned()), None)
                } else if silent_us > (3 * usual_us).max(3_000_000) {
                    (SourceState::Quiet, None, None)
                } else if self.last_arrival_us.is_some_and(|t| t >= *since_us) {
                    (SourceState::Live, None, None)
                } else {
                    let reason = "waiting for the first reading";
                    (SourceState::Opening, Some(reason.to_owned()), None)
                }
            }
        }
    }
}
