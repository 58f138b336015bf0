//! What a plugin is tried with: a frame log, bytes in hexadecimal, or bytes as
//! they are.

use std::path::Path;

use ampledger_types::{Frame, FrameKind};

use crate::exit::Failure;

/// Time between two pieces that have none, microseconds.
const STEP_US: i64 = 1_000_000;
/// Bytes of a piece, where a file does not say where one ends.
const PIECE_BYTES: usize = 64;

/// Reads a capture. It begins with the opening of a connection.
pub fn read(file: &Path) -> Result<Vec<Frame>, Failure> {
    let name = file.display().to_string();
    let bytes = std::fs::read(file).map_err(Failure::io(format!("{name} cannot be read")))?;
    let refused = |(line, what): (usize, String)| Failure::Refused {
        code: "bad_capture",
        message: format!("{name}:{line}: {what}"),
    };
    let frames = match () {
        () if name.ends_with(".frames.jsonl") => frame_log(&bytes).map_err(refused)?,
        () if name.ends_with(".hex") => timed(hexadecimal(&bytes).map_err(refused)?),
        () => timed(bytes.chunks(PIECE_BYTES).map(<[u8]>::to_vec).collect()),
    };
    Ok(numbered(frames))
}

/// The opening and the closing of a connection, for a plugin without capture.
pub fn nothing() -> Vec<Frame> {
    numbered(timed(Vec::new()))
}

fn frame_log(bytes: &[u8]) -> Result<Vec<Frame>, (usize, String)> {
    let lines = bytes.split(|byte| *byte == b'\n').zip(1..);
    let lines = lines.filter(|(line, _)| !line.trim_ascii().is_empty());
    lines.map(|(line, n)| Frame::parse_line(line).map_err(|what| (n, what))).collect()
}

/// A piece a line; `#` begins a remark.
fn hexadecimal(bytes: &[u8]) -> Result<Vec<Vec<u8>>, (usize, String)> {
    let text = String::from_utf8_lossy(bytes);
    let mut pieces = Vec::new();
    for (line, n) in text.lines().zip(1..) {
        let digits: String =
            line.split('#').next().unwrap_or_default().split_whitespace().collect();
        let digits: Option<Vec<u32>> = digits.chars().map(|c| c.to_digit(16)).collect();
        match digits {
            Some(digits) if digits.is_empty() => {}
            Some(digits) if digits.len().is_multiple_of(2) => {
                pieces.push(digits.chunks(2).map(|pair| (pair[0] * 16 + pair[1]) as u8).collect());
            }
            _ => return Err((n, "the line is not hexadecimal".to_owned())),
        }
    }
    Ok(pieces)
}

fn timed(pieces: Vec<Vec<u8>>) -> Vec<Frame> {
    let pieces = pieces.into_iter().zip(0..);
    pieces.map(|(bytes, n)| frame(n * STEP_US, FrameKind::Received, bytes)).collect()
}

pub(super) fn frame(t_us: i64, kind: FrameKind, payload: Vec<u8>) -> Frame {
    Frame { number: 0, t_us, kind, endpoint: 0, payload }
}

/// Opened at the beginning, closed at the end, and numbered from 1.
pub(super) fn numbered(mut frames: Vec<Frame>) -> Vec<Frame> {
    let begin_us = frames.first().map_or(0, |f| f.t_us);
    if frames.first().is_none_or(|f| f.kind != FrameKind::Opened) {
        frames.insert(0, frame(begin_us, FrameKind::Opened, Vec::new()));
    }
    let end_us = frames.last().map_or(0, |f| f.t_us);
    if frames.last().is_none_or(|f| f.kind != FrameKind::Closed) {
        frames.push(frame(end_us, FrameKind::Closed, Vec::new()));
    }
    frames.iter_mut().zip(1..).for_each(|(frame, number)| frame.number = number);
    frames
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hexadecimal_is_a_piece_a_line_with_remarks() {
        assert_eq!(
            hexadecimal(b"# two\na5 00ff # here\n\n0102\n"),
            Ok(vec![vec![0xa5, 0, 0xff], vec![1, 2]])
        );
        assert_eq!(hexadecimal(b"a5\nx\n").unwrap_err().0, 2);
    }

    #[test]
    fn a_capture_is_opened_and_closed_and_numbered() {
        let frames = numbered(timed(vec![vec![1], vec![2]]));
        let kinds: Vec<FrameKind> = frames.iter().map(|f| f.kind).collect();
        let received = FrameKind::Received;
        assert_eq!(kinds, [FrameKind::Opened, received, received, FrameKind::Closed]);
        assert_eq!(frames.iter().map(|f| f.number).collect::<Vec<_>>(), [1, 2, 3, 4]);
        assert_eq!(numbered(frames.clone()), frames);
    }
}
