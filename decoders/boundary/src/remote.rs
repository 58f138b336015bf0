//! Drives a decoder in another process as a driver does in this one. When the
//! process ends it is started again, brought to where the former was, and given
//! again what was not acknowledged; an input that ends it twice is left out.
//! Nothing is said twice: outputs come with the number of their input.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};

use ampledger_decoders::Output;
use ampledger_types::Frame;

use crate::history::History;
use crate::process::{Fault, FaultKind, Launch, Process};
use crate::record::FailureRecord;
use crate::wire::Described;

/// Most inputs of one batch.
pub const MOST_IN_BATCH: usize = 256;
/// Most bytes of one batch's inputs, beyond the first.
pub const MOST_BYTES_IN_BATCH: usize = 64 << 10;
/// So often an input may end the process before it is left out.
const TRIES: usize = 2;

/// A decoder in another process.
#[derive(Debug)]
pub struct RemoteDriver {
    launch: Launch,
    record: Arc<FailureRecord>,
    process: Option<Process>,
    described: Described,
    /// Given, but not acknowledged; kept until it is.
    waiting: VecDeque<Frame>,
    history: History,
    /// Inputs up to this one go singly: one of them ended the process.
    singly_up_to: u64,
    /// The input that ended it when it went singly, and how often.
    suspect: (u64, usize),
}

/// What came of one turn.
#[derive(Debug)]
pub enum Turn {
    /// There is nothing to give.
    Idle,
    /// What the decoder said, each with the number of its input.
    Said(Vec<(u64, Output)>),
    /// The process was started again. The deadline that it wants, if it said so
    /// on the way to where the former one was.
    Started(Described, Option<Option<i64>>),
    /// The process ended.
    Failed(Failure),
}

/// The process ended.
#[derive(Clone, Debug)]
pub struct Failure {
    /// Why.
    pub reason: String,
    /// The input that is left out for it.
    pub left_out: Option<Frame>,
    /// How long to wait before the next turn; `None` where the plugin is set
    /// aside.
    pub wait: Option<Duration>,
}

impl RemoteDriver {
    /// Starts a process for a source.
    pub fn start(launch: Launch, record: Arc<FailureRecord>) -> Result<Self, Fault> {
        let (process, described) = Process::start(&launch)?;
        Ok(RemoteDriver {
            launch,
            record,
            process: Some(process),
            described,
            waiting: VecDeque::new(),
            history: History::default(),
            singly_up_to: 0,
            suspect: (0, 0),
        })
    }

    /// Who the plugin says it is.
    pub fn described(&self) -> &Described {
        &self.described
    }

    /// Takes an input, to be given in the next turns.
    pub fn take(&mut self, frame: Frame) {
        self.waiting.push_back(frame);
    }

    /// How many inputs are not acknowledged.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Starts the process if it is not there; else gives one batch.
    pub fn turn(&mut self) -> Turn {
        let Some(process) = &mut self.process else { return self.start_again() };
        let batch = batch(&self.waiting, self.singly_up_to);
        if batch == 0 {
            return Turn::Idle;
        }
        match process.exchange(self.waiting.iter().take(batch)) {
            Ok(reply) => {
                let done = self.waiting.iter().take(batch);
                let done = done.take_while(|f| f.number <= reply.acknowledged).count();
                if done == 0 {
                    let text = "the plugin's process answers nonsense: it acknowledges nothing";
                    return self.failed(batch, Fault::nonsense(text));
                }
                self.waiting.drain(..done).for_each(|frame| self.history.add(frame));
                self.keep_history_short();
                Turn::Said(reply.outputs)
            }
            Err(fault) => self.failed(batch, fault),
        }
    }

    /// The decoder's state after everything that is acknowledged. `None` where
    /// it gives none, or cannot now.
    pub fn save(&mut self) -> Option<Vec<u8>> {
        if !self.described.saves {
            return None;
        }
        match self.process.as_mut()?.save() {
            Ok(state) => state,
            Err(_) => {
                // The next turn starts it again.
                self.process = None;
                None
            }
        }
    }

    fn keep_history_short(&mut self) {
        if !self.history.is_full() {
            return;
        }
        match self.save() {
            Some(state) => self.history.stands_at(state),
            None => self.history.forget_old(),
        }
    }

    fn start_again(&mut self) -> Turn {
        let (mut process, described) = match Process::start(&self.launch) {
            Ok(started) => started,
            Err(fault) => return self.failed(0, fault),
        };
        match self.bring_up(&mut process) {
            Ok(wake) => {
                (self.process, self.described) = (Some(process), described.clone());
                Turn::Started(described, wake)
            }
            Err(fault) => {
                // What it cannot stand twice is not given a third time.
                self.history.forget();
                self.failed(0, fault)
            }
        }
    }

    /// Brings a fresh process to where the former was. What it says on the way
    /// was said before, but for the last deadline it wants.
    fn bring_up(&self, process: &mut Process) -> Result<Option<Option<i64>>, Fault> {
        let mut wake = None;
        if let Some(state) = self.history.state()
            && let Err(why) = process.restore(state)?
        {
            return Err(Fault::nonsense(&format!("the plugin refuses its own state: {why}")));
        }
        let inputs: Vec<&Frame> = self.history.inputs().collect();
        let mut left = &inputs[..];
        while !left.is_empty() {
            let size = left.len().min(MOST_IN_BATCH);
            let reply = process.exchange(left[..size].iter().copied())?;
            for (_, output) in &reply.outputs {
                if let Output::Wake(at_us) = output {
                    wake = Some(*at_us);
                }
            }
            let done = left[..size].iter().take_while(|f| f.number <= reply.acknowledged).count();
            left = &left[done.max(1)..];
        }
        Ok(wake)
    }

    fn failed(&mut self, batch: usize, fault: Fault) -> Turn {
        self.process = None;
        if fault.kind == FaultKind::CalledOff {
            return Turn::Failed(Failure { reason: fault.text, left_out: None, wait: None });
        }
        let (left_out, again) = self.blame(batch, &fault);
        let wait = self.record.failed(&fault.text, again, Instant::now());
        if left_out.is_some() {
            self.record.settled();
        }
        Turn::Failed(Failure { reason: fault.text, left_out, wait })
    }

    /// Finds out which input it was, and whether that one ended the process
    /// before. One that did so as often as it may is left out.
    fn blame(&mut self, batch: usize, fault: &Fault) -> (Option<Frame>, bool) {
        let Some(last) = batch.checked_sub(1).and_then(|at| self.waiting.get(at)) else {
            return (None, false);
        };
        let last = last.number;
        self.singly_up_to = last;
        let given = self.waiting.iter().take(batch);
        let named = fault.number.filter(|n| given.map(|f| f.number).any(|number| number == *n));
        let Some(culprit) = named.or((batch == 1).then_some(last)) else { return (None, false) };
        let again = self.suspect.0 == culprit;
        self.suspect = (culprit, if again { self.suspect.1 + 1 } else { 1 });
        if self.suspect.1 < TRIES {
            return (None, again);
        }
        let at = self.waiting.iter().position(|f| f.number == culprit);
        (at.and_then(|at| self.waiting.remove(at)), again)
    }
}

/// How many inputs go next.
fn batch(waiting: &VecDeque<Frame>, singly_up_to: u64) -> usize {
    let Some(first) = waiting.front() else { return 0 };
    if first.number <= singly_up_to {
        return 1;
    }
    let mut bytes = 0;
    let fits = |frame: &&Frame| {
        bytes += frame.payload.len();
        bytes <= MOST_BYTES_IN_BATCH
    };
    waiting.iter().take(MOST_IN_BATCH).take_while(fits).count().max(1)
}
