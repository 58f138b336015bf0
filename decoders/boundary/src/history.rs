//! What a decoder was given since it was opened, bounded, so that a fresh
//! process can be brought to where the former one was: by a saved state where
//! the plugin gives one, and by giving the inputs again.

use std::collections::VecDeque;

use ampledger_types::{Frame, FrameKind};

/// Most inputs that are kept.
pub const MOST_FRAMES: usize = 512;
/// Most bytes of inputs that are kept. Longer than a frame of any instrument.
pub const MOST_BYTES: usize = 64 << 10;

/// Inputs that were dealt with.
#[derive(Debug, Default)]
pub struct History {
    opened: Option<Frame>,
    state: Option<Vec<u8>>,
    past: VecDeque<Frame>,
    bytes: usize,
}

impl History {
    /// One more input is dealt with.
    pub fn add(&mut self, frame: Frame) {
        if frame.kind == FrameKind::Opened {
            *self = History { opened: Some(frame), ..History::default() };
            return;
        }
        self.bytes += frame.payload.len();
        self.past.push_back(frame);
    }

    /// Whether it is time for a state, or else for forgetting.
    pub fn is_full(&self) -> bool {
        self.past.len() > MOST_FRAMES || self.bytes > MOST_BYTES
    }

    /// The decoder's state here stands for all inputs before.
    pub fn stands_at(&mut self, state: Vec<u8>) {
        self.state = Some(state);
        self.past.clear();
        self.bytes = 0;
    }

    /// Without a state: what is too old is forgotten.
    pub fn forget_old(&mut self) {
        while self.is_full()
            && let Some(frame) = self.past.pop_front()
        {
            self.bytes -= frame.payload.len();
        }
    }

    /// Only that it was opened is kept.
    pub fn forget(&mut self) {
        *self = History { opened: self.opened.take(), ..History::default() };
    }

    /// The state to take up, if there is one.
    pub fn state(&self) -> Option<&[u8]> {
        self.state.as_deref()
    }

    /// What to give after that.
    pub fn inputs(&self) -> impl Iterator<Item = &Frame> {
        let opened = self.opened.iter().filter(|_| self.state.is_none());
        opened.chain(&self.past)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(number: u64, kind: FrameKind, bytes: usize) -> Frame {
        Frame { number, t_us: 0, kind, endpoint: 0, payload: vec![0; bytes] }
    }

    fn numbers(history: &History) -> Vec<u64> {
        history.inputs().map(|f| f.number).collect()
    }

    #[test]
    fn what_is_kept_is_bounded_and_begins_with_the_opening() {
        let mut history = History::default();
        history.add(frame(1, FrameKind::Opened, 0));
        for number in 2..=2000 {
            history.add(frame(number, FrameKind::Received, 300));
            history.forget_old();
        }
        let kept = numbers(&history);
        assert_eq!((kept[0], *kept.last().unwrap()), (1, 2000));
        assert!(kept.len() <= MOST_BYTES / 300 + 2, "{}", kept.len());
    }

    #[test]
    fn a_state_stands_for_all_before_it_and_an_opening_voids_it() {
        let mut history = History::default();
        history.add(frame(1, FrameKind::Opened, 0));
        history.add(frame(2, FrameKind::Received, 9));
        history.stands_at(vec![7]);
        history.add(frame(3, FrameKind::Received, 9));
        assert_eq!((history.state(), numbers(&history)), (Some(&[7][..]), vec![3]));
        history.add(frame(4, FrameKind::Opened, 0));
        assert_eq!((history.state(), numbers(&history)), (None, vec![4]));
    }
}
