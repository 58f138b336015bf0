//! Decodes a file into the store: a run of its own, samples with the lines
//! they came from, what was wrong with it, and last the session over it all.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use ampledger_decoders::{ComplaintKind, Driver, Input, Output, builtin};
use ampledger_report::{View, holding};
use ampledger_store::{Batch, NewRun, NewSession, NumberedSample, Reader, Store};
use ampledger_types::result::SessionReport;
use ampledger_types::{
    Bound, ClockObservation, DecodeSet, LineMark, Marker, MarkerKind, Run, Sample, Seq, Session,
    Tag,
};

use super::beginning::Beginning;
use super::open::Rows;
use super::{Plan, Understood, guess, refused};
use crate::client::BUILD;
use crate::exit::Failure;

/// Samples written at once.
const BATCH: usize = 10_000;
/// Lines listed of each kind of trouble.
const LISTED: usize = 20;
/// Instrument times beyond 2001-01-01 UTC are dates.
const EARLIEST_DATE_US: i64 = 978_307_200_000_000;

/// What became of a file.
pub struct Imported {
    /// Number of the session.
    pub session: i64,
    /// What came out.
    pub report: SessionReport,
    /// What to know about how it was read.
    pub remarks: Vec<String>,
}

/// Writes a file that was understood into the store.
pub fn write(
    file: &Path,
    mut rows: Rows,
    beginning: &Beginning,
    understood: Understood,
    plan: &Plan,
) -> Result<Imported, Failure> {
    let descriptor = builtin::find(understood.decoder)
        .ok_or_else(|| refused(file, None, "its decoder is not built in"))?;
    let decoder = (descriptor.build)(&understood.config)
        .map_err(|problem| Failure::Usage(problem.to_string()))?;
    let mut store = Store::open(&plan.store)?;
    let source = source_name(file);
    let run = store.begin_run(&NewRun {
        boot_id: format!("import-{}", uuid::Uuid::new_v4()),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: BUILD.to_owned(),
        replay_of: Some(source.clone()),
    })?;
    store.put_instruments(run.id, &[(source.clone(), plan.instrument.clone())].into())?;
    let decode_set = DecodeSet {
        source: source.clone(),
        decoder: descriptor.name.to_owned(),
        decoder_version: descriptor.version.to_owned(),
        config_digest: understood.config.digest(descriptor.name, descriptor.version),
        identity: None,
    };
    let mut intake = Intake {
        next: store.recorded_up_to() + 1,
        store,
        run,
        decode_set: Arc::new(decode_set),
        batch: Batch::default(),
        now_us: understood.first_t_us,
        line: 0,
        next_line: 0,
        odd: BTreeMap::new(),
        date: Dating { column: understood.dated_by, seen: None },
        last_us: 0,
    };
    let mut driver = Driver::new(decoder);
    intake.give(&mut driver, Input::Opened { record: true })?;
    for line in beginning.bytes.split_inclusive(|byte| *byte == b'\n') {
        intake.piece(&mut driver, line, plan)?;
    }
    let cut = if beginning.is_all { None } else { intake.rest(&mut driver, &mut rows, plan)? };
    // A finished file's last line is whole, with or without its end.
    intake.give(&mut driver, Input::Received { endpoint: 0, bytes: b"\n" })?;
    intake.give(&mut driver, Input::Closed)?;
    let session = intake.finish(file, rows.sha256(), plan)?;
    let remarks = understood.remarks.into_iter().chain(cut).collect();
    intake.judge(session, remarks)
}

/// The name of a file's source: its own, without what packs it.
fn source_name(file: &Path) -> String {
    let name = file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let stem = name.split('.').find(|part| !part.is_empty()).unwrap_or("import");
    stem.chars().map(|c| if c.is_control() || c == '/' { '-' } else { c }).collect()
}

/// What goes on while a file is read.
struct Intake {
    store: Store,
    run: Run,
    decode_set: Arc<DecodeSet>,
    batch: Batch,
    next: Seq,
    /// Time given to the decoder: that of the last sample.
    now_us: i64,
    /// Line being read, from 1.
    line: u64,
    /// Line that the next sample comes from, if no mark says otherwise.
    next_line: u64,
    odd: BTreeMap<(MarkerKind, ComplaintKind), Odd>,
    date: Dating,
    last_us: i64,
}

/// Trouble of one kind.
struct Odd {
    count: u64,
    lines: Vec<u64>,
    first: String,
    at_us: i64,
}

/// How test time gets its dates.
struct Dating {
    /// The column with dates beside test time.
    column: Option<usize>,
    seen: Option<ClockObservation>,
}

impl Intake {
    /// Reads on to the end; a file that cannot be read on is told, and what
    /// was read of it stands.
    fn rest(
        &mut self,
        driver: &mut Driver,
        rows: &mut Rows,
        plan: &Plan,
    ) -> Result<Option<String>, Failure> {
        let mut piece = Vec::new();
        loop {
            if let Err(error) = rows.piece(&mut piece) {
                let what =
                    format!("the file could not be read on after line {}: {error}", self.line);
                self.complain(ComplaintKind::Incomplete, &what);
                return Ok(Some(what));
            }
            if piece.is_empty() {
                return Ok(None);
            }
            self.piece(driver, &piece, plan)?;
        }
    }

    fn piece(&mut self, driver: &mut Driver, bytes: &[u8], plan: &Plan) -> Result<(), Failure> {
        // A sample comes out with the line end: its line is this one.
        if bytes.ends_with(b"\n") {
            self.line += 1;
        }
        let before = self.next;
        self.give(driver, Input::Received { endpoint: 0, bytes })?;
        if self.date.seen.is_none() && self.next > before {
            self.date_first_row(bytes, plan);
        }
        Ok(())
    }

    fn give(&mut self, driver: &mut Driver, input: Input<'_>) -> Result<(), Failure> {
        let outputs: Vec<Output> = driver.give(self.now_us, input).1.collect();
        for output in outputs {
            match output {
                Output::Sample(sample) => self.sample(sample)?,
                Output::Complaint(complaint) => self.complain(complaint.kind, &complaint.detail),
                _ => {}
            }
        }
        Ok(())
    }

    fn sample(&mut self, sample: Sample) -> Result<(), Failure> {
        let seq = self.next;
        self.next += 1;
        self.now_us = self.now_us.max(sample.t_us);
        self.last_us = self.last_us.max(sample.t_us);
        if self.next_line != self.line {
            self.batch.line_marks.push(LineMark { run: self.run.id, seq, line: self.line });
        }
        self.next_line = self.line + 1;
        if let Some(unix_us) = sample.instrument_t_us.filter(|t| *t >= EARLIEST_DATE_US) {
            self.see(sample.t_us, unix_us);
        }
        let (run, decode_set) = (self.run.id, self.decode_set.clone());
        self.batch.samples.push(NumberedSample { seq, run, decode_set, sample });
        if self.batch.samples.len() >= BATCH {
            self.store.append(&std::mem::take(&mut self.batch))?;
        }
        Ok(())
    }

    fn complain(&mut self, kind: ComplaintKind, detail: &str) {
        let marker = match detail.starts_with("the time ran back") {
            true => MarkerKind::TimeBackwards,
            false => MarkerKind::Unreadable,
        };
        let (line, at_us) = (self.line, self.last_us);
        let new = || Odd { count: 0, lines: Vec::new(), first: detail.to_owned(), at_us };
        let odd = self.odd.entry((marker, kind)).or_insert_with(new);
        odd.count += 1;
        if odd.lines.len() < LISTED {
            odd.lines.push(line);
        }
    }

    /// Notes a date, unless it is what the last one says already.
    fn see(&mut self, t_us: i64, unix_us: i64) {
        let moved = |seen: &ClockObservation| {
            ((unix_us - t_us) - (seen.unix_us - seen.t_us)).abs() > 1_000_000
        };
        if self.date.seen.as_ref().is_none_or(moved) {
            let seen = ClockObservation { t_us, unix_us, synchronised: true };
            self.date.seen = Some(seen);
            self.batch.observations.push((self.run.boot_id.clone(), seen));
        }
    }

    /// Test time is the axis and another column has dates: the first row with
    /// both gives all rows theirs.
    fn date_first_row(&mut self, row: &[u8], plan: &Plan) {
        let Some(column) = self.date.column else { return };
        let text = String::from_utf8_lossy(row);
        let cells = guess::split(text.trim_end(), &plan.hints);
        let Some(cell) = cells.get(column) else { return };
        let number = cell.parse::<f64>().ok().map(|seconds| seconds * 1e6);
        let date = || cell.parse::<jiff::Timestamp>().ok().map(|t| t.as_microsecond() as f64);
        if let Some(unix_us) = number.or_else(date).filter(|us| *us >= EARLIEST_DATE_US as f64) {
            self.see(self.now_us, unix_us as i64);
        }
    }

    /// Writes what is left, and the session over it all.
    fn finish(
        &mut self,
        file: &Path,
        sha256: Option<String>,
        plan: &Plan,
    ) -> Result<Session, Failure> {
        let odd = std::mem::take(&mut self.odd);
        self.batch.markers = odd.into_iter().map(|(kind, odd)| self.marker(kind.0, odd)).collect();
        self.store.append(&std::mem::take(&mut self.batch))?;
        if let Some(pack) = &plan.pack {
            self.store.put_pack(pack)?;
        }
        let name = file.file_name().map(|n| n.to_string_lossy().into_owned());
        let tag = |key: &str, value: Option<String>| Tag { key: key.to_owned(), value };
        let mut tags = vec![tag("file", name)];
        tags.extend(sha256.map(|sha256| tag("sha256", Some(sha256))));
        let at = |t_us| Bound { run: self.run.id, t_us };
        let mut session = self.store.insert_session(&NewSession {
            pack: plan.pack.as_ref().map(|pack| pack.label.clone()),
            sources: vec![self.decode_set.source.clone()],
            start: at(0),
            cutoff_voltage_volt: plan.cutoff_voltage_volt,
            cutoff_rule: plan.cutoff_rule,
            tags,
        })?;
        session.end = Some(at(self.last_us));
        self.store.put_session(&session)?;
        Ok(session)
    }

    fn judge(&mut self, session: Session, remarks: Vec<String>) -> Result<Imported, Failure> {
        let reader = Reader::open(self.store.path())?;
        let view = View { build: BUILD.to_owned(), ..View::default() };
        let (report, _) = holding(&reader, session.id, &view)?;
        self.store.save_report(session.id, session.revision, &report)?;
        Ok(Imported { session: session.id, report, remarks })
    }

    fn marker(&self, kind: MarkerKind, odd: Odd) -> Marker {
        let at = Bound { run: self.run.id, t_us: odd.at_us };
        let text = match kind {
            MarkerKind::TimeBackwards => format!("{} rows whose time runs backwards", odd.count),
            _ => format!("not understood: {}", odd.first),
        };
        let source = Some(self.decode_set.source.clone());
        Marker { source, count: odd.count, lines: odd.lines, ..Marker::new(at, kind, text) }
    }
}
