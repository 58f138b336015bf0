//! What an analysis hands out: phases, ends, gaps, anomalies, totals. Plain
//! data in test time (microseconds since the session's start); computes nothing.

use ampledger_types::result::{AnomalyKind, EndReason, PhaseKind};

use crate::budget::Exposure;
use crate::evidence::FullEvidence;
use crate::incremental::Curve;
use crate::inverter::Inverter;
use crate::resistance::FoundStep;
use crate::rules::CutoffRule;
use crate::to_empty::Load;

/// What is known of a session at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Analysis {
    /// The phases in order of time, discharges merged by rule.
    pub phases: Vec<FoundPhase>,
    /// Which of them is the main discharge: the one that delivered most,
    /// second runs and standby draws left out.
    pub main_discharge: Option<usize>,
    /// Sums over the session.
    pub totals: Totals,
    /// What is odd in the data.
    pub anomalies: Vec<FoundAnomaly>,
    /// What is happening.
    pub now: Now,
    /// Whether a current was ever read.
    pub has_current: bool,
    /// Whether a voltage was ever read.
    pub has_voltage: bool,
    /// The magnitude of current below which the pack rests, A.
    pub rest_threshold_ampere: f64,
    /// Rows looked at, of all groups.
    pub rows: u64,
    /// What a reader of the figures should know, in plain words.
    pub notes: Vec<String>,
    /// Steps of the load at which a resistance could be read; the first hundred.
    pub steps: Vec<FoundStep>,
    /// The load as it was of late, while a discharge runs.
    pub load: Option<Load>,
    /// Whether the pack is full now.
    pub full_now: FullEvidence,
    /// An inverter, where a second meter measures its other side.
    pub inverter: Option<Inverter>,
    /// Incremental capacity of the main discharge, where it has a shape.
    pub curve: Option<Curve>,
}

/// Sums over the session, all magnitudes but the rests' net.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Totals {
    /// Given by the pack in discharges and charges, Ah.
    pub discharged_ah: f64,
    /// Taken by the pack in discharges and charges, Ah.
    pub charged_ah: f64,
    /// Given by the pack, Wh; `None` where a voltage was lacking.
    pub discharged_wh: Option<f64>,
    /// Taken by the pack, Wh; `None` where a voltage was lacking.
    pub charged_wh: Option<f64>,
    /// What the rests carried, net, Ah; negative out of the pack.
    pub rest_net_ah: f64,
    /// What the rests carried, net, Wh; `None` where a voltage was lacking.
    pub rest_net_wh: Option<f64>,
}

/// A stretch of rest, discharge or charge.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundPhase {
    /// What it was.
    pub kind: PhaseKind,
    /// First moment, µs of test time.
    pub start_us: i64,
    /// Last moment, µs of test time.
    pub end_us: i64,
    /// Given by the pack, Ah; in a rest its net, where that is outward.
    pub discharged_ah: f64,
    /// Taken by the pack, Ah; in a rest its net, where that is inward.
    pub charged_ah: f64,
    /// Given by the pack, Wh; `None` where a voltage was lacking.
    pub discharged_wh: Option<f64>,
    /// Taken by the pack, Wh; `None` where a voltage was lacking.
    pub charged_wh: Option<f64>,
    /// Net charge over the time counted, A; negative on discharge.
    pub mean_current_ampere: Option<f64>,
    /// Largest magnitude of the current, A.
    pub highest_current_ampere: f64,
    /// First voltage read in it, V.
    pub first_voltage_volt: Option<f64>,
    /// Last voltage read in it, V.
    pub last_voltage_volt: Option<f64>,
    /// How it ended; discharges only.
    pub end: Option<FoundEnd>,
    /// Rests inside a discharge that did not end it: start and end, µs.
    pub interruptions: Vec<(i64, i64)>,
    /// Silences inside it. At most a thousand are listed.
    pub gaps: Vec<FoundGap>,
    /// What its charge and energy were exposed to, in its own direction; of a
    /// rest its net.
    pub exposure: Exposure,
    /// How far its readings scatter about a smooth course: standard deviation
    /// as a share of the current. `None` for a few readings, and for rests.
    pub ripple: Option<f64>,
    /// Readings that stand alone, far from those before and after.
    pub lone_readings: u64,
    /// The longest time between two readings, s.
    pub longest_interval_second: f64,
    /// Whether the pack was full when it began; discharges only.
    pub full: Option<FullEvidence>,
}

impl FoundPhase {
    /// Net charge, Ah; negative out of the pack.
    pub fn net_ah(&self) -> f64 {
        self.charged_ah - self.discharged_ah
    }

    /// Net energy, Wh; negative out of the pack.
    pub fn net_wh(&self) -> Option<f64> {
        Some(self.charged_wh? - self.discharged_wh?)
    }
}

/// How a discharge ended.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundEnd {
    /// How.
    pub reason: EndReason,
    /// Where the cut-off voltage was crossed, if it was.
    pub cutoff: Option<Cutoff>,
    /// Why there is no capacity to the cut-off voltage.
    pub cutoff_unknown_because: Option<String>,
    /// The last voltage under load, V.
    pub last_loaded_voltage_volt: Option<f64>,
    /// Whether a trip (seen, or probable in the dark) means that the pack was
    /// empty; `Some(false)` is 'cause unknown'.
    pub trip_means_empty: Option<bool>,
    /// What a dark end can hide at most, Ah.
    pub hidden_ah: Option<f64>,
    /// By how much the instrument's own counter moved over a dark end, Ah, once
    /// it came back. A counter that began anew shows less, or nothing.
    pub counted_in_dark_ah: Option<f64>,
}

/// Where a discharge crossed its cut-off voltage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cutoff {
    /// When, µs of test time.
    pub t_us: i64,
    /// Given by the pack from the discharge's start to there, Ah.
    pub discharged_ah: f64,
    /// Given by the pack from the discharge's start to there, Wh.
    pub discharged_wh: Option<f64>,
    /// What that was exposed to.
    pub exposure: Exposure,
    /// By which rule.
    pub rule: CutoffRule,
}

/// A silence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FoundGap {
    /// The last reading before it, µs of test time.
    pub start_us: i64,
    /// The first reading after it, µs of test time.
    pub end_us: i64,
    /// What was counted for it, Ah (magnitude); `None` where nothing was.
    pub estimated_ah: Option<f64>,
    /// What the instrument's own counter says, Ah (magnitude), where it cannot
    /// have begun anew in it.
    pub counted_ah: Option<f64>,
    /// The most it can have been, Ah (magnitude); the least is 0.
    pub highest_ah: f64,
}

/// One kind of oddity.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundAnomaly {
    /// What kind.
    pub kind: AnomalyKind,
    /// How often.
    pub count: u64,
    /// When, µs of test time; the first twenty.
    pub times_us: Vec<i64>,
    /// In words.
    pub text: String,
}

/// What is happening.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Now {
    /// The phase at the last row; `None` before the first current.
    pub kind: Option<PhaseKind>,
    /// Since when, µs of test time.
    pub since_us: Option<i64>,
    /// Time since the last row of the group that carries the current (of any
    /// group before the first current), µs.
    pub silent_us: i64,
    /// Silent for so long that it must be taken as gone.
    pub dark: bool,
    /// Silent for longer than usual.
    pub quiet: bool,
    /// The last voltage, V.
    pub last_voltage_volt: Option<f64>,
    /// The last current, A; negative on discharge.
    pub last_current_ampere: Option<f64>,
    /// The last row's time, µs of test time.
    pub last_row_us: Option<i64>,
}
