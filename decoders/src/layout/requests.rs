//! What is sent so that frames come, and when. Sends one thing at a time, with a
//! pause between two, and waits for no answer: a frame says itself what it is.

use serde::{Deserialize, Serialize};

use crate::decoder::{Complaint, ComplaintKind, Output};

/// The least time between two requests, microseconds, so that the answer to one
/// has begun when the next is sent. Common practice, no source.
pub const PAUSE_US: i64 = 50_000;

/// Something to send again and again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Request {
    /// As it goes out, checksum and stuffing included.
    pub bytes: Vec<u8>,
    /// Where to.
    pub endpoint: u16,
    /// How often, microseconds.
    pub every_us: i64,
}

/// When each request is due; empty while nothing is sent.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Schedule {
    due_us: Vec<i64>,
    /// Which have been sent since the last frame came.
    unanswered: Vec<bool>,
    free_us: i64,
}

impl Schedule {
    /// Whether it fits the requests.
    pub fn is_for(&self, requests: &[Request]) -> bool {
        let count = self.due_us.len();
        self.unanswered.len() == count && (count == 0 || count == requests.len())
    }

    /// The line is open: everything is due.
    pub fn begin(&mut self, now_us: i64, requests: &[Request], out: &mut Vec<Output>) {
        self.due_us = vec![now_us; requests.len()];
        self.unanswered = vec![false; requests.len()];
        self.free_us = now_us;
        self.send(now_us, requests, out);
    }

    /// The line is closed, or it is a record: nothing is sent.
    pub fn end(&mut self, out: &mut Vec<Output>) {
        if !self.due_us.is_empty() {
            *self = Schedule::default();
            out.push(Output::Wake(None));
        }
    }

    /// A good frame came.
    pub fn answered(&mut self) {
        self.unanswered.fill(false);
    }

    /// Sends what has waited longest, if it is due, and asks for the next time.
    pub fn send(&mut self, now_us: i64, requests: &[Request], out: &mut Vec<Output>) {
        let Some((i, due_us)) = self.next() else { return };
        if due_us.max(self.free_us) <= now_us {
            let request = &requests[i];
            if std::mem::replace(&mut self.unanswered[i], true) {
                let detail = format!("no frame came after request {}", i + 1);
                out.push(Output::Complaint(Complaint::new(ComplaintKind::NoAnswer, 0, detail)));
            }
            out.push(Output::Send { endpoint: request.endpoint, bytes: request.bytes.clone() });
            // What could not be sent in time is left out, not made up for.
            let next_us = due_us.saturating_add(request.every_us);
            let late = next_us <= now_us;
            self.due_us[i] = if late { now_us.saturating_add(request.every_us) } else { next_us };
            self.free_us = now_us.saturating_add(PAUSE_US);
        }
        if let Some((_, due_us)) = self.next() {
            out.push(Output::Wake(Some(due_us.max(self.free_us))));
        }
    }

    fn next(&self) -> Option<(usize, i64)> {
        self.due_us.iter().copied().enumerate().min_by_key(|(_, due_us)| *due_us)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(out: &mut Vec<Output>) -> Vec<String> {
        out.drain(..)
            .map(|output| match output {
                Output::Send { bytes, .. } => format!("send {bytes:?}"),
                Output::Wake(at) => format!("wake {:?}", at.map(|t| t / 1000)),
                Output::Complaint(c) => c.detail,
                other => format!("{other:?}"),
            })
            .collect()
    }

    #[test]
    fn requests_go_out_one_at_a_time_and_keep_their_pace() {
        let request = |byte, every_us| Request { bytes: vec![byte], endpoint: 0, every_us };
        let requests = [request(1, 1_000_000), request(2, 3_000_000)];
        let (mut schedule, mut out) = (Schedule::default(), Vec::new());
        let mut at = |schedule: &mut Schedule, t_ms: i64| {
            schedule.send(t_ms * 1000, &requests, &mut out);
            said(&mut out)
        };
        let mut begun = Vec::new();
        schedule.begin(0, &requests, &mut begun);
        assert_eq!(said(&mut begun), ["send [1]", "wake Some(50)"]);
        assert_eq!(at(&mut schedule, 50), ["send [2]", "wake Some(1000)"]);
        assert_eq!(at(&mut schedule, 900), ["wake Some(1000)"]);
        schedule.answered();
        assert_eq!(at(&mut schedule, 1000), ["send [1]", "wake Some(2000)"]);
        // Two seconds late, and nothing came in between.
        assert_eq!(
            at(&mut schedule, 4500),
            ["no frame came after request 1", "send [1]", "wake Some(4550)"]
        );
        assert_eq!(at(&mut schedule, 4550), ["send [2]", "wake Some(5500)"]);
        schedule.end(&mut begun);
        assert_eq!(said(&mut begun), ["wake None"]);
        assert_eq!(at(&mut schedule, 9000), [""; 0]);
    }
}
