//! Decodes a file into the store: a run of its own, samples with the lines
//! they came from, what was wrong with it, and last the session over it all.
//! One killed midway leaves nothing of it.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use ampledger_decoders::{ComplaintKind, Driver, Input, Output, builtin};
use ampledger_report::{Holding, View, holding};
use ampledger_store::{Batch, NewRun, NewSession, NumberedSample, Reader, Store};
use ampledger_types::result::SessionReport;
use ampledger_types::time::EARLIEST_DATE_US;
use ampledger_types::{
    Bound, ClockObservation, DecodeSet, LineMark, Marker, MarkerKind, Run, Sample, Seq, Session,
    Tag,
};

use super::beginning::Beginning;
use super::open::Rows;
use super::order::{Order, Row};
use super::{Plan, Understood, guess, refused};
use crate::client::BUILD;
use crate::exit::Failure;

/// Samples written at once: as many as fill chunks of the store.
const BATCH: usize = 8192;
/// Lines listed of each kind of trouble.
const LISTED: usize = 20;

/// What became of a file.
pub struct Imported {
    /// Number of the session.
    pub session: i64,
    /// What came out.
    pub report: SessionReport,
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
    store.begin_whole()?;
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
        order: Order::default(),
        origin_us: None,
        line: 0,
        next_line: 0,
        odd: BTreeMap::new(),
        date: Dating { column: understood.dated_by, seen: None },
        notes: understood.remarks,
        last_us: 0,
    };
    let mut driver = Driver::new(decoder);
    intake.give(&mut driver, Input::Opened { record: true })?;
    for line in beginning.bytes.split_inclusive(|byte| *byte == b'\n') {
        intake.piece(&mut driver, line, plan)?;
    }
    if !beginning.is_all {
        intake.rest(&mut driver, &mut rows, plan)?;
    }
    // A finished file's last line is whole, with or without its end.
    intake.give(&mut driver, Input::Received { endpoint: 0, bytes: b"\n" })?;
    intake.give(&mut driver, Input::Closed)?;
    let session = intake.finish(file, rows.sha256(), plan)?;
    intake.judge(session)
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
    order: Order,
    /// Where the run's clock begins on the file's own, µs.
    origin_us: Option<i64>,
    /// Line being read, from 1.
    line: u64,
    /// Line that the next sample comes from, if no mark says otherwise.
    next_line: u64,
    odd: BTreeMap<(MarkerKind, ComplaintKind), Odd>,
    date: Dating,
    last_us: i64,
    /// What to tell about how the file was read.
    notes: Vec<String>,
}

/// Trouble of one kind.
struct Odd {
    count: u64,
    lines: Vec<u64>,
    latest_line: u64,
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
    fn rest(&mut self, driver: &mut Driver, rows: &mut Rows, plan: &Plan) -> Result<(), Failure> {
        let mut piece = Vec::new();
        loop {
            if let Err(error) = rows.piece(&mut piece) {
                let what =
                    format!("the file could not be read on after line {}: {error}", self.line);
                self.complain(ComplaintKind::NoAnswer, &what);
                return Ok(());
            }
            if piece.is_empty() {
                return Ok(());
            }
            self.piece(driver, &piece, plan)?;
        }
    }

    fn piece(&mut self, driver: &mut Driver, bytes: &[u8], plan: &Plan) -> Result<(), Failure> {
        // A sample comes out with the line end: its line is this one.
        if bytes.ends_with(b"\n") {
            self.line += 1;
        }
        self.give(driver, Input::Received { endpoint: 0, bytes })?;
        if self.date.seen.is_none() && self.date.column.is_some() {
            let unix_us = self.date_in(bytes, plan);
            let line = self.line;
            if let Some(row) = self.order.held().filter(|row| row.line == line) {
                row.unix_us = unix_us;
            }
        }
        Ok(())
    }

    fn give(&mut self, driver: &mut Driver, input: Input<'_>) -> Result<(), Failure> {
        // The file's own times are the axis: when it is read says nothing. No
        // frame is kept either: the file itself can be read again.
        let outputs = driver.give_again(0, input);
        for output in outputs {
            match output {
                Output::Sample(sample) => self.sample(sample)?,
                // What stands above the heading line is not the table.
                Output::Complaint(c) if c.kind == ComplaintKind::NotMine && self.is_above() => {}
                Output::Complaint(complaint) => self.complain(complaint.kind, &complaint.detail),
                _ => {}
            }
        }
        Ok(())
    }

    /// Whether no row has been read yet.
    fn is_above(&mut self) -> bool {
        self.origin_us.is_none() && self.order.held().is_none()
    }

    fn sample(&mut self, sample: Sample) -> Result<(), Failure> {
        let line = self.line;
        let Some(t_us) = sample.instrument_t_us else {
            self.complain(ComplaintKind::Implausible, "the row has no time that can be read");
            return Ok(());
        };
        let (row, odd) = self.order.take(Row { sample, t_us, line, unix_us: None });
        if let Some(line) = odd {
            let why = "time out of order";
            self.note((MarkerKind::TimeBackwards, ComplaintKind::Implausible), line, why);
        }
        row.map_or(Ok(()), |row| self.put(row))
    }

    /// Puts a row where its time says into the record.
    fn put(&mut self, row: Row) -> Result<(), Failure> {
        let Row { mut sample, t_us, line, unix_us } = row;
        let is_date = t_us >= EARLIEST_DATE_US;
        // Test time is kept as it is; dates count from the first row.
        let first = || if is_date { t_us } else { t_us.min(0) };
        sample.t_us = t_us.saturating_sub(*self.origin_us.get_or_insert_with(first));
        self.last_us = self.last_us.max(sample.t_us);
        let seq = self.next;
        self.next += 1;
        if self.next_line != line {
            self.batch.line_marks.push(LineMark { run: self.run.id, seq, line });
        }
        self.next_line = line + 1;
        if let Some(unix_us) = unix_us.or(is_date.then_some(t_us)) {
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
        self.note((MarkerKind::Unreadable, kind), self.line, detail);
    }

    /// Counts a line, once for each kind of trouble.
    fn note(&mut self, kind: (MarkerKind, ComplaintKind), line: u64, detail: &str) {
        let at_us = self.last_us;
        let odd = self.odd.entry(kind).or_insert_with(|| Odd {
            count: 0,
            lines: Vec::new(),
            latest_line: 0,
            first: detail.to_owned(),
            at_us,
        });
        if odd.latest_line == line {
            return;
        }
        (odd.latest_line, odd.count) = (line, odd.count + 1);
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

    /// Test time is the axis and another column has dates: that of this row.
    fn date_in(&self, row: &[u8], plan: &Plan) -> Option<i64> {
        let text = String::from_utf8_lossy(row);
        let cells = guess::split(text.trim_end(), &plan.hints);
        let cell = cells.get(self.date.column?)?;
        let number = cell.parse::<f64>().ok().map(|seconds| seconds * 1e6);
        let date = || cell.parse::<jiff::Timestamp>().ok().map(|t| t.as_microsecond() as f64);
        let unix_us = number.or_else(date).filter(|us| *us >= EARLIEST_DATE_US as f64)?;
        Some(unix_us as i64)
    }

    /// Writes what is left, and the session over it all.
    fn finish(
        &mut self,
        file: &Path,
        sha256: Option<String>,
        plan: &Plan,
    ) -> Result<Session, Failure> {
        if let Some(row) = self.order.end() {
            self.put(row)?;
        }
        let odd = std::mem::take(&mut self.odd);
        let notes = std::mem::take(&mut self.notes).into_iter().map(|text| self.told(text));
        let odd = odd.into_iter().map(|(kind, odd)| self.marker(kind.0, odd));
        self.batch.markers = notes.chain(odd).collect();
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
            opened_by: Default::default(),
            start: at(0),
            cutoff_voltage_volt: plan.cutoff_voltage_volt,
            cutoff_rule: plan.cutoff_rule,
            tags,
        })?;
        session.end = Some(at(self.last_us));
        self.store.put_session(&session)?;
        self.store.seal()?;
        self.store.finish_whole()?;
        Ok(session)
    }

    fn judge(&mut self, session: Session) -> Result<Imported, Failure> {
        let reader = Reader::open(self.store.path())?;
        let view = View { build: BUILD.to_owned(), ..View::default() };
        let Holding { report, cited, .. } = holding(&reader, session.id, &view)?;
        self.store.save_report(session.id, session.revision, &report, &cited)?;
        Ok(Imported { session: session.id, report })
    }

    /// How the file was read goes into the record: figures hang on it.
    fn told(&self, text: String) -> Marker {
        let at = Bound { run: self.run.id, t_us: 0 };
        let source = Some(self.decode_set.source.clone());
        Marker { source, ..Marker::new(at, MarkerKind::Note, text) }
    }

    fn marker(&self, kind: MarkerKind, odd: Odd) -> Marker {
        let at = Bound { run: self.run.id, t_us: odd.at_us };
        let text = match kind {
            MarkerKind::TimeBackwards if odd.count == 1 => {
                "1 row whose time is out of order; left out".to_owned()
            }
            MarkerKind::TimeBackwards => {
                format!("{} rows whose time is out of order; left out", odd.count)
            }
            _ => format!("not understood: {}", odd.first),
        };
        let source = Some(self.decode_set.source.clone());
        Marker { source, count: odd.count, lines: odd.lines, ..Marker::new(at, kind, text) }
    }
}
