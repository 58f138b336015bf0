//! Files of captured bytes: a frame log, hexadecimal, or bytes as they came.
//! Read piece by piece, each with a bound.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

use ampledger_types::{Frame, FrameKind};

use crate::exit::Failure;

/// Longest line of a frame log or of hexadecimal.
const LINE_BYTES: u64 = 1 << 20;
/// Bytes of a plain file given at once.
const PIECE_BYTES: usize = 16 << 10;

/// What a file holds, by its name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// A frame log: everything that happened, with its times.
    FrameLog,
    /// Bytes in hexadecimal, a piece a line, without times.
    Hex,
    /// The bytes themselves, without times.
    Plain,
}

impl Form {
    /// The form of the file of that name; standard input is a frame log.
    pub fn of(path: &Path) -> Form {
        let name = path.to_string_lossy();
        match () {
            () if name == "-" || name.ends_with(".frames.jsonl") => Form::FrameLog,
            () if name.ends_with(".hex") => Form::Hex,
            () => Form::Plain,
        }
    }
}

/// Hands every frame of the file to `take`, in order. A file that is no frame log
/// is given as one record: opened, its bytes, closed.
pub fn frames_of(
    path: &Path,
    take: &mut dyn FnMut(Frame) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let cannot = || Failure::io(format!("{} cannot be read", path.display()));
    let file: Box<dyn Read> = match path == Path::new("-") {
        true => Box::new(io::stdin().lock()),
        false => Box::new(File::open(path).map_err(cannot())?),
    };
    let mut reader = BufReader::new(file);
    match Form::of(path) {
        Form::FrameLog => lines(path, &mut reader, |line| match Frame::parse_line(line) {
            Ok(frame) => take(frame),
            Err(why) => Err(Failure::Usage(format!("is no frame: {why}"))),
        }),
        Form::Hex => {
            let mut record = Record { number: 0, take };
            record.give(FrameKind::Opened, 0, vec![1])?;
            lines(path, &mut reader, |line| {
                let piece = hex(line).map_err(Failure::Usage)?;
                piece.map_or(Ok(()), |(endpoint, bytes)| {
                    record.give(FrameKind::Received, endpoint, bytes)
                })
            })?;
            record.give(FrameKind::Closed, 0, Vec::new())
        }
        Form::Plain => {
            let mut record = Record { number: 0, take };
            record.give(FrameKind::Opened, 0, vec![1])?;
            plain(&mut reader, cannot, &mut record)?;
            record.give(FrameKind::Closed, 0, Vec::new())
        }
    }
}

fn plain<E: FnOnce(io::Error) -> Failure>(
    reader: &mut impl Read,
    cannot: impl Fn() -> E,
    record: &mut Record<'_>,
) -> Result<(), Failure> {
    let mut is_cut_line = false;
    loop {
        let mut piece = Vec::with_capacity(PIECE_BYTES);
        let mut bounded = reader.by_ref().take(PIECE_BYTES as u64);
        bounded.read_to_end(&mut piece).map_err(cannot())?;
        let Some(last) = piece.last() else { break };
        // A finished file's last line is whole, with or without its end.
        is_cut_line = *last != b'\n' && is_text(&piece);
        record.give(FrameKind::Received, 0, piece)?;
    }
    match is_cut_line {
        true => record.give(FrameKind::Received, 0, b"\n".to_vec()),
        false => Ok(()),
    }
}

/// Whether the bytes can be lines: no control characters but those of lines.
fn is_text(bytes: &[u8]) -> bool {
    bytes.iter().all(|byte| !byte.is_ascii_control() || matches!(byte, b'\t' | b'\r' | b'\n'))
}

/// A file without times, as frames.
struct Record<'a> {
    number: u64,
    take: &'a mut dyn FnMut(Frame) -> Result<(), Failure>,
}

impl Record<'_> {
    fn give(&mut self, kind: FrameKind, endpoint: u16, payload: Vec<u8>) -> Result<(), Failure> {
        self.number += 1;
        (self.take)(Frame { number: self.number, t_us: 0, kind, endpoint, payload })
    }
}

/// Hands each line that is not empty to `each`; what it finds wrong gets the line's
/// number.
fn lines(
    path: &Path,
    reader: &mut impl BufRead,
    mut each: impl FnMut(&[u8]) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let mut number = 0;
    loop {
        number += 1;
        let mut line = Vec::new();
        let read = reader.by_ref().take(LINE_BYTES).read_until(b'\n', &mut line);
        read.map_err(Failure::io(format!("{} cannot be read", path.display())))?;
        if line.is_empty() {
            return Ok(());
        }
        if line.trim_ascii().is_empty() {
            continue;
        }
        each(&line).map_err(|failure| match failure {
            Failure::Usage(what) => Failure::Usage(format!("{}:{number}: {what}", path.display())),
            other => other,
        })?;
    }
}

/// `59 44 01`, with the endpoint ahead if it is not 0 (`2: 59 44`); what follows a
/// `#` is a remark. `None` for a line without bytes.
fn hex(line: &[u8]) -> Result<Option<(u16, Vec<u8>)>, String> {
    let text = String::from_utf8_lossy(line);
    let text = text.split('#').next().unwrap_or_default();
    let (endpoint, digits) = match text.split_once(':') {
        Some((endpoint, digits)) => {
            let endpoint = endpoint.trim();
            (endpoint.parse().map_err(|_| format!("`{endpoint}` is no endpoint"))?, digits)
        }
        None => (0, text),
    };
    let digits: Vec<char> = digits.chars().filter(|c| !c.is_whitespace()).collect();
    let value = |c: &char| c.to_digit(16).map(|d| d as u8);
    let nibbles: Option<Vec<u8>> = digits.iter().map(value).collect();
    match nibbles {
        Some(nibbles) if nibbles.is_empty() => Ok(None),
        Some(n) if n.len() % 2 == 0 => {
            Ok(Some((endpoint, n.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect())))
        }
        _ => Err("is not hexadecimal, two digits a byte".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(name: &str, bytes: &[u8]) -> Result<Vec<(FrameKind, u16, Vec<u8>)>, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let mut found = Vec::new();
        let read = frames_of(&path, &mut |frame| {
            found.push((frame.kind, frame.endpoint, frame.payload));
            Ok(())
        });
        let place = folder.path().display().to_string();
        read.map(|()| found).map_err(|error| error.to_string().replace(&place, ""))
    }

    #[test]
    fn a_file_without_times_is_one_record() {
        let received = |bytes: &[u8]| (FrameKind::Received, 0, bytes.to_vec());
        let (opened, closed) =
            ((FrameKind::Opened, 0, vec![1]), (FrameKind::Closed, 0, Vec::new()));
        let text = read("a.csv", b"t,U\n1,26.4").unwrap();
        assert_eq!(text[..3], [opened.clone(), received(b"t,U\n1,26.4"), received(b"\n")]);
        let binary = read("a.bin", b"\x0A\x01\x44").unwrap();
        assert_eq!(binary, [opened.clone(), received(b"\x0A\x01\x44"), closed.clone()]);
        let hex = read("a.hex", b"# two\n59 44\n\n2: 5944 # here\n").unwrap();
        let second = (FrameKind::Received, 2, vec![0x59, 0x44]);
        assert_eq!(hex, [opened, received(b"\x59\x44"), second, closed]);
    }

    #[test]
    fn a_damaged_line_is_named() {
        let frame = r#"{"number":1,"t_us":5,"kind":"closed","endpoint":0}"#;
        let log = format!("{frame}\n{}\n", &frame[..20]);
        let error = read("a.frames.jsonl", log.as_bytes()).unwrap_err();
        assert!(error.starts_with("/a.frames.jsonl:2: is no frame"), "{error}");
        assert!(read("a.hex", b"59\n5g\n").unwrap_err().starts_with("/a.hex:2: is not hexadec"));
    }

    #[test]
    fn a_long_file_comes_in_pieces_and_nothing_is_lost() {
        let bytes: Vec<u8> = (0..100_000u32).map(|n| (n % 251) as u8).collect();
        let pieces = read("a.bin", &bytes).unwrap();
        assert!(pieces.iter().all(|(_, _, bytes)| bytes.len() <= PIECE_BYTES));
        let all: Vec<u8> = pieces[1..].iter().flat_map(|(_, _, bytes)| bytes.clone()).collect();
        assert!(all.starts_with(&bytes));
    }
}
