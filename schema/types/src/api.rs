//! What travels between the daemon and its clients, as JSON under `/v1`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::figure::Figure;
use crate::pack::Pack;
use crate::quantity::Quantity;
use crate::sample::Seq;
use crate::session::{Bound, CutoffRule, Session};
use crate::source::DecodeSet;

/// Header in which client and daemon tell each other their build.
pub const BUILD_HEADER: &str = "ampledger-build";

/// Header of an exported table: the number of the last sample it looked at.
/// Given back as `up_to`, it makes the metadata those of the same samples.
pub const UP_TO_HEADER: &str = "ampledger-up-to";

/// `GET /v1/status`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StatusResponse {
    /// The daemon's version and build.
    pub build: String,
    /// The store it records into.
    pub store: StoreStatus,
    /// Its clock.
    pub clock: ClockStatus,
    /// Its sources, by name.
    pub sources: Vec<SourceStatus>,
    /// The sessions that are open.
    pub open_sessions: Vec<OpenSession>,
    /// What is wrong now, by the limits or with the store's file, in sentences.
    #[serde(default)]
    pub alarms: Vec<String>,
}

/// The state of the store.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StoreStatus {
    /// The file.
    pub path: String,
    /// Its name, unique everywhere.
    pub uuid: String,
    /// All samples up to this number are on disk.
    pub recorded_up_to: u64,
    /// The newest sample's number.
    pub newest: u64,
    /// What is wrong with it, if anything.
    pub trouble: Option<String>,
    /// Whether the disk is so full that the room kept in reserve beside the
    /// store was given up, or could not be taken.
    #[serde(default)]
    pub reserve_given_up: bool,
}

/// The state of the daemon's clock.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClockStatus {
    /// Seconds since 1970-01-01 UTC, now.
    pub unix_time_second: f64,
    /// Whether the system says its clock is synchronised.
    pub synchronised: bool,
    /// Real seconds are multiplied by this.
    pub rate: f64,
}

/// What a source is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SourceState {
    /// Being opened, or waiting to be opened again.
    Opening,
    /// Readings arrive.
    Live,
    /// Open, but no reading for longer than usual.
    Quiet,
    /// No reading for long.
    Dark,
    /// Cannot be opened, or the configuration is wrong.
    Failed,
    /// A replay that has come to its end.
    Finished,
}

/// One source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SourceStatus {
    /// Its name in the configuration.
    pub name: String,
    /// What it is connected to, in words.
    pub connection: String,
    /// Name of its decoder.
    pub decoder: String,
    /// What it is doing.
    pub state: SourceState,
    /// Since when, seconds since 1970-01-01 UTC.
    pub since_unix_time_second: Option<f64>,
    /// Why, if it is not live.
    pub reason: Option<String>,
    /// When it is opened again, seconds from now.
    pub retry_in_second: Option<f64>,
    /// What the instrument said it is.
    pub identity: Option<String>,
    /// The latest value of each channel.
    pub latest: Vec<LatestReading>,
    /// Fields that are configured and that no reading has come from, once enough
    /// have come from others.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub never_read: Vec<String>,
    /// What was counted since the daemon began, or since it was configured.
    pub counters: SourceCounters,
}

/// The latest value of one channel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LatestReading {
    /// Name of the channel.
    pub channel: String,
    /// What it measures.
    pub quantity: Quantity,
    /// Its unit, as people write it.
    pub unit: String,
    /// The value, corrected by the zero and the calibration that hold now.
    pub value: f64,
    /// How old it is, seconds.
    pub age_second: f64,
}

/// What was counted on a source since it was begun.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SourceCounters {
    /// Times it was opened.
    pub opened: u64,
    /// Times it was lost after it had been opened.
    pub lost: u64,
    /// Times it could not be opened.
    pub not_opened: u64,
    /// Why it was last lost or not opened, in words.
    pub last_trouble: Option<String>,
    /// Bytes received.
    pub bytes: u64,
    /// Bytes received that belong to nothing readable.
    pub bytes_skipped: u64,
    /// Samples decoded.
    pub samples: u64,
    /// Samples and frames dropped because a bound was hit.
    pub dropped: u64,
    /// Complaints of the decoder, by kind.
    pub complaints: BTreeMap<String, u64>,
    /// The latest complaint in words.
    pub last_complaint: Option<String>,
}

/// An open session in short.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OpenSession {
    /// The session as it is kept.
    pub session: Session,
    /// How it stands, in a sentence.
    pub sentence: String,
    /// Given by the pack so far, Ah.
    pub discharged_ah: Option<f64>,
    /// Given by the pack so far, Wh.
    pub discharged_wh: Option<f64>,
    /// Taken by the pack so far, Ah.
    pub charged_ah: Option<f64>,
    /// Taken by the pack so far, Wh.
    pub charged_wh: Option<f64>,
    /// How far it has come; `None` where it cannot be computed now.
    #[serde(default)]
    pub progress: Option<Progress>,
}

/// How far an open session has come.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Progress {
    /// Given in the main discharge so far, with the evidence so far.
    pub delivered_ah: Figure,
    /// The same in Wh.
    pub delivered_wh: Figure,
    /// What that is of the rating, 0 to 1.
    pub share_of_rating: Option<f64>,
    /// Mean current of the last minutes, A, while a discharge is under way;
    /// negative on discharge.
    pub current_ampere: Option<f64>,
    /// Mean power of the last minutes, W, likewise.
    pub power_watt: Option<f64>,
    /// That current against the rating, 1/h.
    pub c_rate: Option<f64>,
    /// Time to the cut-off at that load, s.
    pub to_cutoff_second: Figure,
    /// Charge to the cut-off, Ah.
    pub to_cutoff_ah: Figure,
    /// Energy to the cut-off, Wh.
    pub to_cutoff_wh: Figure,
}

/// `POST /v1/sessions`
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct StartRequest {
    /// Label of the pack.
    pub pack: Option<String>,
    /// The sources; none named means every source.
    pub sources: Vec<String>,
    /// When it began: RFC 3339, or as in `20 min ago`; now if missing.
    pub at: Option<String>,
    /// Instead of `at`: the stretch that it is, as a suggestion names it.
    pub stretch: Option<Stretch>,
    /// End voltage, V, for this session.
    pub cutoff_voltage_volt: Option<f64>,
    /// Which moment counts as that voltage's crossing.
    pub cutoff_rule: CutoffRule,
    /// Tags, each `word` or `key=value`.
    pub tags: Vec<String>,
    /// Start although the pack is marked unsafe.
    pub override_unsafe: bool,
}

/// One line of `GET /v1/suggestions`: a stretch of the record that looks like
/// a test, and that no person has made a session of.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Suggestion {
    /// Its number: that of its first sample, so it stays the same.
    pub number: Seq,
    /// The source.
    pub source: String,
    /// First moment and, unless it goes on, last.
    pub stretch: Stretch,
    /// Its start, seconds since 1970-01-01 UTC, where known.
    pub start_unix_time_second: Option<f64>,
    /// Its end, where it has one and it is known.
    pub end_unix_time_second: Option<f64>,
    /// What came out of it so far, in a sentence.
    pub claim: String,
    /// The session that a rule made of it, if one did.
    pub session: Option<i64>,
}

/// A stretch of the record, by its very moments.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stretch {
    /// First moment.
    pub start: Bound,
    /// Last moment; `None` if it goes on.
    pub end: Option<Bound>,
}

/// The answer to starting a session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StartResponse {
    /// The session.
    pub session: Session,
    /// First-minute checks as far as they can be made now.
    pub checks: Vec<Check>,
}

/// One check that a person should see.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// What was looked at, in a word or two.
    pub name: String,
    /// How it came out.
    pub outcome: CheckOutcome,
    /// In words: what was seen, what to do.
    pub text: String,
}

/// How a check came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum CheckOutcome {
    /// As it should be.
    Good,
    /// It cannot be told yet.
    Open,
    /// Something is wrong.
    Bad,
}

/// `POST /v1/sessions/{session}/stop`
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct StopRequest {
    /// When it ended: RFC 3339, or as in `20 min ago`; now if missing.
    pub at: Option<String>,
}

/// `POST /v1/sessions/{session}/tags`
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct TagRequest {
    /// Tags to hang on, each `word` or `key=value`; the same key is replaced.
    pub add: Vec<String>,
    /// Keys to take off.
    pub remove: Vec<String>,
    /// Name or rename the pack.
    pub pack: Option<String>,
    /// A note for the record, at the present time.
    pub note: Option<String>,
}

/// `POST /v1/sessions/{session}/redecode`
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RedecodeRequest {
    /// Decode with this configuration; with the daemon's own if missing.
    pub with: Option<ConfigText>,
    /// Apply it; else only what would change is told.
    pub apply: bool,
}

/// A configuration as text, from a file of the client's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ConfigText {
    /// Name of the file, for what is said about it.
    pub file: String,
    /// TOML with tables `[sources.NAME]`.
    pub text: String,
}

/// The answer to decoding again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RedecodeResponse {
    /// The session, with its revision as it is now.
    pub session: Session,
    /// What is decoded otherwise, by source.
    pub sources: Vec<RedecodedSource>,
    /// Whether it was applied.
    pub applied: bool,
    /// The sessions whose revision grew, or would grow, with it.
    pub sessions: Vec<i64>,
}

/// One source of a session, decoded again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RedecodedSource {
    /// The source.
    pub source: String,
    /// What made its samples so far.
    pub before: Vec<DecodeSet>,
    /// What makes them now.
    pub after: Vec<DecodeSet>,
    /// Whether any sample is another, to the last bit.
    pub differs: bool,
    /// Samples so far, and now, where frames are kept.
    pub samples: [u64; 2],
    /// Samples of the session that stay as they are, because the frames they
    /// were decoded from are not kept.
    pub samples_left: u64,
    /// What changes, by channel.
    pub channels: Vec<ChannelChange>,
    /// Complaints of the decoder, by kind.
    pub complaints: BTreeMap<String, u64>,
    /// The first complaint in words.
    pub first_complaint: Option<String>,
}

/// One channel so far and now.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelChange {
    /// Name of the channel, with its instrument where a line carries several.
    pub channel: String,
    /// What it measures.
    pub quantity: Quantity,
    /// Its unit, as people write it.
    pub unit: String,
    /// So far; `None` if there was no such channel.
    pub before: Option<ChannelTotal>,
    /// Now; `None` if there is no such channel any more.
    pub after: Option<ChannelTotal>,
    /// The mean now less the mean so far.
    pub mean_shift: Option<f64>,
}

/// The readings of one channel.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelTotal {
    /// How many there are.
    pub count: u64,
    /// Their mean.
    pub mean: f64,
    /// The lowest.
    pub lowest: f64,
    /// The highest.
    pub highest: f64,
}

/// The answer to reading the configuration again.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReloadResponse {
    /// Sources that were begun.
    pub begun: Vec<String>,
    /// Sources that were ended and begun again, because they are configured
    /// otherwise.
    pub changed: Vec<String>,
    /// Sources that go on untouched, but whose instrument is described
    /// otherwise: for all that was recorded since the daemon began.
    pub described: Vec<String>,
    /// Sources that were ended, because they are not configured any more.
    pub ended: Vec<String>,
    /// Sources that go on as they were.
    pub untouched: Vec<String>,
    /// Sources that go on as they were, because what the file says of them now
    /// is wrong.
    pub kept: Vec<String>,
    /// Limits that were begun, changed or ended. None is armed afterwards.
    #[serde(default)]
    pub limits: Vec<String>,
    /// Sections that changed, and count only from the next start on.
    pub after_restart: Vec<String>,
    /// Everything that is wrong with the file.
    pub problems: Vec<String>,
}

/// One line of `GET /v1/sessions`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionLine {
    /// The session as it is kept.
    #[serde(flatten)]
    pub session: Session,
    /// Its start, seconds since 1970-01-01 UTC, where known.
    pub start_unix_time_second: Option<f64>,
    /// Its end, where it has one and it is known.
    pub end_unix_time_second: Option<f64>,
}

/// `GET /v1/packs` and `PUT /v1/packs/{label}`
pub type PackBody = Pack;

/// What every refusal looks like.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ErrorResponse {
    /// A word that programs can rely on.
    pub code: String,
    /// What happened, where, and what to do.
    pub message: String,
}

/// `POST /v1/thin`
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThinRequest {
    /// Age from which samples may go, days.
    pub older_than_day: f64,
    /// Whether they go; otherwise it is only shown.
    #[serde(default)]
    pub apply: bool,
}

/// What goes, or went; its minutes and hours stay.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThinResponse {
    /// By source.
    pub sources: Vec<ThinnedSource>,
    /// Whether it went.
    pub applied: bool,
    /// Whether there is more, for the next request.
    pub is_more: bool,
}

/// What goes of one source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ThinnedSource {
    /// Its name.
    pub source: String,
    /// Samples.
    pub samples: u64,
    /// Bytes that they take in the store.
    pub bytes: u64,
}
