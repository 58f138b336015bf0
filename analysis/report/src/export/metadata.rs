//! The description beside an exported table: whose it is, what came out, what
//! the columns hold, and a checksum of the table.

use std::collections::BTreeMap;
use std::sync::Arc;

use ampledger_types::result::SessionReport;
use ampledger_types::{DecodeSet, Instrument};
use serde::Serialize;

use super::bdf_csv::Exported;
use super::columns::ColumnNote;
use crate::sentences;

/// Everything about a table that is not in it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Metadata<'a> {
    /// What kind of table it is.
    pub format: &'static str,
    /// The version of the format's ontology that names the columns.
    pub ontology_version: &'static str,
    /// Name of the table's file.
    pub file: &'a str,
    /// SHA-256 of the table's file, hexadecimal.
    pub sha256: &'a str,
    /// Rows below the header.
    pub rows: u64,
    /// Rows left out because their time lay before that of a row above.
    pub rows_left_out: u64,
    /// The store it came from.
    pub store_uuid: &'a str,
    /// Session, pack, claim, phases, results, anomalies, markers, rules,
    /// version: as in `show --json`.
    #[serde(flatten)]
    pub report: &'a SessionReport,
    /// What the columns hold, in their order.
    pub columns: &'a [ColumnNote],
    /// What decoded the samples.
    pub decode_sets: &'a [Arc<DecodeSet>],
    /// How the instruments were described, by source.
    pub instruments: &'a BTreeMap<String, Instrument>,
    /// What a reader of the table should know.
    pub notes: Vec<String>,
}

impl Exported {
    /// The description for a table of that file name.
    pub fn metadata<'a>(&'a self, file: &'a str) -> Metadata<'a> {
        Metadata {
            format: "Battery Data Format CSV",
            ontology_version: "1.3.0",
            file,
            sha256: &self.sha256,
            rows: self.rows,
            rows_left_out: self.rows_left_out,
            store_uuid: &self.store_uuid,
            report: &self.report,
            columns: &self.columns,
            decode_sets: &self.decode_sets,
            instruments: &self.instruments,
            notes: self.notes(),
        }
    }

    fn notes(&self) -> Vec<String> {
        let head = &self.report.session;
        let mut notes = vec![
            "Positive current charges the pack, negative current discharges it.".to_owned(),
            "An empty cell means that the row's instrument gave no such value.".to_owned(),
        ];
        for column in self.columns.iter().filter(|c| c.is_empty) {
            notes.push(format!(
                "{} was not measured; the format requires the column, so it is empty.",
                column.label
            ));
        }
        if self.rows_left_out > 0 {
            let rows = match self.rows_left_out {
                1 => "1 row was".to_owned(),
                n => format!("{n} rows were"),
            };
            notes.push(format!(
                "{rows} left out, as being earlier than a row above: Test Time must not decrease. \
                 The store has every reading."
            ));
        }
        if !head.clock_synchronised {
            notes.push(sentences::CLOCK_NOT_SET.to_owned());
        }
        if head.clock_rate != 1.0 {
            notes.push(format!(
                "{}: test time and dates are those of that clock.",
                sentences::clock_rate(head.clock_rate)
            ));
        }
        if head.session.is_open() {
            notes.push("The session was still open; a later export has more rows.".to_owned());
        }
        notes
    }
}
