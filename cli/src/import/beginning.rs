//! The first lines of a file, looked at before anything is written.

use std::path::Path;

use super::open::Rows;
use super::refused;
use crate::exit::Failure;

/// Lines looked at.
const LINES: usize = 200;
/// A longer line is no row of a table.
const LINE_BYTES: usize = 1 << 20;
/// All of them together.
const BYTES: usize = 4 << 20;
/// More cells than this make no row.
const CELLS: usize = 1024;

/// What a person says about how to read a file.
#[derive(Clone, Debug, Default)]
pub struct Hints {
    /// `text-lines` or `json-lines`.
    pub decoder: Option<String>,
    /// What parts the cells.
    pub delimiter: Option<String>,
    /// `point` or `comma`.
    pub decimal: Option<String>,
    /// Zone of dates that name none.
    pub zone: Option<String>,
    /// A positive current discharges the pack.
    pub discharging_positive: bool,
    /// `COLUMN=quantity[:unit]`, or `COLUMN=time[:unit]`.
    pub map: Vec<String>,
}

/// The first lines, without their line ends.
pub struct Beginning {
    /// The lines as bytes, for the decoder.
    pub bytes: Vec<u8>,
    /// The same as text.
    pub lines: Vec<String>,
    /// Whether the file ends with them.
    pub is_all: bool,
}

/// Reads the first lines; refuses what is no table of text.
pub fn read(rows: &mut Rows, file: &Path) -> Result<Beginning, Failure> {
    let mut beginning = Beginning { bytes: Vec::new(), lines: Vec::new(), is_all: false };
    let mut line = Vec::new();
    while beginning.lines.len() < LINES && beginning.bytes.len() < BYTES {
        let number = beginning.lines.len() as u64 + 1;
        let piece = rows
            .piece()
            .map_err(|error| refused(file, Some(number), &format!("it cannot be read: {error}")))?;
        line.extend_from_slice(piece);
        let (is_end, is_whole) = (piece.is_empty(), piece.ends_with(b"\n"));
        if line.len() > LINE_BYTES {
            let why = "this line is longer than 1 MiB; that is no row of a table";
            return Err(refused(file, Some(number), why));
        }
        if !is_end && !is_whole {
            continue;
        }
        if !line.is_empty() {
            check(&line, number, file)?;
            beginning.lines.push(String::from_utf8_lossy(&line).trim_end().to_owned());
            beginning.bytes.append(&mut line);
        }
        if is_end {
            beginning.is_all = true;
            break;
        }
    }
    if beginning.lines.iter().all(|line| line.trim().is_empty()) {
        return Err(refused(file, None, "it is empty"));
    }
    Ok(beginning)
}

fn check(line: &[u8], number: u64, file: &Path) -> Result<(), Failure> {
    if line.contains(&0) {
        let why = "this is no text (it holds zero bytes); UTF-16 needs a byte order mark";
        return Err(refused(file, Some(number), why));
    }
    let cells = [b',', b';', b'\t'].map(|mark| memchr::memchr_iter(mark, line).count() + 1);
    if cells.iter().any(|cells| *cells > CELLS) {
        let why = format!("this line has more than {CELLS} columns");
        return Err(refused(file, Some(number), &why));
    }
    Ok(())
}
