//! Battery Data Format CSV: one header row, commas, LF, UTF-8 without a mark;
//! readings with the shortest digits that read back the same, running totals to
//! a billionth; an empty cell where a group has no such channel. Streams: memory does not grow with rows.

use std::collections::BTreeMap;
use std::io::{BufWriter, Write};
use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_methods::{Cumulative, RunningTotals};
use ampledger_store::{NumberedSample, Reader};
use ampledger_types::result::SessionReport;
use ampledger_types::{DecodeSet, Instrument};
use sha2::{Digest, Sha256};

use super::columns::{ColumnNote, Columns, Holds, Places};
use super::look::Look;
use super::order::Order;
use super::survey::Survey;
use crate::compute::ReportError;
use crate::numbers::{write_plain, write_total};
use crate::placing::{Place, Placing};
use crate::subject::{Subject, View};
use crate::timeline::Timeline;

/// Bytes written at once.
const BUFFER_BYTES: usize = 64 << 10;

/// What was written.
#[derive(Clone, Debug, PartialEq)]
pub struct Exported {
    /// Rows below the header.
    pub rows: u64,
    /// Rows left out because their time lay before that of a row above.
    pub rows_left_out: u64,
    /// SHA-256 of the file, hexadecimal.
    pub sha256: String,
    /// What the columns hold.
    pub columns: Vec<ColumnNote>,
    /// The session's report: as it was issued, else of the same samples.
    pub report: SessionReport,
    /// The store it came from.
    pub store_uuid: String,
    /// What decoded the samples.
    pub decode_sets: Vec<Arc<DecodeSet>>,
    /// How the instruments were described, by source.
    pub instruments: BTreeMap<String, Instrument>,
}

/// Writes a session as Battery Data Format CSV.
///
/// The samples are read twice: once for the header, and for the report where
/// none was issued; once for the rows. A session without voltage or current is
/// written too, with that column empty; its description says so.
pub fn export_bdf_csv(
    reader: &Reader,
    session_id: i64,
    view: &View,
    out: &mut impl Write,
) -> Result<Exported, ReportError> {
    let subject = Subject::read(reader, session_id)?;
    let Look { survey, timeline, totals, report, up_to } = Look::at(reader, &subject, view)?;
    let columns = Columns::new(&survey);
    let mut table = Table {
        survey: &survey,
        columns: &columns,
        timeline,
        totals,
        places: Places::default(),
        order: Order::new(),
        spare: Vec::new(),
        out: BufWriter::with_capacity(BUFFER_BYTES, Hashing { out, hash: Sha256::new() }),
        rows: 0,
    };
    table.header()?;
    table.rows(reader, &subject, up_to)?;
    let (rows, rows_left_out) = (table.rows, table.order.left_out);
    let sha256 = table.out.into_inner().map_err(|error| error.into_error())?.finish()?;
    Ok(Exported {
        rows,
        rows_left_out,
        sha256,
        report,
        columns: columns.notes,
        store_uuid: reader.uuid().to_owned(),
        decode_sets: survey.decode_sets,
        instruments: subject.instruments.clone(),
    })
}

struct Table<'a, W: Write> {
    survey: &'a Survey,
    columns: &'a Columns,
    timeline: Timeline,
    totals: Cumulative,
    places: Places,
    order: Order<Vec<u8>>,
    /// Lines that were written; what they take is used again.
    spare: Vec<Vec<u8>>,
    out: BufWriter<Hashing<W>>,
    rows: u64,
}

impl<W: Write> Table<'_, W> {
    fn header(&mut self) -> Result<(), ReportError> {
        let labels: Vec<String> = self.columns.notes.iter().map(|n| quoted(&n.label)).collect();
        Ok(writeln!(self.out, "{}", labels.join(","))?)
    }

    fn rows(&mut self, reader: &Reader, subject: &Subject, up_to: u64) -> Result<(), ReportError> {
        let mut placing = Placing::new(subject);
        let mut failed = None;
        placing.read(reader, subject, Some(up_to), |stored, place| {
            match self.row(stored, &place) {
                Ok(()) => ControlFlow::Continue(()),
                Err(error) => {
                    failed = Some(error);
                    ControlFlow::Break(())
                }
            }
        })?;
        match failed {
            Some(error) => Err(error.into()),
            None => Ok(self.give(true)?),
        }
    }

    fn row(&mut self, stored: &NumberedSample, place: &Place) -> std::io::Result<()> {
        if place.after_break {
            self.totals.break_of_unknown_length();
        }
        let totals = self.totals.push(&place.row);
        let line = self.line(stored, place, &totals);
        self.order.put(place.row.t_us, stored.seq, place.row.group, line);
        self.give(false)
    }

    fn give(&mut self, at_end: bool) -> std::io::Result<()> {
        while let Some(line) = self.order.next(at_end) {
            self.rows += 1;
            self.out.write_all(&line)?;
            self.spare.push(line);
        }
        Ok(())
    }

    fn line(&mut self, stored: &NumberedSample, place: &Place, totals: &RunningTotals) -> Vec<u8> {
        let source = &stored.decode_set.source;
        let places = self.places.of(source, &stored.sample.group, &self.survey.heard);
        let values = &stored.sample.values;
        let reading = |at: usize| {
            let place = (*places.get(at)?)?;
            values.get(place).copied().filter(|v| v.is_finite())
        };
        let has_current = self.columns.current.and_then(reading).is_some();
        let moment = self.timeline.moment(place.row.t_us);
        let cell = |holds: &Holds| match holds {
            Holds::TestTime => Some(moment.test_time_second),
            Holds::UnixTime => moment.unix_time_second,
            Holds::Readings(at) => reading(*at),
            Holds::Total(of) if has_current => of(totals),
            Holds::Total(_) | Holds::Nothing => None,
        };
        let mut line = self.spare.pop().unwrap_or_default();
        line.clear();
        for (at, holds) in self.columns.holds.iter().enumerate() {
            if at > 0 {
                line.push(b',');
            }
            match (cell(holds), holds) {
                (Some(total), Holds::Total(_)) => write_total(total, &mut line),
                (Some(value), _) => write_plain(value, &mut line),
                (None, _) => {}
            }
        }
        line.push(b'\n');
        line
    }
}

/// A cell of text, after RFC 4180.
fn quoted(text: &str) -> String {
    match text.contains([',', '"', '\n', '\r']) {
        true => format!("\"{}\"", text.replace('"', "\"\"")),
        false => text.to_owned(),
    }
}

/// Writes on and keeps the checksum of what went through.
struct Hashing<W: Write> {
    out: W,
    hash: Sha256,
}

impl<W: Write> Hashing<W> {
    fn finish(mut self) -> std::io::Result<String> {
        self.out.flush()?;
        Ok(self.hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
    }
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let written = self.out.write(bytes)?;
        self.hash.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.out.flush()
    }
}
