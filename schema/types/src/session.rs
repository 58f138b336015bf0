//! Sessions: marked stretches of the record, with tags and markers.

use serde::{Deserialize, Serialize};

use crate::time::RunId;

/// A moment in the record: boot clock within a run. Ordered by run, then time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Bound {
    /// The run whose clock `t_us` is.
    pub run: RunId,
    /// Boot clock, microseconds.
    pub t_us: i64,
}

/// A marked stretch of the record about one pack.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Session {
    /// Number in its store, from 1.
    pub id: i64,
    /// Name that is unique everywhere.
    pub uuid: String,
    /// Label of the pack, once named.
    pub pack: Option<String>,
    /// Names of the sources it is about.
    pub sources: Vec<String>,
    /// Who opened it.
    #[serde(default)]
    pub opened_by: OpenedBy,
    /// First moment.
    pub start: Bound,
    /// Last moment; `None` while open.
    pub end: Option<Bound>,
    /// Grows with everything that changes what is computed: a moved start, a
    /// new rating, a decode set.
    pub revision: u32,
    /// End voltage set for this session, V; overrides the pack's.
    pub cutoff_voltage_volt: Option<f64>,
    /// Which moment counts as that voltage's crossing.
    #[serde(default)]
    pub cutoff_rule: CutoffRule,
    /// Tags, in the order they were given.
    #[serde(default)]
    pub tags: Vec<Tag>,
}

impl Session {
    /// Whether it still grows.
    pub fn is_open(&self) -> bool {
        self.end.is_none()
    }

    /// Whether a person stands behind it. One that was opened by rule and that
    /// nobody took up is no more than a hint: nothing is kept for its sake.
    pub fn is_adopted(&self) -> bool {
        self.opened_by != OpenedBy::Rule
    }

    /// A person takes it up.
    pub fn adopt(&mut self) {
        if self.opened_by == OpenedBy::Rule {
            self.opened_by = OpenedBy::RuleAdopted;
        }
    }
}

/// Who opened a session.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OpenedBy {
    /// A person.
    #[default]
    Person,
    /// A rule; nobody has taken it up.
    Rule,
    /// A rule; a person has taken it up since.
    RuleAdopted,
}

/// Which moment counts as 'the cut-off voltage was reached'.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CutoffRule {
    /// The first loaded row at or below it; no hold.
    FirstBelow,
    /// The crossing of the straight line between the rows around it, once the
    /// voltage stayed below for the hold.
    #[default]
    Interpolated,
    /// The last row above it before the first loaded row at or below; no hold.
    LastAbove,
}

/// A word, or a key with a value, hung on a session by a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tag {
    /// The word or key.
    pub key: String,
    /// The value, where the tag was `key=value`.
    pub value: Option<String>,
}

impl Tag {
    /// Reads `word` or `key=value`; `None` where the key is empty.
    pub fn parse(text: &str) -> Option<Tag> {
        let (key, value) = match text.split_once('=') {
            Some((key, value)) => (key.trim(), Some(value.trim().to_owned())),
            None => (text.trim(), None),
        };
        (!key.is_empty()).then(|| Tag { key: key.to_owned(), value })
    }
}

impl std::fmt::Display for Tag {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match &self.value {
            Some(value) => write!(f, "{}={value}", self.key),
            None => f.write_str(&self.key),
        }
    }
}

/// Something that happened at a time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Marker {
    /// When.
    pub at: Bound,
    /// What.
    pub kind: MarkerKind,
    /// Where, if it concerns one source.
    pub source: Option<String>,
    /// In which session, if it concerns one.
    pub session: Option<i64>,
    /// How often, where one marker stands for many; else 1.
    pub count: u64,
    /// Where in the file it came from: line numbers, the first twenty.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lines: Vec<u64>,
    /// In words.
    pub text: String,
}

impl Marker {
    /// A marker of something that happened once and concerns everything.
    pub fn new(at: Bound, kind: MarkerKind, text: String) -> Self {
        Marker { at, kind, source: None, session: None, count: 1, lines: Vec::new(), text }
    }
}

/// What kind of thing happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MarkerKind {
    /// A person wrote something down.
    Note,
    /// The daemon began to record.
    RecordingBegan,
    /// The daemon stopped in order.
    RecordingEnded,
    /// A source was opened.
    SourceOpened,
    /// A source was closed or lost.
    SourceLost,
    /// Readings or frames were dropped or missing.
    Gap,
    /// Input that the decoder could not read.
    Unreadable,
    /// The times of a file or instrument ran backwards.
    TimeBackwards,
    /// The wall clock was stepped.
    ClockStep,
    /// Whether the wall clock can be trusted changed.
    ClockTrust,
    /// The machine slept.
    Suspended,
    /// The configuration was read again, and something changed.
    Configuration,
    /// Another instrument answers on this source.
    InstrumentChanged,
    /// A decoder in a process of its own ended, or is used no more.
    DecoderFailed,
    /// A session began, ended or was changed.
    Session,
    /// A rule decided something about the pack on a source.
    Rule,
    /// A limit was passed or is over, or its actions came to something.
    Limit,
    /// The record on disk had or has trouble.
    Store,
}
