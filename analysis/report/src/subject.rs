//! What is known of a session besides its samples: session, pack, clocks,
//! markers; and from where it is looked at.

use std::collections::BTreeMap;

use ampledger_methods::to_empty::Measured;
use ampledger_store::Reader;
use ampledger_types::result::{EarlierRevision, SessionReport};
use ampledger_types::{
    Bound, Calibration, ClockMap, ClockObservation, Instrument, LineMark, Marker, Pack, Run, RunId,
    Seq, Session,
};

use crate::before::parted;
use crate::compute::ReportError;
use crate::history::{history, measured};

/// A session with all that is known of it besides its samples.
#[derive(Clone, Debug, PartialEq)]
pub struct Subject {
    /// The session as it is kept.
    pub session: Session,
    /// Its pack, if it is named and known.
    pub pack: Option<Pack>,
    /// The runs it may lie in and what was seen of the wall clock in them.
    pub clocks: Clocks,
    /// What happened in it.
    pub markers: Vec<Marker>,
    /// How its instruments are described, by source.
    pub instruments: BTreeMap<String, Instrument>,
    /// Where in a file its samples came from, if they were imported.
    pub line_marks: Vec<LineMark>,
    /// What was issued about it at earlier revisions.
    pub earlier: Vec<EarlierRevision>,
    /// Zeros and calibrations that may hold for it, in order of the moments
    /// from which they hold.
    pub calibrations: Vec<Calibration>,
    /// What was issued about its pack's sessions before it, once it has ended.
    pub history: Vec<SessionReport>,
    /// While it is open: what its pack gave before, down to the same voltage.
    pub measured: Option<Measured>,
    /// Up to when another pack was on its sources, before it began.
    pub parted: Option<Bound>,
}

/// From where a session is looked at.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct View {
    /// The present, for an open session; `None` where no clock is at hand:
    /// then the last sample's time stands for it.
    pub now: Option<Bound>,
    /// The last sample to look at; all there are if `None`.
    pub up_to: Option<Seq>,
    /// Version and build of the program that looks.
    pub build: String,
}

/// Runs of a store and what was seen of the wall clock in their boots.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Clocks {
    /// The runs, in order of their number.
    pub runs: Vec<Run>,
    /// The observations of each boot, in order of its clock.
    pub observations: BTreeMap<String, Vec<ClockObservation>>,
}

impl Subject {
    /// Reads it all from the store.
    pub fn read(reader: &Reader, session_id: i64) -> Result<Subject, ReportError> {
        let session =
            reader.session(session_id)?.ok_or(ReportError::NoSuchSession { id: session_id })?;
        Subject::of(reader, session)
    }

    /// What can be known of a session that is being written whole with its run,
    /// so that the reader sees neither.
    pub fn coming(reader: &Reader, session: Session, run: Run) -> Result<Subject, ReportError> {
        let mut subject = Subject::of(reader, session)?;
        subject.clocks.runs.push(run);
        Ok(subject)
    }

    /// The same of a session that need not be in the store.
    pub(crate) fn of(reader: &Reader, session: Session) -> Result<Subject, ReportError> {
        let pack = match &session.pack {
            Some(label) => reader.pack(label)?,
            None => None,
        };
        let last_run = session.end.map_or(RunId(i64::MAX), |end| end.run);
        let its_own = |run: &Run| (session.start.run..=last_run).contains(&run.id);
        let clocks = Clocks::read_where(reader, its_own)?;
        let mut markers = reader.markers(session.start, session.end)?;
        markers.retain(|marker| concerns(marker, &session));
        // A note is written when somebody thinks of it, maybe after the end.
        markers.extend(reader.markers_of(session.id)?);
        markers.sort_by_key(|marker| marker.at);
        let mut instruments = reader.instruments(last_run)?;
        instruments.retain(|source, _| is_of(&session, source));
        // One file is one run.
        let line_marks = reader.line_marks(session.start.run)?;
        let earlier = earlier(reader, &session)?;
        let mut calibrations = reader.calibrations(session.end)?;
        calibrations.retain(|record| is_of(&session, &record.source));
        let sessions = reader.sessions()?;
        let parted = parted(&session, &sessions);
        let history = history(reader, &session, &sessions)?;
        let measured = measured(reader, &session, pack.as_ref(), &sessions)?;
        Ok(Subject {
            session,
            pack,
            clocks,
            markers,
            instruments,
            line_marks,
            earlier,
            calibrations,
            history,
            measured,
            parted,
        })
    }
}

fn earlier(reader: &Reader, session: &Session) -> Result<Vec<EarlierRevision>, ReportError> {
    let issued = reader.reports(session.id)?.into_iter();
    let before = issued.filter(|(revision, _)| *revision < session.revision);
    Ok(before.map(|(revision, report)| EarlierRevision { revision, claim: report.claim }).collect())
}

/// A marker of a source that the session is not about is not this session's;
/// those that name a session are looked up by it.
fn concerns(marker: &Marker, session: &Session) -> bool {
    let of_source = marker.source.as_ref().is_none_or(|source| is_of(session, source));
    marker.session.is_none() && of_source
}

/// Whether a session is about a source; one that names none is about all.
fn is_of(session: &Session, source: &String) -> bool {
    session.sources.is_empty() || session.sources.contains(source)
}

impl Subject {
    /// The line of the file that a sample came from.
    pub fn line_of(&self, seq: Seq) -> Option<u64> {
        let after = self.line_marks.partition_point(|mark| mark.seq <= seq);
        let mark = self.line_marks.get(after.checked_sub(1)?)?;
        Some(mark.line + (seq - mark.seq))
    }
}

impl Clocks {
    /// Reads all of them from the store.
    pub fn read(reader: &Reader) -> Result<Clocks, ReportError> {
        Clocks::read_where(reader, |_| true)
    }

    /// Reads those of some runs: a store can hold years of them.
    pub(crate) fn read_where(
        reader: &Reader,
        wanted: impl Fn(&Run) -> bool,
    ) -> Result<Clocks, ReportError> {
        let mut runs = reader.runs()?;
        runs.retain(|run| wanted(run));
        let mut observations = BTreeMap::new();
        for run in &runs {
            if !observations.contains_key(&run.boot_id) {
                let seen = reader.observations(&run.boot_id)?;
                observations.insert(run.boot_id.clone(), seen);
            }
        }
        Ok(Clocks { runs, observations })
    }

    /// The run of that number.
    pub fn run(&self, id: RunId) -> Option<&Run> {
        self.runs.iter().find(|run| run.id == id)
    }

    /// How a boot's clock maps to UTC.
    pub fn map(&self, boot_id: &str) -> ClockMap {
        ClockMap::new(self.observations.get(boot_id).into_iter().flatten().copied())
    }

    /// The first and the last moment at which the wall clock was seen and
    /// synchronised in that boot.
    pub(crate) fn synchronised(&self, boot_id: &str) -> Option<[ClockObservation; 2]> {
        let seen = self.observations.get(boot_id)?.iter().filter(|o| o.synchronised);
        let first = seen.clone().min_by_key(|o| o.t_us)?;
        let last = seen.max_by_key(|o| o.t_us)?;
        Some([*first, *last])
    }
}
