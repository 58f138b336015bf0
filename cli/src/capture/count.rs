//! Counts what a capture holds while it is written.

use std::io::{self, Write};

use ampledger_types::{Frame, FrameKind};
use serde::Serialize;

/// What a capture holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Kept {
    /// Frames: what arrived, what was sent, openings and closings.
    pub frames: u64,
    /// Pieces that arrived.
    pub received: u64,
    /// Bytes that arrived.
    pub bytes: u64,
}

/// Hands lines of frames on and counts them.
pub struct Counting<'a> {
    to: &'a mut dyn Write,
    line: Vec<u8>,
    /// What has gone through.
    pub kept: Kept,
}

impl<'a> Counting<'a> {
    /// Hands on to `to`.
    pub fn new(to: &'a mut dyn Write) -> Self {
        Counting { to, line: Vec::new(), kept: Kept::default() }
    }

    fn count(&mut self, line: &[u8]) -> io::Result<()> {
        let frame = Frame::parse_line(line)
            .map_err(|why| io::Error::other(format!("what should be a frame is none: {why}")))?;
        self.kept.frames += 1;
        if frame.kind == FrameKind::Received {
            self.kept.received += 1;
            self.kept.bytes += frame.payload.len() as u64;
        }
        Ok(())
    }
}

impl Write for Counting<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        for piece in bytes.split_inclusive(|byte| *byte == b'\n') {
            self.line.extend_from_slice(piece);
            if piece.ends_with(b"\n") {
                let line = std::mem::take(&mut self.line);
                self.count(&line)?;
            }
        }
        self.to.write_all(bytes)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_counted_wherever_they_are_cut() {
        let frame = |kind, payload: &[u8]| Frame {
            number: 1,
            t_us: 0,
            kind,
            endpoint: 0,
            payload: payload.to_vec(),
        };
        let frames = [frame(FrameKind::Opened, b""), frame(FrameKind::Received, b"\xA5\x5A\x00")];
        let text: String = frames.iter().map(|frame| frame.to_line() + "\n").collect();
        for cut in 0..text.len() {
            let mut out = Vec::new();
            let mut counting = Counting::new(&mut out);
            counting.write_all(&text.as_bytes()[..cut]).unwrap();
            counting.write_all(&text.as_bytes()[cut..]).unwrap();
            assert_eq!(counting.kept, Kept { frames: 2, received: 1, bytes: 3 });
            assert_eq!(out, text.as_bytes());
        }
        assert!(Counting::new(&mut Vec::new()).write_all(b"{}\n").is_err());
    }
}
