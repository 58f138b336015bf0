//! `modbus-rtu`: asks the instruments on a Modbus RTU line for their registers.
//!
//! ```text
//! us:  01 04 0000 0003 B00B           unit, function, first, how many, check
//! it:  01 04 06 415428F6 001E 37D4    unit, function, octets, registers, check
//! it:  01 84 02 C2C1                  it refuses, and why
//! ```
//! An answer does not say what it answers: only its unit, function and length
//! tell. So a late one is kept apart like this: after a time-out or a wrong
//! answer the line is drained until it is quiet, and then that unit is first
//! asked for something whose answer has another length (a probe). A unit
//! answers in order: once more probes in a row are answered than answers are
//! owed, all that is late lies behind. No write is repeated by itself.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::config::{ConfigProblem, DecoderConfig};
use crate::decoder::{BadSnapshot, Command, Decoder, Descriptor, Input, Integrity, Output};

mod answers;
mod asking;
mod commands;
pub mod frame;
pub mod number;
mod options;
mod plan;
#[cfg(test)]
mod tests;

use frame::Request;
use options::{Options, Plan};

/// What arrives in answer to one request is kept up to this length: twice the
/// longest frame.
const LONGEST_BYTES: usize = 512;
/// Commands that may wait.
const MOST_COMMANDS: usize = 16;
/// After so many probes a unit that never answered one is asked for its
/// registers all the same: it may not answer to such reads.
const MOST_PROBES_IN_VAIN: u8 = 2;
/// So many answers can be owed: probes are quick, but a unit that was away for
/// an hour owes none of the hour's answers.
const MOST_OWED: u8 = 32;
/// A unit that failed so often in a row is asked only every so often, so that
/// it does not hold up the others: it may be switched off.
const FAILURES_OF_AN_ABSENT_UNIT: u32 = 3;
const ABSENT_UNIT_US: i64 = 5_000_000;

/// What can be sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
enum Ask {
    /// One of a unit's probes: which unit, which probe.
    Probe(usize, usize),
    /// One of the blocks.
    Block(usize),
    /// The first of the commands.
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
    /// The time of the next request.
    Idle,
    /// An answer; at the latest at this time.
    Waiting(Ask, i64),
}

/// What is known of a unit.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct UnitState {
    /// A late answer of it may be on its way.
    is_unsettled: bool,
    /// Requests whose answers may still come: none of them was seen since a
    /// reading, which came behind them all.
    owed: u8,
    /// Probes answered in a row. Once there are more than answers are owed,
    /// the last of them is the answer to one of these probes, so everything
    /// that was owed lies before it.
    in_a_row: u8,
    /// Probes in vain; counted until one is answered.
    in_vain: u8,
    /// It has answered a probe since the line was opened, if only by refusing.
    knows_probes: bool,
    /// The probe whose turn it is.
    next_probe: usize,
    /// Requests in a row without a good answer.
    failures: u32,
    /// It is not asked before this time.
    resume_us: i64,
}

/// When a block is due, and how often it was tried already.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct BlockState {
    due_us: i64,
    tries: u8,
}

/// A command that waits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Errand {
    id: u64,
    unit: usize,
    request: Request,
}

/// Everything that depends on what came before.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct State {
    phase: Phase,
    /// What has arrived since the request.
    buffer: Vec<u8>,
    units: Vec<UnitState>,
    blocks: Vec<BlockState>,
    errands: VecDeque<Errand>,
}

/// The decoder.
struct ModbusRtu {
    options: Options,
    plan: Plan,
    state: State,
}

impl Decoder for ModbusRtu {
    fn handle(&mut self, now_us: i64, input: Input<'_>, out: &mut Vec<Output>) {
        match input {
            Input::Opened { .. } => self.opened(now_us, out),
            Input::Received { bytes, .. } => self.received(now_us, bytes, out),
            Input::Sent { bytes, .. } => self.sent(now_us, bytes, out),
            Input::Drained => {
                if let Phase::Draining(_) = self.state.phase {
                    self.ask(now_us, out);
                }
            }
            Input::Deadline => self.deadline(now_us, out),
            Input::Command(command) => self.command(now_us, command, out),
            Input::Closed => {
                self.give_up_errands("the line was closed", out);
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
        let units = &self.plan.units;
        let is_closed = state.phase == Phase::Closed;
        let is_known = match state.phase {
            Phase::Waiting(Ask::Probe(unit, probe), _) => {
                units.get(unit).is_some_and(|unit| probe < unit.probes.len())
            }
            Phase::Waiting(Ask::Block(i), _) => i < self.plan.blocks.len(),
            Phase::Waiting(Ask::Command, _) => !state.errands.is_empty(),
            _ => true,
        };
        let fits = (is_closed && state.units.is_empty() && state.blocks.is_empty())
            || (state.units.len() == units.len() && state.blocks.len() == self.plan.blocks.len());
        let is_bounded =
            state.buffer.len() <= LONGEST_BYTES && state.errands.len() <= MOST_COMMANDS;
        let has_units = state.errands.iter().all(|errand| errand.unit < units.len());
        if !(is_known && fits && is_bounded && has_units) {
            return Err(bad("it belongs to another configuration"));
        }
        self.state = state;
        Ok(())
    }
}

impl ModbusRtu {
    fn new(config: &DecoderConfig) -> Result<Self, ConfigProblem> {
        let options: Options = config.options()?;
        let plan = options.plan(config)?;
        Ok(ModbusRtu { options, plan, state: State::default() })
    }

    /// The answer to a request from before may be on its way.
    fn opened(&mut self, now_us: i64, out: &mut Vec<Output>) {
        self.give_up_errands("the line was opened anew", out);
        self.state = State {
            units: vec![
                UnitState { is_unsettled: true, owed: 1, ..UnitState::default() };
                self.plan.units.len()
            ],
            blocks: vec![BlockState { due_us: now_us, tries: 0 }; self.plan.blocks.len()],
            ..State::default()
        };
        self.drain(now_us, self.options.late_us(), out);
    }

    fn command(&mut self, now_us: i64, command: &Command, out: &mut Vec<Output>) {
        let found = match commands::request(command, &self.plan.units) {
            _ if self.state.phase == Phase::Closed => Err("the line is not open".to_owned()),
            _ if self.state.errands.len() >= MOST_COMMANDS => {
                Err(format!("{MOST_COMMANDS} commands wait already"))
            }
            found => found,
        };
        match found {
            Err(why) => out.push(Output::CommandDone { id: command.id, result: Err(why) }),
            Ok((unit, request)) => {
                self.state.errands.push_back(Errand { id: command.id, unit, request });
                if self.state.phase == Phase::Idle {
                    self.next(now_us, out);
                }
            }
        }
    }

    fn end_errand(&mut self, result: Result<Value, String>, out: &mut Vec<Output>) {
        if let Some(errand) = self.state.errands.pop_front() {
            out.push(Output::CommandDone { id: errand.id, result });
        }
    }

    fn give_up_errands(&mut self, why: &str, out: &mut Vec<Output>) {
        while !self.state.errands.is_empty() {
            self.end_errand(Err(why.to_owned()), out);
        }
    }
}

/// The entry in the list.
pub static DESCRIPTOR: Descriptor = Descriptor {
    name: "modbus-rtu",
    version: "1",
    summary: "asks the instruments on a Modbus RTU line for their registers",
    integrity: |_| Integrity::Crc,
    build: |config| Ok(Box::new(ModbusRtu::new(config)?)),
};
