//! A Parquet file as rows of text: the column names as a heading, every number
//! in the shortest form that reads back the same.

use std::fmt::Write as _;
use std::fs::File;
use std::io;
use std::path::Path;
use std::sync::atomic::Ordering;

use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::reader::RowIter;
use parquet::record::{Field, Row};

use super::open::Progress;
use super::refused;
use crate::exit::Failure;

/// A Parquet file being read.
pub struct Parquet {
    heading: Option<String>,
    line: String,
    rows: RowIter<'static>,
    all_rows: u64,
    row: u64,
    size: u64,
    progress: Progress,
}

impl Parquet {
    /// Opens a file whose columns are plain values.
    pub fn open(path: &Path, progress: &Progress) -> Result<Parquet, Failure> {
        let cannot = |error: &dyn std::fmt::Display| {
            refused(path, None, &format!("this Parquet file cannot be read: {error}"))
        };
        let file = File::open(path).map_err(|e| cannot(&e))?;
        let size = file.metadata().map_err(|e| cannot(&e))?.len();
        let reader = SerializedFileReader::new(file).map_err(|e| cannot(&e))?;
        let metadata = reader.metadata().file_metadata();
        let columns = metadata.schema_descr().columns();
        let names: Vec<String> = columns.iter().map(|column| column.name().to_owned()).collect();
        let all_rows = metadata.num_rows().unsigned_abs();
        let rows = RowIter::from_file_into(Box::new(reader));
        let heading = Some(names.iter().map(|name| quoted(name)).collect::<Vec<_>>().join(","));
        Ok(Parquet {
            heading,
            line: String::new(),
            rows,
            all_rows,
            row: 0,
            size,
            progress: progress.clone(),
        })
    }

    /// The next row as a line; nothing after the last.
    pub fn row(&mut self) -> io::Result<&[u8]> {
        self.line.clear();
        if let Some(heading) = self.heading.take() {
            self.line = heading;
        } else if let Some(row) = self.rows.next() {
            self.line = self.text(&row.map_err(io::Error::other)?);
        } else {
            return Ok(&[]);
        }
        self.line.push('\n');
        Ok(self.line.as_bytes())
    }

    fn text(&mut self, row: &Row) -> String {
        self.row += 1;
        let share = self.row as f64 / self.all_rows.max(1) as f64;
        self.progress.store((self.size as f64 * share) as u64, Ordering::Relaxed);
        let mut text = String::new();
        for (place, (_, field)) in row.get_column_iter().enumerate() {
            if place > 0 {
                text.push(',');
            }
            cell(field, &mut text);
        }
        text
    }
}

fn cell(field: &Field, text: &mut String) {
    let date = |us: i64| jiff::Timestamp::from_microsecond(us).map(|t| t.to_string());
    // Writing to a string cannot fail.
    let _ = match field {
        Field::Null => Ok(()),
        Field::Double(value) => write!(text, "{value}"),
        Field::Float(value) => write!(text, "{value}"),
        Field::TimestampMillis(ms) => {
            write!(text, "{}", date(ms.saturating_mul(1000)).unwrap_or_default())
        }
        Field::TimestampMicros(us) => write!(text, "{}", date(*us).unwrap_or_default()),
        Field::Str(value) => write!(text, "{}", quoted(value)),
        other => write!(text, "{}", quoted(&other.to_string())),
    };
}

fn quoted(text: &str) -> String {
    match text.contains([',', '"', '\n', '\r']) {
        true => format!("\"{}\"", text.replace('"', "\"\"").replace(['\n', '\r'], " ")),
        false => text.to_owned(),
    }
}
