//! Everything known about one session, from what the methods found. Maps and
//! words only; it integrates nothing.

use std::collections::BTreeMap;

use ampledger_methods::{Analysis, FoundAnomaly, FoundEnd, FoundPhase, Rules};
use ampledger_types::calibration::Change;
use ampledger_types::result::{
    Anomaly, AnomalyKind, DatedMarker, EndReason, Gap, Phase, Results, RuleUsed, SessionHead,
    SessionReport, Stretch, Warmth,
};
use ampledger_types::source::PoweredBy;
use ampledger_types::{Instrument, Marker, MarkerKind, Quantity, Seq};

use crate::calibrations::Calibrations;
use crate::feed::{Odd, Seen};
use crate::figures::{Basis, results};
use crate::further::further;
use crate::pack_view;
use crate::sentences;
use crate::setting::{judging, stated};
use crate::subject::{Subject, View};
use crate::timeline::Timeline;
use crate::verdict::{self, verdict};
use crate::warmth::Temperatures;
use crate::zeroing::{Read, heat, put, told};

/// What a report is made from.
#[derive(Clone, Copy, Debug)]
pub struct ReportInput<'a> {
    /// The session with all but its samples.
    pub subject: &'a Subject,
    /// From where it is looked at.
    pub view: &'a View,
    /// What the methods found.
    pub analysis: &'a Analysis,
    /// The dates of its test time.
    pub timeline: &'a Timeline,
    /// Which channels gave current and voltage.
    pub seen: &'a Seen,
    /// Which samples were odd.
    pub odd: &'a Odd,
    /// How warm it was.
    pub warmth: &'a Temperatures,
    /// What corrected the readings.
    pub calibrations: &'a Calibrations,
    /// The rules of the methods.
    pub rules: &'a Rules,
    /// All samples up to this number were looked at.
    pub computed_up_to: Seq,
}

/// Everything known about one session.
pub fn report(input: &ReportInput) -> SessionReport {
    let head = head(input);
    let phases: Vec<Phase> =
        input.analysis.phases.iter().map(|found| phase(input, found)).collect();
    let basis = basis(input, &phases, head.clock_rate);
    let results = results(&basis);
    let temperatures = temperatures(input);
    let verdict = verdict(&verdict_basis(input, &results, &temperatures));
    let further = further(input.analysis, &basis.setting, input.timeline, &temperatures);
    let mut report = SessionReport {
        session: head,
        pack: input.subject.pack.clone(),
        claim: String::new(),
        main_discharge: input.analysis.main_discharge,
        phases,
        results,
        verdict,
        further,
        temperatures,
        anomalies: anomalies(input),
        earlier: input.subject.earlier.clone(),
        calibrations: told(input.calibrations, input.timeline),
        notes: input.analysis.notes.clone(),
        markers: markers(input.subject, input.timeline),
        rules: rules(input),
        computed_up_to: input.computed_up_to,
        computed_by: input.view.build.clone(),
    };
    let beside = pack_view::beside(&report, &input.subject.history);
    (report.further.peukert, report.further.self_discharge) = beside;
    report.claim = sentences::claim(&report);
    report
}

fn head(input: &ReportInput) -> SessionHead {
    let session = input.subject.session.clone();
    let run = input.subject.clocks.run(session.start.run);
    let ended = session.end.and_then(|end| input.timeline.test_time_us(end));
    SessionHead {
        started: input.timeline.moment(0),
        ended: session.end.map(|_| {
            let us = ended.or(input.analysis.now.last_row_us).unwrap_or(0);
            input.timeline.moment(us)
        }),
        clock_synchronised: input.timeline.synchronised(),
        clock_rate: run.map_or(1.0, |run| run.clock_rate),
        session,
    }
}

fn longest(phases: &[FoundPhase]) -> Option<&FoundPhase> {
    phases.iter().max_by_key(|phase| phase.end_us.saturating_sub(phase.start_us))
}

fn basis<'a>(input: &'a ReportInput, phases: &'a [Phase], clock_rate: f64) -> Basis<'a> {
    let mut setting = judging(input.subject, input.seen);
    let main = input.analysis.main_discharge.and_then(|main| input.analysis.phases.get(main));
    // Without a discharge what else was read is judged by the same zeros.
    let read_in = main.or_else(|| longest(&input.analysis.phases));
    let source = |seen: &Option<(String, String)>| seen.as_ref().map(|(source, _)| source.clone());
    let (current, voltage) = (source(&input.seen.current), source(&input.seen.voltage));
    let read = Read {
        sources: [current.as_deref().unwrap_or(""), voltage.as_deref().unwrap_or("")],
        timeline: input.timeline,
        celsius: read_in.and_then(|at| input.warmth.near_meter(at.start_us, at.end_us)),
    };
    let corrected = put(&mut setting, input.calibrations, read_in, &read);
    if let Some(stated) = stated(input.subject, &input.seen.current, Quantity::Current) {
        heat(&mut setting, stated, read.celsius);
    }
    Basis {
        analysis: input.analysis,
        phases,
        setting,
        corrected,
        timeline: input.timeline,
        not_described: not_described(input),
        is_open: input.subject.session.is_open(),
        clock_rate,
    }
}

/// What is not said of the meter that gave the current.
fn not_described(input: &ReportInput) -> Vec<String> {
    let Some((source, _)) = &input.seen.current else { return Vec::new() };
    let nothing = Instrument::default();
    let instrument = input.subject.instruments.get(source).unwrap_or(&nothing);
    sentences::not_described(instrument)
}

fn verdict_basis<'a>(
    input: &'a ReportInput,
    results: &'a Results,
    temperatures: &'a [Warmth],
) -> verdict::Basis<'a> {
    let current = input.seen.current.as_ref();
    let measured = newest_line(input);
    let stated = current.and_then(|(source, name)| {
        input.subject.instruments.get(source)?.accuracy.get(name)?.calibrated.as_deref()
    });
    verdict::Basis {
        session: &input.subject.session,
        pack: input.subject.pack.as_ref(),
        analysis: input.analysis,
        results,
        temperatures,
        calibrated: stated,
        measured,
        began: input.timeline.moment(0).unix_time_second,
        rules: input.rules,
    }
}

/// When the newest calibration that was used was taken, seconds since 1970.
fn newest_line(input: &ReportInput) -> Option<f64> {
    let lines = input.calibrations.used().map(|(record, _)| record);
    let lines = lines.filter(|record| matches!(record.change, Change::Line(_)));
    let moments = lines.filter_map(|record| input.timeline.test_time_us(record.taken));
    input.timeline.moment(moments.max()?).unix_time_second
}

/// How warm it was during the main discharge.
fn temperatures(input: &ReportInput) -> Vec<Warmth> {
    let main = input.analysis.main_discharge.and_then(|main| input.analysis.phases.get(main));
    main.map(|main| input.warmth.between(main.start_us, main.end_us, input.rules))
        .unwrap_or_default()
}

fn phase(input: &ReportInput, found: &FoundPhase) -> Phase {
    let at = |us| input.timeline.moment(us);
    let has_current = input.analysis.has_current;
    let end = found.end.as_ref();
    let lost_source = end.and_then(|end| lost_source(input, end));
    Phase {
        kind: found.kind,
        start: at(found.start_us),
        end: at(found.end_us),
        charge_ah: has_current.then(|| found.net_ah()),
        energy_wh: found.net_wh(),
        mean_current_ampere: found.mean_current_ampere,
        highest_current_ampere: has_current.then_some(found.highest_current_ampere),
        first_voltage_volt: found.first_voltage_volt,
        last_voltage_volt: end
            .and_then(|end| end.last_loaded_voltage_volt)
            .or(found.last_voltage_volt),
        end_reason: end.map(|end| end.reason),
        trip_means_empty: end
            .and_then(|end| end.trip_means_empty)
            .filter(|_| lost_source.is_none()),
        lost_source,
        interruptions: found
            .interruptions
            .iter()
            .map(|(start, end)| Stretch { start: at(*start), end: at(*end) })
            .collect(),
        gaps: found
            .gaps
            .iter()
            .map(|gap| Gap {
                start: at(gap.start_us),
                end: at(gap.end_us),
                estimated_ah: gap.estimated_ah,
                highest_ah: gap.highest_ah,
            })
            .collect(),
    }
}

/// A meter that something else powers does not go dark with its pack.
fn lost_source(input: &ReportInput, end: &FoundEnd) -> Option<String> {
    let (source, _) = input.seen.current.as_ref()?;
    let powered_by = input.subject.instruments.get(source)?.powered_by;
    let is_lost =
        end.reason == EndReason::DarkUnderLoad && powered_by == Some(PoweredBy::SomethingElse);
    is_lost.then(|| source.clone())
}

fn anomalies(input: &ReportInput) -> Vec<Anomaly> {
    let run = input.subject.clocks.run(input.subject.session.start.run);
    let told = |found: &FoundAnomaly| anomaly(input, found);
    let mut all: Vec<Anomaly> = input.analysis.anomalies.iter().map(told).collect();
    all.extend(marked(input, MarkerKind::Unreadable, AnomalyKind::Unreadable));
    if let Some(of_file) = marked(input, MarkerKind::TimeBackwards, AnomalyKind::TimeBackwards) {
        all.retain(|anomaly| anomaly.kind != AnomalyKind::TimeBackwards);
        all.push(of_file);
    }
    // A file that holds no dates has no clock that could be wrong.
    let is_file = run.is_some_and(|run| run.replay_of.is_some());
    if !is_file && !input.timeline.synchronised() {
        all.push(Anomaly {
            kind: AnomalyKind::ClockNotSet,
            count: 1,
            times: Vec::new(),
            lines: Vec::new(),
            text: sentences::CLOCK_NOT_SET.to_owned(),
        });
    }
    all
}

/// What happened, each with its place in the session.
pub(crate) fn markers(subject: &Subject, timeline: &Timeline) -> Vec<DatedMarker> {
    let dated = |marker: &Marker| DatedMarker {
        moment: timeline.test_time_us(marker.at).map(|us| timeline.moment(us)),
        marker: marker.clone(),
    };
    subject.markers.iter().map(dated).collect()
}

/// What the decoder could not read is told in the record by markers.
fn marked(input: &ReportInput, marked: MarkerKind, kind: AnomalyKind) -> Option<Anomaly> {
    let is_it = |marker: &&Marker| marker.kind == marked;
    let markers: Vec<&Marker> = input.subject.markers.iter().filter(is_it).collect();
    let times = markers.iter().filter_map(|marker| input.timeline.test_time_us(marker.at));
    Some(Anomaly {
        kind,
        count: markers.iter().map(|marker| marker.count).sum(),
        times: times.take(20).map(|us| us as f64 / 1e6).collect(),
        lines: markers.iter().flat_map(|marker| &marker.lines).copied().take(20).collect(),
        text: markers.first()?.text.clone(),
    })
}

fn anomaly(input: &ReportInput, found: &FoundAnomaly) -> Anomaly {
    let samples = input.odd.samples.get(&found.kind).into_iter().flatten();
    Anomaly {
        kind: found.kind,
        count: found.count,
        times: found.times_us.iter().map(|us| *us as f64 / 1e6).collect(),
        lines: samples.filter_map(|seq| input.subject.line_of(*seq)).collect(),
        text: found.text.clone(),
    }
}

fn rules(input: &ReportInput) -> BTreeMap<String, RuleUsed> {
    let table = input.rules.table();
    table.into_iter().map(|(name, used)| (name.to_owned(), used)).collect()
}
