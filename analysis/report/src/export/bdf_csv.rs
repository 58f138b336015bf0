//! Battery Data Format CSV: one header row, commas, LF, UTF-8 without a mark;
//! readings with the shortest digits that read back the same, running totals to
//! a billionth; an empty cell where a group has no such channel. Streams: memory
//! does not grow with rows.

use std::collections::BTreeMap;
use std::io::Write;
use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_methods::{Cumulative, Placed};
use ampledger_store::{NumberedSample, Reader};
use ampledger_types::result::SessionReport;
use ampledger_types::{DecodeSet, Instrument};

use super::columns::{ColumnNote, Columns};
use super::line::Lines;
use super::look::Look;
use super::order::Order;
use super::sum::Summed;
use crate::compute::ReportError;
use crate::numbers::Text;
use crate::placing::Placing;
use crate::subject::{Subject, View};

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
    let is_alone = survey.is_one_group() && Placing::is_in_order(reader, &subject, up_to)?;
    let mut table = Table {
        lines: Lines::new(&columns, &survey.heard, &timeline),
        totals,
        is_alone,
        order: Order::new(),
        spare: Vec::new(),
        out: Summed::new(out),
        rows: 0,
    };
    table.header(&columns);
    table.rows(reader, &subject, up_to)?;
    let (rows, rows_left_out) = (table.rows, table.order.left_out);
    let sha256 = table.out.finish()?;
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
    lines: Lines<'a>,
    totals: Cumulative,
    /// All rows are of one group and come in their order.
    is_alone: bool,
    order: Order<Text>,
    /// Lines that were written; what they take is used again.
    spare: Vec<Text>,
    out: Summed<W>,
    rows: u64,
}

impl<W: Write> Table<'_, W> {
    fn header(&mut self, columns: &Columns) {
        let labels: Vec<String> = columns.notes.iter().map(|n| quoted(&n.label)).collect();
        self.out.text().put(labels.join(",").as_bytes());
        self.out.text().put(b"\n");
    }

    fn rows(&mut self, reader: &Reader, subject: &Subject, up_to: u64) -> Result<(), ReportError> {
        let mut placing = Placing::new(subject);
        let mut failed = None;
        placing.read(reader, subject, Some(up_to), |stored, placed| {
            match self.row(stored, placed) {
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

    fn row(&mut self, stored: &NumberedSample, placed: &Placed) -> std::io::Result<()> {
        if placed.before.is_some() {
            self.totals.break_of_unknown_length();
        }
        let totals = self.totals.push(&placed.row);
        let t_us = placed.row.t_us;
        if self.is_alone {
            if self.order.is_next(t_us) {
                self.rows += 1;
                self.lines.put(stored, t_us, &totals, self.out.text());
            }
            return self.out.give();
        }
        let mut line = self.spare.pop().unwrap_or_default();
        line.clear();
        self.lines.put(stored, t_us, &totals, &mut line);
        self.order.put(t_us, stored.seq, placed.row.group, line);
        self.give(false)
    }

    fn give(&mut self, at_end: bool) -> std::io::Result<()> {
        while let Some(line) = self.order.next(at_end) {
            self.rows += 1;
            self.out.text().put(line.as_bytes());
            self.spare.push(line);
            self.out.give()?;
        }
        Ok(())
    }
}

/// A cell of text, after RFC 4180.
fn quoted(text: &str) -> String {
    match text.contains([',', '"', '\n', '\r']) {
        true => format!("\"{}\"", text.replace('"', "\"\"")),
        false => text.to_owned(),
    }
}
