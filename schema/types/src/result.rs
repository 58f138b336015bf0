//! What comes out of a session: phases, figures with their status, anomalies.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::calibration::CalibrationUsed;
pub use crate::figure::{Budget, Figure, Finding, Standing, Status, Term};
pub use crate::further::Further;
use crate::pack::Pack;
use crate::session::{Marker, Session, Tag};
pub use crate::verdict::{Decision, Limit, Verdict};

/// What a stretch was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PhaseKind {
    /// No current to speak of.
    Rest,
    /// The pack gave current.
    Discharge,
    /// The pack took current.
    Charge,
}

/// How a discharge ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EndReason {
    /// The cut-off voltage was reached under load.
    CutoffVoltage,
    /// Current gone and voltage collapsed: the pack's protection, probably.
    ProtectionTrip,
    /// The instrument went dark under load.
    DarkUnderLoad,
    /// The current went to rest and the voltage came back.
    LoadRemoved,
    /// A charge began without a rest in between.
    ChargeBegan,
    /// The session was stopped under load.
    SessionEnded,
    /// It has not ended.
    Running,
}

/// A moment in a session.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Moment {
    /// Seconds since the session's start.
    pub test_time_second: f64,
    /// Seconds since 1970-01-01 UTC; `None` where the clock was never seen.
    pub unix_time_second: Option<f64>,
}

/// A stretch of rest, discharge or charge.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Phase {
    /// What it was.
    pub kind: PhaseKind,
    /// Its first moment.
    pub start: Moment,
    /// Its last moment.
    pub end: Moment,
    /// Net charge, Ah; negative on discharge. `None` without a current channel.
    pub charge_ah: Option<f64>,
    /// Net energy, Wh; negative on discharge. `None` without a voltage.
    pub energy_wh: Option<f64>,
    /// Mean current, A; negative on discharge.
    pub mean_current_ampere: Option<f64>,
    /// Largest magnitude of the current, A.
    pub highest_current_ampere: Option<f64>,
    /// Voltage at its first reading, V.
    pub first_voltage_volt: Option<f64>,
    /// Voltage at its last reading, V.
    pub last_voltage_volt: Option<f64>,
    /// How it ended; discharges only.
    pub end_reason: Option<EndReason>,
    /// Whether the voltage before a trip or a dark end says that the pack was
    /// empty; `None` for other ends and where it cannot be told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trip_means_empty: Option<bool>,
    /// The source whose connection was lost at a dark end, where the pack does
    /// not power it: then the pack's protection did not do it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lost_source: Option<String>,
    /// Rests inside a discharge that did not end it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub interruptions: Vec<Stretch>,
    /// Silences inside it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gaps: Vec<Gap>,
}

/// From one moment to another.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stretch {
    /// First moment.
    pub start: Moment,
    /// Last moment.
    pub end: Moment,
}

/// A silence inside a phase.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// The last reading before it.
    pub start: Moment,
    /// The first reading after it.
    pub end: Moment,
    /// What was counted for it, Ah, by a straight line; `None` where it was
    /// too long to be counted.
    pub estimated_ah: Option<f64>,
    /// The most it can have been, Ah (magnitude); the least is 0.
    pub highest_ah: f64,
}

/// What is odd in the data. Anomalies are counted and shown, never mended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AnomalyKind {
    /// Readings whose time lies before the one before.
    TimeBackwards,
    /// Readings with the same time as the one before.
    TimeRepeated,
    /// Readings without a value where one was due.
    ValueMissing,
    /// Silences.
    Gap,
    /// A channel that did not move at all.
    ChannelStuck,
    /// Input that the decoder could not read.
    Unreadable,
    /// A current beyond what any pack of that rating carries.
    CurrentImplausible,
    /// A current that stood at the end of the meter's range.
    CurrentClipped,
    /// The instrument's own counter says something else than its readings.
    CounterDisagrees,
    /// First minute: the voltage does not fit the pack.
    VoltageDoesNotFitPack,
    /// First minute: the voltage rose as discharge began.
    CurrentSignReversed,
    /// First minute: voltage × current is not the meter's own power.
    PowerDisagrees,
    /// First minute: a second ammeter says something else.
    AmmetersDisagree,
    /// The pack gave current again after its cut-off or trip.
    SecondRun,
    /// The boot clock broke off and how long cannot be known.
    GapLengthUnknown,
    /// The wall clock was never set, so dates are not to be trusted.
    ClockNotSet,
}

/// One kind of anomaly in a session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Anomaly {
    /// What kind.
    pub kind: AnomalyKind,
    /// How often.
    pub count: u64,
    /// When: test times in seconds, the first twenty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub times: Vec<f64>,
    /// Where in a file: line numbers, the first twenty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lines: Vec<u64>,
    /// In words.
    pub text: String,
}

/// The figures of a session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Results {
    /// Charge given by the pack in all discharges of the session.
    pub discharging_capacity_ah: Figure,
    /// Energy given by the pack in all discharges of the session.
    pub discharging_energy_wh: Figure,
    /// Charge taken by the pack in all charges of the session.
    pub charging_capacity_ah: Figure,
    /// Energy taken by the pack in all charges of the session.
    pub charging_energy_wh: Figure,
    /// Charge given by the main discharge up to its cut-off voltage.
    pub capacity_to_cutoff_ah: Figure,
    /// Energy given by the main discharge up to its cut-off voltage.
    pub energy_to_cutoff_wh: Figure,
    /// Charge given by the main discharge, however it ended.
    pub main_discharge_ah: Figure,
    /// Energy given by the main discharge, however it ended.
    pub main_discharge_wh: Figure,
    /// What the rests carried, net.
    pub rest_net_ah: Figure,
}

/// Where a temperature was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Probe {
    /// On the pack.
    Pack,
    /// In the air around it.
    Air,
    /// Anywhere else.
    Other,
}

/// The temperatures of one probe over a stretch.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Warmth {
    /// Where it was read.
    pub probe: Probe,
    /// The lowest, °C.
    pub low_celsius: f64,
    /// The highest, °C.
    pub high_celsius: f64,
    /// As it began, °C.
    pub begin_celsius: Option<f64>,
    /// How far it moved in the hour before, K; `None` where the readings do
    /// not go back that far.
    pub moved_kelvin: Option<f64>,
}

/// Something that happened, with its place in the session.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DatedMarker {
    /// What happened.
    #[serde(flatten)]
    pub marker: Marker,
    /// When, where its clock can be related to the session's.
    pub moment: Option<Moment>,
}

/// A setting that a result used, so that it can be defended later.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RuleUsed {
    /// Its value.
    pub value: f64,
    /// Its unit; empty for a plain number.
    pub unit: String,
    /// What it says.
    pub says: String,
}

/// What was said of a session before something about it changed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct EarlierRevision {
    /// Its revision then.
    pub revision: u32,
    /// The claim as it was issued.
    pub claim: String,
}

/// Who the session is, as `show` and the exports print it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionHead {
    /// The session as it is kept.
    #[serde(flatten)]
    pub session: Session,
    /// Its start with its date.
    pub started: Moment,
    /// Its end with its date; `None` while open.
    pub ended: Option<Moment>,
    /// Whether the dates can be trusted.
    pub clock_synchronised: bool,
    /// Real seconds were multiplied by this.
    pub clock_rate: f64,
}

/// Everything known about one session: `show --json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SessionReport {
    /// Who it is.
    pub session: SessionHead,
    /// The pack, once named.
    pub pack: Option<Pack>,
    /// The claim in a sentence or two, as a person reads it.
    pub claim: String,
    /// What it consists of.
    pub phases: Vec<Phase>,
    /// Which of them is the main discharge, the one that delivered most,
    /// counted from 0.
    pub main_discharge: Option<usize>,
    /// What came out.
    pub results: Results,
    /// Whether it passes, where a limit is set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// How warm it was during the main discharge, by probe.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub temperatures: Vec<Warmth>,
    /// What it shows beside its capacity.
    #[serde(default)]
    pub further: Further,
    /// What is odd.
    pub anomalies: Vec<Anomaly>,
    /// What was said of it at earlier revisions, the oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub earlier: Vec<EarlierRevision>,
    /// The zeros and calibrations that the readings were corrected by.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub calibrations: Vec<CalibrationUsed>,
    /// What a reader of the figures should know, in plain words.
    #[serde(default)]
    pub notes: Vec<String>,
    /// What happened.
    pub markers: Vec<DatedMarker>,
    /// The settings used, by name.
    pub rules: BTreeMap<String, RuleUsed>,
    /// All samples up to this number were looked at.
    pub computed_up_to: u64,
    /// Version and build that computed it.
    pub computed_by: String,
}

impl SessionReport {
    /// The session's tags.
    pub fn tags(&self) -> &[Tag] {
        &self.session.session.tags
    }
}
