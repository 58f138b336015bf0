//! What a plugin is tried with: a capture, as a connection that is opened and
//! closed.

use std::path::Path;

use ampledger_types::{Frame, FrameKind};

use crate::capture::frames_of;
use crate::exit::Failure;

/// Reads a capture.
pub fn read(file: &Path) -> Result<Vec<Frame>, Failure> {
    let mut frames = Vec::new();
    frames_of(file, &mut |frame| {
        frames.push(frame);
        Ok(())
    })?;
    Ok(numbered(frames))
}

/// A connection on which nothing arrives.
pub fn nothing() -> Vec<Frame> {
    numbered(Vec::new())
}

/// Opened at the beginning, closed at the end, and numbered from 1.
pub(super) fn numbered(mut frames: Vec<Frame>) -> Vec<Frame> {
    let empty = |t_us, kind| Frame { number: 0, t_us, kind, endpoint: 0, payload: Vec::new() };
    let begin_us = frames.first().map_or(0, |f| f.t_us);
    if frames.first().is_none_or(|f| f.kind != FrameKind::Opened) {
        frames.insert(0, empty(begin_us, FrameKind::Opened));
    }
    let end_us = frames.last().map_or(0, |f| f.t_us);
    if frames.last().is_none_or(|f| f.kind != FrameKind::Closed) {
        frames.push(empty(end_us, FrameKind::Closed));
    }
    frames.iter_mut().zip(1..).for_each(|(frame, number)| frame.number = number);
    frames
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_capture_is_opened_and_closed_and_numbered() {
        let received = |t_us| Frame {
            number: 7,
            t_us,
            kind: FrameKind::Received,
            endpoint: 0,
            payload: vec![1],
        };
        let frames = numbered(vec![received(5), received(9)]);
        let kinds: Vec<FrameKind> = frames.iter().map(|f| f.kind).collect();
        let middle = FrameKind::Received;
        assert_eq!(kinds, [FrameKind::Opened, middle, middle, FrameKind::Closed]);
        assert_eq!(frames.iter().map(|f| f.number).collect::<Vec<_>>(), [1, 2, 3, 4]);
        assert_eq!((frames[0].t_us, frames[3].t_us), (5, 9));
        assert_eq!(numbered(frames.clone()), frames);
    }
}
