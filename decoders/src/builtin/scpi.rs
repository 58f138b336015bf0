//! `scpi`: asks an instrument that speaks SCPI-1999 over a serial line.
//!
//! ```text
//! us:  MEAS:VOLT?\n                 one query at a time
//! it:  +1.326000E+01\r\n            NR1, NR2 or NR3; several with commas
//! it:  9.91E37\n                    no reading: not a number (9.9E37: overload)
//! ```
//! An answer that comes too late is never taken for the next one: after a
//! time-out, an answer that is wrong or one that nobody asked for, the line is
//! drained until it is quiet. Then an instrument that is known to answer
//! `*IDN?` is asked for it until it does: answers come in order, so all late
//! ones lie before it. There is no check sum. Blocks that run over several
//! lines are not read.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::readings::{Readings, text};
use crate::config::{ConfigProblem, DecoderConfig};
use crate::decoder::{
    BadSnapshot, Complaint, ComplaintKind, Decoder, Descriptor, Input, Integrity, Output, excerpt,
};
use crate::framing::{Line, Lines};

pub mod answer;
mod commands;
mod options;
#[cfg(test)]
mod tests;

use answer::{Number, error_entry, is_a_name, number};
use options::{Options, Query};

/// An instrument with more errors than this in a row is asked no further.
const MOST_ERRORS: u32 = 10;
/// An identification is cut to so many characters.
const LONGEST_IDENTITY_CHARS: usize = 256;

/// What can be sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Ask {
    /// A line without an answer.
    Setup(usize),
    /// `*IDN?`
    Identity,
    /// `SYST:ERR?`, with how many errors were read in a row before.
    Error(u32),
    /// One of the queries.
    Query(usize),
    /// The first of the commands; it has no answer.
    Command,
}

/// What is being waited for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
enum Phase {
    /// To be opened.
    #[default]
    Closed,
    /// The line to fall quiet; at the latest at this time.
    Draining(i64),
    /// The time of the next query.
    Idle,
    /// An answer; at the latest at this time.
    Waiting(Ask, i64),
}

/// Everything that depends on what came before.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct State {
    lines: Lines,
    phase: Phase,
    /// What is asked before the queries.
    first: VecDeque<Ask>,
    /// When each query is due, microseconds.
    due_us: Vec<i64>,
    /// It has answered `*IDN?` since the line was opened.
    #[serde(default)]
    has_identified: bool,
    /// Commands that wait: number and line.
    #[serde(default)]
    commands: VecDeque<(u64, String)>,
}

/// The decoder.
struct Scpi {
    options: Options,
    queries: Vec<Query>,
    state: State,
}

impl Decoder for Scpi {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            Input::Opened { .. } => self.opened(now_us, out),
            Input::Received { bytes, .. } => self.received(now_us, bytes, out),
            Input::Sent { bytes, .. } => self.sent(now_us, bytes, out),
            Input::Drained => {
                if let Phase::Draining(_) = self.state.phase {
                    self.state.phase = Phase::Idle;
                    self.next(now_us, out);
                }
            }
            Input::Deadline => self.deadline(now_us, out),
            Input::Command(command) => self.command(now_us, command, out),
            Input::Closed => {
                self.give_up_commands(out);
                self.state = State::default();
                out.push(Output::Wake(None));
            }
        }
    }

    fn snapshot(&self) -> Vec<u8> {
        serde_json::to_vec(&self.state).unwrap_or_default()
    }

    fn restore(&mut self, snapshot: &[u8]) -> Result<(), BadSnapshot> {
        let bad = |what: &str| BadSnapshot(what.to_owned());
        let state: State = serde_json::from_slice(snapshot).map_err(|e| bad(&e.to_string()))?;
        let asks = state.first.iter().copied().chain(match state.phase {
            Phase::Waiting(ask, _) => Some(ask),
            _ => None,
        });
        let is_known = |ask: Ask| match ask {
            Ask::Setup(i) => i < self.options.setup.len(),
            Ask::Query(i) => i < self.queries.len(),
            Ask::Identity | Ask::Error(_) => true,
            Ask::Command => !state.commands.is_empty(),
        };
        let is_open = state.phase != Phase::Closed;
        if !asks.into_iter().all(is_known) || (is_open && state.due_us.len() != self.queries.len())
        {
            return Err(bad("it belongs to other queries"));
        }
        self.state = state;
        Ok(())
    }
}

impl Scpi {
    fn new(config: &DecoderConfig) -> Result<Self, ConfigProblem> {
        let options: Options = config.options()?;
        let queries = options.queries(config)?;
        Ok(Scpi { options, queries, state: State::default() })
    }

    /// Begins with a drain: the answer to a question from before may be on
    /// its way.
    fn opened(&mut self, now_us: i64, out: &mut Vec<Output>) {
        let mut first: VecDeque<Ask> = (0..self.options.setup.len()).map(Ask::Setup).collect();
        if self.options.identify {
            first.push_back(Ask::Identity);
        }
        let due_us = vec![now_us; self.queries.len()];
        self.give_up_commands(out);
        self.state = State { first, due_us, ..State::default() };
        self.drain(now_us, out);
    }

    fn drain(&mut self, now_us: i64, out: &mut Vec<Output>) {
        let quiet_us = i64::from(self.options.quiet_ms) * 1000;
        // A line that never falls quiet must not end the asking.
        let latest_us = now_us.saturating_add(10 * quiet_us + self.timeout_us());
        self.state.lines.opened(true);
        self.state.phase = Phase::Draining(latest_us);
        out.push(Output::Drain { quiet_us });
        out.push(Output::Wake(Some(latest_us)));
    }

    fn timeout_us(&self) -> i64 {
        i64::from(self.options.timeout_ms) * 1000
    }

    /// Sends what comes next, or says when to wake.
    fn next(&mut self, now_us: i64, out: &mut Vec<Output>) {
        let (soonest, due_us) = match self.state.due_us.iter().enumerate().min_by_key(|d| *d.1) {
            Some((i, due_us)) => (Ask::Query(i), *due_us),
            None => return,
        };
        let urgent = (!self.state.commands.is_empty()).then_some(Ask::Command);
        let ask = match urgent.or_else(|| self.state.first.pop_front()) {
            Some(ask) => ask,
            None if due_us <= now_us => soonest,
            None => {
                out.push(Output::Wake(Some(due_us)));
                return;
            }
        };
        if let Ask::Query(i) = ask {
            // Keeps its beat; where it cannot, asks as often as it can.
            self.state.due_us[i] = due_us.saturating_add(self.queries[i].every_us).max(now_us);
        }
        let latest_us = now_us.saturating_add(self.timeout_us());
        self.state.phase = Phase::Waiting(ask, latest_us);
        let bytes = format!("{}{}", self.line_of(ask), self.options.terminator).into_bytes();
        out.push(Output::Send { endpoint: 0, bytes });
        out.push(Output::Wake(Some(latest_us)));
    }

    fn line_of(&self, ask: Ask) -> &str {
        match ask {
            Ask::Setup(i) => &self.options.setup[i],
            Ask::Identity => "*IDN?",
            Ask::Error(_) => "SYST:ERR?",
            Ask::Query(i) => &self.queries[i].send,
            Ask::Command => self.state.commands.front().map_or("", |(_, line)| line),
        }
    }

    /// The time for an answer runs from when the question is out. What was
    /// really sent says what is answered: a log may be read with other
    /// questions than it was asked with.
    fn sent(&mut self, now_us: i64, bytes: &[u8], out: &mut Vec<Output>) {
        let latest_us = now_us.saturating_add(self.timeout_us());
        let asked = self.asked_by(bytes);
        if asked == Some(Ask::Command) {
            self.commanded(out);
        }
        self.state.phase = match (self.state.phase, asked) {
            (Phase::Closed, _) => return,
            (_, Some(Ask::Setup(_) | Ask::Command)) => Phase::Idle,
            (_, Some(ask)) => Phase::Waiting(ask, latest_us),
            // The answer to a question that is not ours is thrown away.
            (_, None) => Phase::Draining(latest_us),
        };
        match self.state.phase {
            Phase::Idle => self.next(now_us, out),
            _ => out.push(Output::Wake(Some(latest_us))),
        }
    }

    /// Which of the questions these bytes are; the one waited for, if it has
    /// several of the same.
    fn asked_by(&self, bytes: &[u8]) -> Option<Ask> {
        let text = bytes.strip_suffix(self.options.terminator.as_bytes()).unwrap_or(bytes);
        let current = match self.state.phase {
            Phase::Waiting(ask, _) => Some(ask),
            _ => None,
        };
        let queries = (0..self.queries.len()).map(Ask::Query);
        let setup = (0..self.options.setup.len()).map(Ask::Setup);
        let all = current.into_iter().chain(queries).chain([Ask::Identity, Ask::Error(0)]);
        all.chain(setup).find(|ask| self.line_of(*ask).as_bytes() == text)
    }

    fn deadline(&mut self, now_us: i64, out: &mut Vec<Output>) {
        match self.state.phase {
            Phase::Closed => {}
            Phase::Draining(latest_us) | Phase::Waiting(_, latest_us) if now_us < latest_us => {
                out.push(Output::Wake(Some(latest_us)));
            }
            Phase::Waiting(ask, _) => {
                let pending = self.state.lines.pending();
                let detail = format!("no answer to {}", excerpt(self.line_of(ask)));
                out.push(complaint(ComplaintKind::NoAnswer, pending, detail));
                self.mistrust(now_us, ask, out);
            }
            Phase::Draining(_) | Phase::Idle => {
                self.state.phase = Phase::Idle;
                self.next(now_us, out);
            }
        }
    }

    /// What arrives while draining is thrown away. Nothing is asked before
    /// all bytes are looked at, so that a second line is not the next answer.
    fn received(&mut self, now_us: i64, bytes: &[u8], out: &mut Vec<Output>) {
        if let Phase::Draining(_) | Phase::Closed = self.state.phase {
            return;
        }
        let mut lines = std::mem::take(&mut self.state.lines);
        let was_waiting = matches!(self.state.phase, Phase::Waiting(..));
        lines.push(bytes, |line| self.line(now_us, line, out));
        match self.state.phase {
            Phase::Draining(_) => {}
            Phase::Idle if was_waiting => {
                self.state.lines = lines;
                self.next(now_us, out);
            }
            _ => self.state.lines = lines,
        }
    }

    fn line(&mut self, now_us: i64, line: Line<'_>, out: &mut Vec<Output>) {
        let bytes = match line {
            Line::Whole(bytes) | Line::Part(bytes) => bytes,
            Line::TooLong(length) => {
                let detail = "the answer is too long".to_owned();
                out.push(complaint(ComplaintKind::Incomplete, length, detail));
                self.mistrust_phase(now_us, out);
                return;
            }
        };
        let answer = text(bytes);
        match self.state.phase {
            Phase::Waiting(ask, _) => {
                self.state.phase = Phase::Idle;
                if let Err(why) = self.answer(now_us, ask, answer.trim(), out) {
                    let what = excerpt(self.line_of(ask));
                    let detail = format!("{} in answer to {what}: {why}", excerpt(&answer));
                    out.push(complaint(ComplaintKind::NotMine, bytes.len(), detail));
                    self.mistrust(now_us, ask, out);
                }
            }
            Phase::Idle if !bytes.is_empty() => {
                let detail = format!("nobody asked for {}", excerpt(&answer));
                out.push(complaint(ComplaintKind::NotMine, bytes.len(), detail));
                self.mistrust_phase(now_us, out);
            }
            Phase::Idle | Phase::Draining(_) | Phase::Closed => {}
        }
    }

    /// Drains, finds the place in the order of answers again, and asks for the
    /// instrument's own error if that is wanted.
    fn mistrust(&mut self, now_us: i64, ask: Ask, out: &mut Vec<Output>) {
        if self.options.check_errors && !matches!(ask, Ask::Error(_) | Ask::Identity) {
            self.state.first.push_front(Ask::Error(0));
        }
        if self.state.has_identified && self.state.first.front() != Some(&Ask::Identity) {
            self.state.first.push_front(Ask::Identity);
        }
        self.drain(now_us, out);
    }

    fn mistrust_phase(&mut self, now_us: i64, out: &mut Vec<Output>) {
        match self.state.phase {
            Phase::Waiting(ask, _) => self.mistrust(now_us, ask, out),
            Phase::Idle => self.drain(now_us, out),
            Phase::Draining(_) | Phase::Closed => {}
        }
    }

    fn answer(
        &mut self,
        now_us: i64,
        ask: Ask,
        answer: &str,
        out: &mut Vec<Output>,
    ) -> Result<(), String> {
        match ask {
            Ask::Setup(_) | Ask::Command => Err("this line has no answer".to_owned()),
            // A number or an error is the late answer to something else.
            Ask::Identity if !is_a_name(answer) => Err("no identification".to_owned()),
            Ask::Identity => {
                let text = answer.chars().filter(|c| !c.is_control());
                let text = text.take(LONGEST_IDENTITY_CHARS).collect();
                self.state.has_identified = true;
                out.push(Output::Identity { instrument: String::new(), text });
                Ok(())
            }
            Ask::Error(before) => {
                let entry = error_entry(answer).map_err(|e| e.to_string())?;
                if entry.code != 0 {
                    let detail = format!("the instrument reports {}", excerpt(answer));
                    out.push(complaint(ComplaintKind::InstrumentError, 0, detail));
                    if before + 1 < MOST_ERRORS {
                        self.state.first.push_front(Ask::Error(before + 1));
                    }
                }
                Ok(())
            }
            Ask::Query(i) => reading(&self.queries[i], now_us, answer, out),
        }
    }
}

/// A sample from a query's answer. Its time is that of arrival.
fn reading(query: &Query, t_us: i64, answer: &str, out: &mut Vec<Output>) -> Result<(), String> {
    if answer.starts_with('#') {
        let octets = answer::block(answer.as_bytes()).map_err(|e| e.to_string())?.len();
        return Err(format!("a block of {octets} octets is no reading"));
    }
    let parts: Vec<&str> =
        answer::part(answer, ';').into_iter().flat_map(|unit| answer::part(unit, ',')).collect();
    if parts.len() != query.fields.len() {
        return Err(format!("{} values where {} are expected", parts.len(), query.fields.len()));
    }
    let mut readings = Readings::default();
    for (part, field) in parts.iter().zip(&query.fields) {
        let Some((name, field)) = field else { continue };
        let value = match number(part).map_err(|e| e.to_string())? {
            Number::Value(value) => field.read(value, None),
            Number::PositiveInfinity | Number::NegativeInfinity => Err("overload".to_owned()),
            Number::NotANumber => Err("no reading".to_owned()),
        };
        readings.push(name, value);
    }
    readings.finish(super::readings::Place::arrival(t_us), query.group.clone(), answer, out);
    Ok(())
}

fn complaint(kind: ComplaintKind, bytes: usize, detail: String) -> Output {
    Output::Complaint(Complaint::new(kind, bytes, detail))
}

/// The entry in the list.
pub static DESCRIPTOR: Descriptor = Descriptor {
    name: "scpi",
    version: "2",
    summary: "asks an instrument that speaks SCPI-1999 over a serial line",
    integrity: |_| Integrity::None,
    build: |config| Ok(Box::new(Scpi::new(config)?)),
};
