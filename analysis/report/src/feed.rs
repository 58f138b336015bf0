//! The one way of samples into figures: a session's samples go in, live from
//! the hub or from the store, a report comes out. Same samples, same digits.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use ampledger_methods::{Analysis, Now, Placed, Row, SessionAnalysis, Setting};
use ampledger_store::{Block, NumberedSample, Reader, Stretch};
use ampledger_types::api::{Check, OpenSession, Progress};
use ampledger_types::result::{AnomalyKind, SessionReport};
use ampledger_types::{Bound, Calibration, DecodeSet, Group, Quantity, Seq};

use crate::answers::Answers;
use crate::before::Before;
use crate::compute::ReportError;
use crate::placing::Placing;
use crate::progress::progress;
use crate::sentences;
use crate::session_report::{ReportInput, report};
use crate::setting::setting;
use crate::subject::{Subject, View};
use crate::timeline::Timeline;
use crate::warmth::Temperatures;

/// Samples listed of each kind of oddity.
const LISTED: usize = 20;

/// Takes a session's samples: first what the store has, then what arrives.
#[derive(Clone, Debug)]
pub struct SessionFeed {
    placing: Placing,
    analysis: SessionAnalysis,
    setting: Setting,
    /// Zeros and calibrations, as they were known.
    records: Vec<Calibration>,
    /// Up to when another pack was on these sources.
    parted: Option<Bound>,
    /// The channel on which the time before the session was seen.
    before: Option<(String, String)>,
    /// Evidence from outside the session.
    cited: Vec<Stretch>,
    answers: Answers,
    seen: Seen,
    odd: Odd,
    warmth: Temperatures,
}

/// Which channels gave current and voltage first: source and channel name.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    /// The current's.
    pub current: Option<(String, String)>,
    /// The voltage's.
    pub voltage: Option<(String, String)>,
}

/// How a session stands at one moment.
#[derive(Clone, Debug, PartialEq)]
pub struct Snapshot {
    /// Everything known about it.
    pub report: SessionReport,
    /// How it stands, in a sentence or two.
    pub sentence: String,
    /// How far it has come, in figures.
    pub progress: Progress,
    /// What is happening.
    pub now: Now,
    /// The first-minute checks as far as they can be made.
    pub checks: Vec<Check>,
}

impl SessionFeed {
    /// A feed that has seen nothing yet.
    pub fn new(subject: &Subject) -> SessionFeed {
        let setting = setting(subject);
        SessionFeed {
            placing: Placing::new(subject),
            analysis: SessionAnalysis::new(setting.clone()),
            setting,
            records: subject.calibrations.clone(),
            parted: subject.parted,
            before: None,
            cited: Vec::new(),
            answers: Answers::default(),
            seen: Seen::default(),
            odd: Odd::default(),
            warmth: Temperatures::default(),
        }
    }

    /// The same, with what the record shows of the time before the session.
    fn after_before(
        reader: &Reader,
        subject: &Subject,
        view: &View,
    ) -> Result<SessionFeed, ReportError> {
        let mut feed = SessionFeed::new(subject);
        if let Some(before) = Before::read(reader, subject, &feed.setting, view.up_to)? {
            feed.analysis = SessionAnalysis::after(feed.setting.clone(), before.full);
            feed.answers = before.answers;
            feed.before = before.seen.current;
            feed.cited = before.cited;
        }
        Ok(feed)
    }

    /// What the report cites outside the session.
    pub(crate) fn cited(&self) -> &[Stretch] {
        &self.cited
    }

    /// A feed that has seen everything the store has of the session.
    pub fn read(reader: &Reader, subject: &Subject, view: &View) -> Result<Self, ReportError> {
        SessionFeed::read_beside(reader, subject, view, |_, _| {})
    }

    /// The same of the session's own stretch alone: what was before it is not
    /// looked for.
    pub fn read_alone(
        reader: &Reader,
        subject: &Subject,
        view: &View,
    ) -> Result<SessionFeed, ReportError> {
        SessionFeed::new(subject).read_on(reader, subject, view, |_, _| {})
    }

    /// The same, with `look` seeing each sample beside it.
    pub(crate) fn read_beside(
        reader: &Reader,
        subject: &Subject,
        view: &View,
        look: impl FnMut(&NumberedSample, &Placed),
    ) -> Result<Self, ReportError> {
        SessionFeed::after_before(reader, subject, view)?.read_on(reader, subject, view, look)
    }

    fn read_on(
        mut self,
        reader: &Reader,
        subject: &Subject,
        view: &View,
        mut look: impl FnMut(&NumberedSample, &Placed),
    ) -> Result<Self, ReportError> {
        let mut placing = self.placing.clone();
        placing.read(reader, subject, view.up_to, |stored, placed| {
            self.take(stored, placed);
            look(stored, placed);
            ControlFlow::Continue(())
        })?;
        self.placing = placing;
        Ok(self)
    }

    /// Tells about runs that began since.
    pub fn add_runs(&mut self, subject: &Subject) {
        self.placing.add_runs(subject);
    }

    /// Whether what was fed is still right for this subject. If not (start or
    /// pack changed, an end set in the past, a clock set later), read a new
    /// feed from the store.
    pub fn fits(&self, subject: &Subject) -> bool {
        self.setting == setting(subject)
            && self.parted == subject.parted
            && self.records == subject.calibrations
            && self.placing.fits(subject)
    }

    /// Takes a sample that arrives. Numbers up to the highest one taken, other
    /// sources and times outside the session are passed over.
    pub fn feed(&mut self, numbered: &NumberedSample) -> Option<Placed> {
        let NumberedSample { seq, run, decode_set, sample } = numbered;
        if *seq <= self.fed_up_to() {
            return None;
        }
        if !self.placing.calibrations.concern(&decode_set.source) {
            let placed = self.placing.place(&decode_set.source, *run, *seq, sample)?;
            self.take(numbered, &placed);
            return Some(placed);
        }
        let mut corrected = numbered.clone();
        self.placing.calibrations.correct(&mut corrected);
        let placed = self.placing.place(&decode_set.source, *run, *seq, &corrected.sample)?;
        self.take(&corrected, &placed);
        Some(placed)
    }

    /// Takes samples that lie in columns and arrive, as [`SessionFeed::feed`]
    /// takes one.
    pub fn feed_block(&mut self, block: &Block) {
        let source = &block.decode_set.source;
        if self.placing.calibrations.concern(source) {
            for sample in block.samples() {
                self.feed(&sample);
            }
            return;
        }
        let Some(stream) = self.placing.stream(source, &block.group) else { return };
        let probes = Temperatures::probes(&block.group);
        let columns: Vec<&[f64]> = block.values.iter().map(Vec::as_slice).collect();
        for (place, (seq, t_us)) in block.seqs.iter().zip(&block.t_us).enumerate() {
            if *seq <= self.fed_up_to() {
                continue;
            }
            let at = Bound { run: block.run, t_us: *t_us };
            let value = |channel: usize| columns.get(channel)?.get(place).copied();
            // Looked at where it is: a copy costs as much as placing it.
            let placed = self.placing.place_in(stream, at, *seq, value);
            let Some(placed) = &placed else { continue };
            for (channel, probe) in &probes {
                let celsius = value(*channel).unwrap_or(f64::NAN);
                self.warmth.take(*probe, placed.row.t_us, celsius);
            }
            self.judge(*seq, placed, (&block.decode_set, &block.group));
        }
    }

    /// Whether it was fed everything that the store has of a session, and knew
    /// all beforehand that counts for it.
    pub(crate) fn is_all(
        &self,
        reader: &Reader,
        subject: &Subject,
        view: &View,
    ) -> Result<bool, ReportError> {
        let is_all = self.fits(subject) && self.fed_up_to() == reader.recorded_up_to()?;
        let before = || Before::read(reader, subject, &self.setting, view.up_to);
        Ok(is_all && before()?.is_none())
    }

    fn take(&mut self, numbered: &NumberedSample, placed: &Placed) {
        let NumberedSample { seq, decode_set, sample, .. } = numbered;
        self.warmth.note(sample, placed.row.t_us);
        self.judge(*seq, placed, (decode_set, &sample.group));
    }

    fn judge(&mut self, seq: Seq, placed: &Placed, (set, group): (&DecodeSet, &Group)) {
        let is_first = self.seen.current.is_none();
        self.seen.note(&set.source, group, &placed.row);
        let is_other_channel = is_first
            && self.seen.current.is_some()
            && self
                .before
                .as_ref()
                .is_some_and(|before| self.seen.current.as_ref() != Some(before));
        if self.answers.changed(set) || is_other_channel {
            self.analysis.other_instrument(placed.row.t_us);
        }
        if placed.before.is_some() {
            self.analysis.break_of_unknown_length();
        }
        self.analysis.push(&placed.row);
        self.odd.note(&self.analysis, seq);
    }

    /// The highest number taken.
    pub fn fed_up_to(&self) -> Seq {
        self.placing.reached()
    }

    /// The dates of its test time.
    pub fn timeline(&self, subject: &Subject) -> Timeline {
        Timeline::new(subject.session.start, &subject.clocks, self.placing.placed())
    }

    /// What the methods were told beforehand.
    pub(crate) fn setting(&self) -> &Setting {
        &self.setting
    }

    /// What the methods found: up to the session's end, or the present.
    pub fn analysis(&self, subject: &Subject, view: &View) -> Analysis {
        let ended = subject.session.end;
        let now = ended.or(view.now).and_then(|at| self.timeline(subject).test_time_us(at));
        self.analysis.snapshot(now, ended.is_some())
    }

    /// The report as it stands.
    pub fn report(&self, subject: &Subject, view: &View) -> SessionReport {
        self.report_of(subject, view, &self.analysis(subject, view))
    }

    /// Report, sentence and checks as they stand.
    pub fn snapshot(&self, subject: &Subject, view: &View) -> Snapshot {
        let analysis = self.analysis(subject, view);
        let report = self.report_of(subject, view, &analysis);
        let progress = progress(&report, &analysis, &self.setting, subject.measured.as_ref());
        Snapshot {
            sentence: sentences::state(&report, &analysis.now, &progress),
            progress,
            now: analysis.now,
            checks: self.analysis.first_minute_checks(),
            report,
        }
    }

    pub(crate) fn report_of(
        &self,
        subject: &Subject,
        view: &View,
        analysis: &Analysis,
    ) -> SessionReport {
        report(&ReportInput {
            subject,
            view,
            analysis,
            timeline: &self.timeline(subject),
            seen: &self.seen,
            odd: &self.odd,
            warmth: &self.warmth,
            calibrations: &self.placing.calibrations,
            rules: &self.setting.rules,
            computed_up_to: self.fed_up_to(),
        })
    }
}

/// Which samples were odd, by kind: the numbers of the first twenty.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Odd {
    total: u64,
    counts: BTreeMap<AnomalyKind, u64>,
    /// Numbers of samples.
    pub samples: BTreeMap<AnomalyKind, Vec<Seq>>,
}

impl Odd {
    fn note(&mut self, analysis: &SessionAnalysis, seq: Seq) {
        if analysis.oddities() == std::mem::replace(&mut self.total, analysis.oddities()) {
            return;
        }
        let counts = analysis.oddity_counts();
        for (kind, count) in &counts {
            let samples = self.samples.entry(*kind).or_default();
            if self.counts.get(kind) != Some(count) && samples.len() < LISTED {
                samples.push(seq);
            }
        }
        self.counts = counts;
    }
}

impl Seen {
    pub(crate) fn note(&mut self, source: &str, group: &Group, row: &Row) {
        if row.is_far_side || (self.current.is_some() && self.voltage.is_some()) {
            return;
        }
        let channel = |quantity| {
            let channel = group.channels.get(group.position(quantity)?)?;
            Some((source.to_owned(), channel.name.clone()))
        };
        if self.current.is_none() && row.current_ampere.is_some() {
            self.current = channel(Quantity::Current);
        }
        if self.voltage.is_none() && row.voltage_volt.is_some() {
            self.voltage = channel(Quantity::Voltage);
        }
    }
}

impl Snapshot {
    /// The session in short, for the status.
    pub fn open_session(&self) -> OpenSession {
        let results = &self.report.results;
        OpenSession {
            session: self.report.session.session.clone(),
            sentence: self.sentence.clone(),
            discharged_ah: results.discharging_capacity_ah.value,
            discharged_wh: results.discharging_energy_wh.value,
            charged_ah: results.charging_capacity_ah.value,
            charged_wh: results.charging_energy_wh.value,
            progress: Some(self.progress.clone()),
        }
    }
}
