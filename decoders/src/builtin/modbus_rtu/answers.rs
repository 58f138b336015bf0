//! What arrives, and what it makes of the unit that was asked: settled by any
//! answer to the request, not trusted after anything else.

use serde_json::Value;

use super::frame::{Found, Request, exception_name, look};
use super::plan::{Block, Unit};
use super::{
    ABSENT_UNIT_US, Ask, FAILURES_OF_AN_ABSENT_UNIT, LONGEST_BYTES, MOST_OWED, ModbusRtu, Phase,
    UnitState,
};
use crate::builtin::readings::{Place, Readings};
use crate::decoder::{Complaint, ComplaintKind, Output};

impl ModbusRtu {
    pub(super) fn received(&mut self, now_us: i64, bytes: &[u8], out: &mut Vec<Output>) {
        match self.state.phase {
            // What arrives while draining is thrown away.
            Phase::Closed | Phase::Draining(_) => {}
            Phase::Idle => {
                out.extend(strays(bytes.len(), "that nobody asked for"));
                self.drain(now_us, self.options.late_us(), out);
            }
            Phase::Waiting(ask, _) => {
                let mut buffer = std::mem::take(&mut self.state.buffer);
                let room = LONGEST_BYTES - buffer.len().min(LONGEST_BYTES);
                buffer.extend_from_slice(&bytes[..bytes.len().min(room)]);
                self.look(now_us, ask, buffer, out);
            }
        }
    }

    fn look(&mut self, now_us: i64, ask: Ask, mut buffer: Vec<u8>, out: &mut Vec<Output>) {
        let Some(request) = self.request(ask).cloned() else { return };
        loop {
            match look(&buffer, &request, &self.plan.addresses) {
                Found::OtherUnit { unit, length } => {
                    // V1.02, 2.4.1: it is passed over, and the time runs on.
                    out.extend(strays(length, &format!("of unit {unit}, which was not asked")));
                    buffer.drain(..length);
                }
                Found::Open if buffer.len() < LONGEST_BYTES => {
                    self.state.buffer = buffer;
                    return;
                }
                Found::Open | Found::Wrong => {
                    return self.trouble(now_us, ask, Trouble::Damaged(buffer.len()), out);
                }
                Found::OtherAnswer => {
                    return self.trouble(now_us, ask, Trouble::Other(buffer.len()), out);
                }
                Found::Answer { before, data, after } => {
                    out.extend(strays(before, "before an answer"));
                    self.settle(ask, false);
                    self.answer(now_us, ask, data, out);
                    return self.go_on(now_us, after, out);
                }
                Found::Exception { before, code, after } => {
                    out.extend(strays(before, "before an answer"));
                    self.settle(ask, true);
                    self.refused(ask, &request, code, out);
                    return self.go_on(now_us, after, out);
                }
            }
        }
    }

    /// The unit has answered what it was asked, or refused it.
    fn settle(&mut self, ask: Ask, is_refusal: bool) {
        let unit = self.asked(ask);
        let state = &mut self.state.units[unit];
        (state.failures, state.resume_us) = (0, 0);
        match ask {
            Ask::Probe(..) => {
                (state.knows_probes, state.in_vain) = (true, 0);
                state.in_a_row = state.in_a_row.saturating_add(1);
                if state.in_a_row > state.owed {
                    (state.is_unsettled, state.in_a_row) = (false, 0);
                }
            }
            // One refusal is like the other: it may be that of a probe.
            Ask::Block(_) | Ask::Command if is_refusal && state.owed > 0 => state.owe(),
            Ask::Block(_) | Ask::Command => (state.is_unsettled, state.owed) = (false, 0),
        }
        if let Ask::Block(i) = ask {
            self.state.blocks[i].tries = 0;
        }
    }

    fn go_on(&mut self, now_us: i64, after: usize, out: &mut Vec<Output>) {
        match strays(after, "behind an answer") {
            None => self.next(now_us, out),
            Some(complaint) => {
                out.push(complaint);
                self.drain(now_us, self.options.late_us(), out);
            }
        }
    }

    fn answer(&mut self, now_us: i64, ask: Ask, data: &[u8], out: &mut Vec<Output>) {
        match ask {
            Ask::Probe(..) => {}
            Ask::Block(i) => readings(&self.plan.blocks[i], now_us, data, out),
            Ask::Command => self.end_errand(Ok(Value::Null), out),
        }
    }

    fn refused(&mut self, ask: Ask, request: &Request, code: u8, out: &mut Vec<Output>) {
        let name = exception_name(code).unwrap_or("an exception that is not in the standard");
        let who = self.who(ask);
        match ask {
            // It has answered, which is all that was wanted.
            Ask::Probe(..) => {}
            Ask::Block(_) => {
                let what = format!("{who} refuses {request}: {name} ({code})");
                out.push(complaint(ComplaintKind::InstrumentError, 5, what));
            }
            Ask::Command => {
                self.end_errand(Err(format!("{who} refuses it: {name} ({code})")), out);
            }
        }
    }

    /// There is no answer, or none that can be trusted: the unit is not
    /// trusted until a probe is answered.
    pub(super) fn trouble(
        &mut self,
        now_us: i64,
        ask: Ask,
        trouble: Trouble,
        out: &mut Vec<Output>,
    ) {
        let what = self.request(ask).map(Request::to_string).unwrap_or_default();
        let trouble = match (trouble, self.state.buffer.len()) {
            (Trouble::NoAnswer, begun) if begun > 0 => Trouble::Incomplete(begun),
            (trouble, _) => trouble,
        };
        out.push(trouble.complaint(&self.who(ask), &what));
        let unit = self.asked(ask);
        let state = &mut self.state.units[unit];
        state.owe();
        state.failures = state.failures.saturating_add(1);
        if state.failures >= FAILURES_OF_AN_ABSENT_UNIT && self.plan.units.len() > 1 {
            state.resume_us = now_us.saturating_add(ABSENT_UNIT_US);
        }
        match ask {
            Ask::Probe(..) => state.in_vain = state.in_vain.saturating_add(1),
            Ask::Block(i) => {
                // Where probes had no answer, they get another chance.
                state.in_vain = 0;
                let block = &mut self.state.blocks[i];
                block.tries = block.tries.saturating_add(1);
                match block.tries <= self.options.retries {
                    true => block.due_us = now_us,
                    false => block.tries = 0,
                }
            }
            Ask::Command => {
                state.in_vain = 0;
                let why = "no answer that can be trusted; whether it was done is not known";
                self.end_errand(Err(why.to_owned()), out);
            }
        }
        self.drain(now_us, self.options.late_us(), out);
    }

    fn who(&self, ask: Ask) -> String {
        match self.plan.units.get(self.asked(ask)) {
            Some(Unit { name, address, .. }) if name.is_empty() => format!("unit {address}"),
            Some(Unit { name, address, .. }) => format!("`{name}` (unit {address})"),
            None => String::new(),
        }
    }
}

impl UnitState {
    /// The answer to a request may still come.
    fn owe(&mut self) {
        self.is_unsettled = true;
        self.in_a_row = 0;
        self.owed = self.owed.saturating_add(1).min(MOST_OWED);
    }
}

/// What was wrong with an answer, and how many bytes it had.
#[derive(Clone, Copy, Debug)]
pub(super) enum Trouble {
    NoAnswer,
    Incomplete(usize),
    Damaged(usize),
    Other(usize),
}

impl Trouble {
    fn complaint(self, who: &str, what: &str) -> Output {
        match self {
            Trouble::NoAnswer => {
                complaint(ComplaintKind::NoAnswer, 0, format!("no answer of {who} to {what}"))
            }
            Trouble::Incomplete(bytes) => complaint(
                ComplaintKind::Incomplete,
                bytes,
                format!("{bytes} bytes and no more of {who} in answer to {what}"),
            ),
            Trouble::Damaged(bytes) => complaint(
                ComplaintKind::BadCheck,
                bytes,
                format!("no sound frame of {who} in answer to {what}"),
            ),
            Trouble::Other(bytes) => complaint(
                ComplaintKind::NotMine,
                bytes,
                format!("the answer of {who} is not one to {what}; it may be a late one"),
            ),
        }
    }
}

/// A sample from a block's registers. Its time is that of arrival.
fn readings(block: &Block, t_us: i64, data: &[u8], out: &mut Vec<Output>) {
    let mut readings = Readings::default();
    for register in &block.registers {
        let number = register.kind.read(register.order, block.octets(register, data));
        match number {
            number if number.is_nan() => readings.push_unknown(&register.name, "not a number"),
            number if number.is_infinite() => {
                readings.push(&register.name, Err("infinite".to_owned()));
            }
            number => readings.push(&register.name, register.field.read(number, None)),
        }
    }
    readings.finish_frame(Place::arrival(t_us), block.group.clone(), data, out);
}

/// Bytes that belong to no answer, if there are any.
fn strays(bytes: usize, what: &str) -> Option<Output> {
    let detail = format!("{bytes} bytes {what}");
    (bytes > 0).then(|| complaint(ComplaintKind::NotMine, bytes, detail))
}

fn complaint(kind: ComplaintKind, bytes: usize, detail: String) -> Output {
    Output::Complaint(Complaint::new(kind, bytes, detail))
}
