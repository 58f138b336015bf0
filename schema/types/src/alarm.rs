//! Limits and alarms as they travel: what a limit watches, how it stands, and
//! the alarm that an action is given.

use serde::{Deserialize, Serialize};

/// What a limit watches.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LimitKind {
    /// A voltage at or above the limit.
    OverVoltage,
    /// A voltage at or below the limit.
    UnderVoltage,
    /// A current at or above the limit, in either direction.
    OverCurrent,
    /// A temperature at or above the limit.
    OverTemperature,
    /// A temperature at or below the limit.
    UnderTemperature,
    /// A temperature that rises as fast as the limit.
    TemperatureRise,
    /// Nothing heard of a source.
    NoData,
    /// The discharge of an open session is over.
    EndOfDischarge,
    /// An open session has come to a figure.
    Target,
    /// Little room is left where the record is kept.
    StoreNearlyFull,
}

impl LimitKind {
    /// The word of the configuration.
    pub const fn word(self) -> &'static str {
        match self {
            LimitKind::OverVoltage => "over-voltage",
            LimitKind::UnderVoltage => "under-voltage",
            LimitKind::OverCurrent => "over-current",
            LimitKind::OverTemperature => "over-temperature",
            LimitKind::UnderTemperature => "under-temperature",
            LimitKind::TemperatureRise => "temperature-rise",
            LimitKind::NoData => "no-data",
            LimitKind::EndOfDischarge => "end-of-discharge",
            LimitKind::Target => "target",
            LimitKind::StoreNearlyFull => "store-nearly-full",
        }
    }

    /// Whether single readings are looked at.
    pub const fn is_of_readings(self) -> bool {
        !matches!(
            self,
            LimitKind::NoData
                | LimitKind::EndOfDischarge
                | LimitKind::Target
                | LimitKind::StoreNearlyFull
        )
    }
}

/// What became of a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlarmState {
    /// It was passed.
    Passed,
    /// It is over.
    Over,
    /// Nothing: somebody tries the actions.
    Test,
}

/// What an action is given, as JSON.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Alarm {
    /// Name of the limit.
    pub limit: String,
    /// What it watches.
    pub kind: LimitKind,
    /// What became of it.
    pub state: AlarmState,
    /// The same in words.
    pub sentence: String,
    /// The source, where it is about one.
    pub source: Option<String>,
    /// The open session, where it is about one.
    pub session: Option<i64>,
    /// The pack, where that is named.
    pub pack: Option<String>,
    /// The value that decided.
    pub value: Option<f64>,
    /// The limit.
    pub bound: Option<f64>,
    /// The unit of both.
    pub unit: String,
    /// When, seconds since 1970-01-01 UTC.
    pub unix_time_second: f64,
    /// Whether the clock was synchronised then.
    pub clock_synchronised: bool,
    /// Version and build of the program.
    pub build: String,
}

/// One line of `GET /v1/limits`
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LimitStatus {
    /// Its name in the configuration.
    pub name: String,
    /// What it watches; `None` where the configuration is wrong.
    pub kind: Option<LimitKind>,
    /// On which source.
    pub source: Option<String>,
    /// The limit.
    pub bound: Option<f64>,
    /// Its unit.
    pub unit: String,
    /// How it stands.
    pub standing: LimitStanding,
    /// The latest value.
    pub value: Option<f64>,
    /// In words: what was seen, or why it is not watched.
    pub sentence: String,
    /// Whether it may switch an instrument off; `None` where it would not.
    pub armed: Option<bool>,
    /// Its actions.
    pub actions: Vec<ActionStatus>,
}

/// How a limit stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitStanding {
    /// The configuration is wrong: it is not watched.
    Refused,
    /// Nothing to look at yet.
    Waiting,
    /// Within it.
    Within,
    /// Beyond it, but not for long enough yet.
    Beyond,
    /// Passed.
    Passed,
}

/// An action of a limit. What it runs or where it goes is not told.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ActionStatus {
    /// Its name in the configuration.
    pub name: String,
    /// `command`, `webhook`, `mqtt` or `switch`.
    pub kind: String,
    /// How often it was done.
    pub done: u64,
    /// How often it was given up after all tries.
    pub failed: u64,
    /// How often it was left out because another came too soon.
    pub left_out: u64,
    /// Why it last failed.
    pub last_failure: Option<String>,
}

/// `POST /v1/limits/{limit}/test`
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct TestRequest {
    /// Really switch off, too, where the limit is armed.
    pub switch: bool,
}

/// How one action of a tried limit came out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tried {
    /// The action.
    pub action: String,
    /// What it is.
    pub kind: String,
    /// Whether it was done.
    pub done: bool,
    /// In words, if not.
    pub why: Option<String>,
}
