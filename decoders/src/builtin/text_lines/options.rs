//! `[sources.NAME.options]` of `text-lines`.

use serde::Deserialize;

use super::cells::Delimiter;
use super::columns::Header;
use crate::config::ConfigProblem;
use crate::instrument_time::{AXIS_TOLERANCE_SECOND, TimeOptions};

/// The options; all may be missing.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Options {
    /// What parts the cells; what the line uses if missing.
    pub delimiter: Option<Delimiter>,
    /// Columns or pairs; what the line looks like if missing.
    pub layout: Option<Layout>,
    /// The decimal mark.
    pub decimal: Decimal,
    /// What a comment line begins with; empty for none.
    pub comment: String,
    /// The headings, where no heading line is sent.
    pub columns: Vec<String>,
    /// The instrument's own time.
    pub time: TimeOptions,
    /// How far an axis by the instrument's time may lag behind arrival, s.
    pub axis_tolerance_second: f64,
    /// What becomes of a first and last line that may be cut.
    pub part_lines: PartLines,
}

impl Default for Options {
    fn default() -> Self {
        Options {
            delimiter: None,
            layout: None,
            decimal: Decimal::Point,
            comment: "#".to_owned(),
            columns: Vec::new(),
            time: TimeOptions::default(),
            axis_tolerance_second: AXIS_TOLERANCE_SECOND,
            part_lines: PartLines::Drop,
        }
    }
}

/// How a line is laid out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Layout {
    /// Cells whose place says what they are.
    Columns,
    /// Cells that carry their name.
    Pairs,
}

/// The decimal mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decimal {
    /// `13.25`
    Point,
    /// `13,25`
    Comma,
}

impl Decimal {
    /// The character.
    pub fn char(self) -> char {
        match self {
            Decimal::Point => '.',
            Decimal::Comma => ',',
        }
    }
}

/// What becomes of lines that may be cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PartLines {
    /// They are given up: a cut number cannot be told from a whole one.
    Drop,
    /// They are read like any other.
    Keep,
}

impl Options {
    /// Refuses what contradicts itself.
    pub fn check(&self) -> Result<(), ConfigProblem> {
        if self.delimiter == Some(Delimiter::Comma) && self.decimal == Decimal::Comma {
            let what = "a comma cannot be the decimal mark and part the cells too";
            return Err(ConfigProblem::new("options.decimal", what));
        }
        if self.layout == Some(Layout::Pairs) && !self.columns.is_empty() {
            let what = "pairs carry their names; leave it out or choose the layout `columns`";
            return Err(ConfigProblem::new("options.columns", what));
        }
        Ok(())
    }

    /// What stands behind the comment sign, if the line is a comment.
    pub fn comment<'a>(&self, line: &'a str) -> Option<&'a str> {
        match self.comment.as_str() {
            "" => None,
            sign => line.strip_prefix(sign).map(str::trim),
        }
    }

    /// Whether a line is one.
    pub fn is_comment(&self, line: &[u8]) -> bool {
        let sign = self.comment.as_bytes();
        sign.first().is_some_and(|first| line.first() == Some(first)) && line.starts_with(sign)
    }

    /// Whether lines that may be cut are read.
    pub fn keeps_parts(&self) -> bool {
        self.part_lines == PartLines::Keep
    }

    /// The configured headings as a header.
    pub fn header(&self) -> Option<Header> {
        (!self.columns.is_empty()).then(|| Header {
            cells: self.columns.clone(),
            units: None,
            delimiter: self.delimiter,
        })
    }
}
