//! Parting a line into cells, or into keys and values. Knows no quantity.

use std::borrow::Cow;

use ampledger_types::unit::parse_unit;
use csv_core::ReaderBuilder;
use serde::{Deserialize, Serialize};

use crate::number::is_number;

/// What parts the cells of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Delimiter {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// A tabulator.
    Tab,
    /// Any blanks.
    Space,
}

impl Delimiter {
    /// The delimiter that a line seems to use. A comma that is the decimal
    /// mark parts nothing.
    pub fn of(line: &str, mark: char) -> Self {
        let bytes = line.as_bytes();
        // One look tells for most lines that they have neither.
        match memchr::memchr2(b'\t', b';', bytes) {
            Some(_) if bytes.contains(&b'\t') => Delimiter::Tab,
            Some(_) => Delimiter::Semicolon,
            None if mark != ',' && memchr::memchr(b',', bytes).is_some() => Delimiter::Comma,
            None => Delimiter::Space,
        }
    }

    /// As a byte; none where any blanks part.
    pub fn byte(self) -> Option<u8> {
        match self {
            Delimiter::Comma => Some(b','),
            Delimiter::Semicolon => Some(b';'),
            Delimiter::Tab => Some(b'\t'),
            Delimiter::Space => None,
        }
    }
}

/// Most lines have no more cells than this.
const FEW_CELLS: usize = 8;

/// The cells of a line, trimmed.
pub fn split(line: &str, delimiter: Delimiter, mark: char) -> Vec<Cow<'_, str>> {
    match delimiter.byte() {
        None => words(line, mark).into_iter().map(Cow::Owned).collect(),
        Some(byte) if memchr::memchr(b'"', line.as_bytes()).is_some() => {
            quoted(line, byte).into_iter().map(Cow::Owned).collect()
        }
        Some(byte) => {
            let mut cells = Vec::with_capacity(FEW_CELLS);
            let mut start = 0;
            for end in memchr::memchr_iter(byte, line.as_bytes()).chain([line.len()]) {
                cells.push(Cow::Borrowed(line[start..end].trim()));
                start = end + 1;
            }
            cells
        }
    }
}

/// Cells that may stand in quotes. A quote that is not closed ends with the
/// line.
fn quoted(line: &str, delimiter: u8) -> Vec<String> {
    let mut reader = ReaderBuilder::new().delimiter(delimiter).build();
    let mut output = vec![0; line.len()];
    let mut ends = vec![0; line.len() + 1];
    let (_, _, written, ended) = reader.read_record(line.as_bytes(), &mut output, &mut ends);
    // The end of the input ends the last cell.
    let (_, _, _, last) = reader.read_record(&[], &mut output[written..], &mut ends[ended..]);
    let mut start = 0;
    let mut cells = Vec::with_capacity(ended + last);
    for end in &ends[..ended + last] {
        let bytes = output.get(start..*end).unwrap_or_default();
        cells.push(String::from_utf8_lossy(bytes).trim().to_owned());
        start = *end;
    }
    cells
}

/// Words parted by blanks; a unit stays with what it belongs to, as in
/// `13.2 V`, `Voltage (V)` and `Voltage / V`.
fn words(line: &str, mark: char) -> Vec<String> {
    let mut cells: Vec<String> = Vec::new();
    let mut joins = false;
    for word in line.split_whitespace() {
        let bracket = word.starts_with(['(', '[']);
        match cells.last_mut() {
            Some(last)
                if joins
                    || word == "/"
                    || bracket
                    || (is_number(last, mark)
                        && !last.contains(' ')
                        && parse_unit(word).is_some()) =>
            {
                last.push(' ');
                last.push_str(word);
            }
            _ => cells.push(word.to_owned()),
        }
        joins = word == "/";
    }
    cells
}

/// Keys with their values, and how many cells are neither.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Pairs {
    /// Key and value, trimmed.
    pub pairs: Vec<(String, String)>,
    /// Cells without a key.
    pub others: usize,
}

/// Reads a line of `key=value` or `key: value`. `None` where there is no key
/// at all. A key begins with a letter, so that `10:15:03` has none.
pub fn pairs(line: &str, delimiter: Option<Delimiter>, mark: char) -> Option<Pairs> {
    memchr::memchr2(b'=', b':', line.as_bytes())?;
    let delimiter = delimiter.unwrap_or_else(|| Delimiter::of(line, mark));
    let mut found = Pairs::default();
    if delimiter == Delimiter::Space {
        spaced(line, &mut found);
    } else {
        for cell in split(line, delimiter, mark) {
            match pair(&cell) {
                Some((key, value)) => found.pairs.push((key.to_owned(), value.to_owned())),
                None if cell.is_empty() => {}
                None => found.others += 1,
            }
        }
    }
    (!found.pairs.is_empty()).then_some(found)
}

fn pair(cell: &str) -> Option<(&str, &str)> {
    let (key, value) = cell.split_once(['=', ':'])?;
    let key = key.trim();
    key.starts_with(char::is_alphabetic).then(|| (key, value.trim()))
}

/// Pairs parted by blanks, which may also stand inside one: around its sign,
/// and before a unit.
fn spaced(line: &str, found: &mut Pairs) {
    let mut loose: Vec<&str> = Vec::new();
    for word in line.split_whitespace() {
        if word == "=" || word == ":" {
            if let Some(key) = loose.pop().filter(|key| key.starts_with(char::is_alphabetic)) {
                found.pairs.push((key.to_owned(), String::new()));
            }
        } else if let Some((key, value)) = pair(word) {
            // Words before the first key are part of it: `Pack voltage: 26.4`.
            let all_words = loose.iter().all(|w| w.chars().all(char::is_alphabetic));
            let key = match found.pairs.is_empty() && all_words {
                true => loose.drain(..).chain([key]).collect::<Vec<_>>().join(" "),
                false => key.to_owned(),
            };
            found.others += loose.drain(..).count();
            found.pairs.push((key, value.to_owned()));
        } else {
            match found.pairs.last_mut() {
                Some((_, value)) if value.is_empty() => value.push_str(word),
                Some((_, value)) if parse_unit(word).is_some() || value.contains('-') => {
                    value.push(' ');
                    value.push_str(word);
                }
                _ => loose.push(word),
            }
        }
    }
    found.others += loose.len();
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn cells_are_parted_by_what_the_line_uses() {
        for (line, cells) in [
            ("13.2,-12.1", vec!["13.2", "-12.1"]),
            ("13,2;-12,1;", vec!["13,2", "-12,1", ""]),
            ("13.2\t\t-12.1", vec!["13.2", "", "-12.1"]),
            ("  13.2 V   -12.1 A", vec!["13.2 V", "-12.1 A"]),
            ("Voltage / V  Current (A)", vec!["Voltage / V", "Current (A)"]),
            ("\"a, \"\"b\"\"\", 3 ,\"c", vec!["a, \"b\"", "3", "c"]),
            ("\"\",1", vec!["", "1"]),
            ("", vec![]),
        ] {
            assert_eq!(split(line, Delimiter::of(line, '.'), '.'), cells, "{line}");
        }
    }

    #[test]
    fn pairs_are_found_in_every_dress() {
        for (line, expected) in [
            ("V=13.2V,I=-12.1A", vec![("V", "13.2V"), ("I", "-12.1A")]),
            ("V = 13.2 V I= -12.1 A", vec![("V", "13.2 V"), ("I", "-12.1 A")]),
            ("Pack voltage: 26.4 V", vec![("Pack voltage", "26.4 V")]),
            ("U: 13.2 V; I: -12 A", vec![("U", "13.2 V"), ("I", "-12 A")]),
            ("10:15:03 V=13.2", vec![("V", "13.2")]),
            ("$BENCH,V=13.2", vec![("V", "13.2")]),
            ("date=2025-11-25 10:15:03 V=1", vec![("date", "2025-11-25 10:15:03"), ("V", "1")]),
        ] {
            let found = pairs(line, None, '.').unwrap().pairs;
            let found: Vec<_> = found.iter().map(|(k, v)| (k.as_str(), v.as_str())).collect();
            assert_eq!(found, expected, "{line}");
        }
        assert_eq!(pairs("2025-11-25T10:15:03,13.2", None, '.'), None);
    }

    proptest! {
        #[test]
        fn lines_without_quotes_part_alike_with_and_without_the_csv_reader(
            line in "[a-z0-9 .,;]{1,30}",
        ) {
            let plain: Vec<&str> = line.split(',').map(str::trim).collect();
            prop_assert_eq!(quoted(&line, b','), plain);
        }

        #[test]
        fn no_line_breaks_it(line in "\\PC{0,40}", comma in any::<bool>()) {
            let mark = if comma { ',' } else { '.' };
            for d in [Delimiter::Comma, Delimiter::Semicolon, Delimiter::Tab, Delimiter::Space] {
                split(&line, d, mark);
                pairs(&line, Some(d), mark);
            }
        }
    }
}
