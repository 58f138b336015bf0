//! What the record shows of a pack before a session begins: the charge that may
//! prove it full. Looks back over the same sources, as far as the pack can have
//! been the same one, in one pass and in bounded memory.

use std::ops::ControlFlow;

use ampledger_methods::full::FullWatch;
use ampledger_methods::full_search::FullSearch;
use ampledger_methods::{Axis, RunOffset, Setting};
use ampledger_store::{NumberedSample, Range, Reader};
use ampledger_types::{Bound, Calibration, RunId, Session};

use crate::answers::Answers;
use crate::calibrations::Calibrations;
use crate::compute::ReportError;
use crate::feed::Seen;
use crate::placing::far_side;
use crate::subject::{Clocks, Subject};
use crate::timeline::run_offsets;

/// A charge that ended longer ago proves nothing, but is told of.
const DAYS: [i64; 2] = [2, 7];
const DAY_US: i64 = 86_400_000_000;
/// Runs looked at; a daemon is not started more often in a week.
const RUNS: usize = 100;

/// What was seen before a session, on its own test time.
#[derive(Clone, Debug)]
pub(crate) struct Before {
    /// Of a charge.
    pub full: FullWatch,
    /// The channels that it was seen on.
    pub seen: Seen,
    /// Who the instruments said they were.
    pub answers: Answers,
    /// Where it was seen, if it was a charge: evidence that must stay.
    pub cited: Vec<ampledger_store::Stretch>,
}

/// The latest moment before a session's start at which another pack was on one
/// of its sources.
pub(crate) fn parted(session: &Session, all: &[Session]) -> Option<Bound> {
    let is_other = |other: &&Session| {
        let shares = other.sources.iter().any(|source| session.sources.contains(source));
        other.id != session.id
            && other.start < session.start
            && (shares || other.sources.is_empty() || session.sources.is_empty())
            && other.pack.is_some()
            && other.pack != session.pack
    };
    let until = |other: &Session| other.end.map_or(session.start, |end| end.min(session.start));
    all.iter().filter(is_other).map(until).max()
}

impl Before {
    /// Reads it from the store; nothing where there is no record before. The
    /// last two days first, and the week only where those show no charge.
    pub(crate) fn read(
        reader: &Reader,
        subject: &Subject,
        setting: &Setting,
        up_to: Option<u64>,
    ) -> Result<Option<Before>, ReportError> {
        let start = subject.session.start;
        let first = reader
            .runs()?
            .iter()
            .rev()
            .filter(|run| run.id <= start.run)
            .nth(RUNS)
            .map(|run| run.id);
        let least = first.unwrap_or(RunId(i64::MIN));
        let clocks = Clocks::read_where(reader, |run| run.id <= start.run && run.id > least)?;
        let mut found = None;
        for days in DAYS {
            let Some(stretch) = Stretch::of(subject, &clocks, days * DAY_US) else { break };
            let before = stretch.read(reader, setting, (up_to, &subject.calibrations))?;
            let is_known = before.as_ref().is_some_and(|before| before.full.has_charge());
            found = before;
            if is_known || stretch.is_all {
                break;
            }
        }
        Ok(found)
    }
}

/// The stretch of the record that is looked at.
struct Stretch {
    range: Range,
    offsets: Vec<RunOffset>,
    far_side: Vec<String>,
    /// There is nothing before it to look at.
    is_all: bool,
}

impl Stretch {
    /// So far back from the start: over runs whose place on the session's time
    /// is known, of the same kind, and no further than another pack.
    fn of(subject: &Subject, clocks: &Clocks, length_us: i64) -> Option<Stretch> {
        let start = subject.session.start;
        let own = clocks.run(start.run)?;
        let related = run_offsets(start, clocks);
        let mut from = start;
        let mut offsets = Vec::new();
        let mut is_all = true;
        for run in clocks.runs.iter().rev().filter(|run| run.id <= start.run) {
            let is_alike = match own.replay_of {
                None => run.replay_of.is_none(),
                Some(_) => run.id == start.run,
            };
            if !is_alike {
                continue;
            }
            let known = related.iter().find(|offset| offset.run == run.id)?;
            let Some(offset_us) = known.offset_us else { break };
            let earliest_us = (-length_us).saturating_sub(offset_us);
            offsets.push(known.clone());
            from = Bound { run: run.id, t_us: run.started_t_us.max(earliest_us) };
            if run.started_t_us < earliest_us {
                is_all = false;
                break;
            }
        }
        if let Some(parted) = subject.parted.filter(|parted| *parted >= from) {
            (from, is_all) = (Bound { t_us: parted.t_us.saturating_add(1), ..parted }, true);
        }
        let to = Bound { t_us: start.t_us.saturating_sub(1), ..start };
        let sources = subject.session.sources.clone();
        let range = Range { sources, from, to: Some(to), up_to: None };
        let far_side = far_side(subject);
        (from <= to).then_some(Stretch { range, offsets, far_side, is_all })
    }

    fn read(
        &self,
        reader: &Reader,
        setting: &Setting,
        (up_to, records): (Option<u64>, &[Calibration]),
    ) -> Result<Option<Before>, ReportError> {
        let mut calibrations = Calibrations::new(records);
        let axis = Axis::new(&self.range.sources, self.offsets.clone());
        let mut axis = axis.with_far_side(self.far_side.clone());
        let mut search = FullSearch::new(setting);
        let (mut seen, mut answers, mut samples) = (Seen::default(), Answers::default(), 0_u64);
        let range = Range { up_to, ..self.range.clone() };
        reader.samples_lent(&range, |stored| {
            calibrations.correct(stored);
            let NumberedSample { run, decode_set, sample, .. } = stored;
            let known = |run: RunId| self.offsets.iter().any(|offset| offset.run == run);
            let placed = known(*run).then(|| axis.row(&decode_set.source, *run, sample)).flatten();
            let Some(placed) = placed else { return ControlFlow::Continue(()) };
            samples += 1;
            seen.note(&decode_set.source, &sample.group, &placed.row);
            if answers.changed(decode_set) {
                search.other_instrument(placed.row.t_us);
            }
            search.push(&placed.row);
            ControlFlow::Continue(())
        })?;
        let full = search.full_watch();
        let cited = if full.has_charge() { self.cited(reader)? } else { Vec::new() };
        Ok((samples > 0).then_some(Before { full, seen, answers, cited }))
    }

    /// All that was looked at: what shows the charge, and that nothing was
    /// drawn and nobody had the pack since.
    fn cited(&self, reader: &Reader) -> Result<Vec<ampledger_store::Stretch>, ReportError> {
        let Range { from, to: Some(to), .. } = self.range else { return Ok(Vec::new()) };
        let sources = match self.range.sources.is_empty() {
            true => reader.sources()?,
            false => self.range.sources.clone(),
        };
        let runs = self.offsets.iter().map(|offset| offset.run);
        let of_run = |run: RunId| {
            let from_t_us = if run == from.run { from.t_us } else { i64::MIN };
            let to_t_us = if run == to.run { to.t_us } else { i64::MAX };
            let stretch = move |source: &String| ampledger_store::Stretch {
                source: source.clone(),
                run,
                from_t_us,
                to_t_us,
            };
            sources.iter().map(stretch)
        };
        Ok(runs.filter(|run| (from.run..=to.run).contains(run)).flat_map(of_run).collect())
    }
}
