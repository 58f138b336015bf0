//! What is asked next, and when: commands first, then what has been due for
//! longest; a unit that is not settled gets a probe before anything else.

use super::answers::Trouble;
use super::frame::Request;
use super::{Ask, BlockState, MOST_PROBES_IN_VAIN, ModbusRtu, Phase};
use crate::decoder::Output;

impl ModbusRtu {
    /// Each request follows a drain: a short one for the silence between
    /// frames, a long one where a late answer is possible.
    pub(super) fn drain(&mut self, now_us: i64, quiet_us: i64, out: &mut Vec<Output>) {
        // A line that never falls quiet must not end the asking.
        let latest_us = now_us.saturating_add(10 * quiet_us + self.options.timeout_us());
        self.state.buffer.clear();
        self.state.phase = Phase::Draining(latest_us);
        out.push(Output::Drain { quiet_us });
        out.push(Output::Wake(Some(latest_us)));
    }

    /// What to ask now, or else when.
    pub(super) fn choice(&self, now_us: i64) -> Result<Ask, i64> {
        if let Some(errand) = self.state.errands.front() {
            return Ok(self.probe(errand.unit).unwrap_or(Ask::Command));
        }
        let due_us = |(i, block): (usize, &BlockState)| {
            let unit = self.plan.blocks[i].unit;
            (block.due_us.max(self.state.units[unit].resume_us), i, unit)
        };
        match self.state.blocks.iter().enumerate().map(due_us).min() {
            Some((due_us, i, unit)) if due_us <= now_us => {
                Ok(self.probe(unit).unwrap_or(Ask::Block(i)))
            }
            Some((due_us, ..)) => Err(due_us),
            None => Err(i64::MAX),
        }
    }

    pub(super) fn probe(&self, unit: usize) -> Option<Ask> {
        let state = &self.state.units[unit];
        let probes = self.plan.units[unit].probes.len();
        let is_wanted =
            state.is_unsettled && (state.knows_probes || state.in_vain < MOST_PROBES_IN_VAIN);
        (is_wanted && probes > 0).then(|| Ask::Probe(unit, state.next_probe % probes))
    }

    /// The silence before the next request, or the time until it is due.
    pub(super) fn next(&mut self, now_us: i64, out: &mut Vec<Output>) {
        match self.choice(now_us) {
            Ok(_) => self.drain(now_us, self.options.silence_us(), out),
            Err(due_us) => self.rest(due_us, out),
        }
    }

    pub(super) fn rest(&mut self, due_us: i64, out: &mut Vec<Output>) {
        self.state.phase = Phase::Idle;
        out.push(Output::Wake(Some(due_us)));
    }

    /// The line is quiet: sends what is due.
    pub(super) fn ask(&mut self, now_us: i64, out: &mut Vec<Output>) {
        let ask = match self.choice(now_us) {
            Ok(ask) => ask,
            Err(due_us) => return self.rest(due_us, out),
        };
        match ask {
            Ask::Block(i) => {
                // Keeps its beat; where it cannot, asks as often as it can.
                let block = &mut self.state.blocks[i];
                block.due_us =
                    block.due_us.saturating_add(self.plan.blocks[i].every_us).max(now_us);
            }
            Ask::Probe(unit, _) => {
                let state = &mut self.state.units[unit];
                state.next_probe = state.next_probe.wrapping_add(1);
            }
            Ask::Command => {}
        }
        let Some(bytes) = self.request(ask).map(Request::bytes) else { return };
        out.push(Output::Send { endpoint: 0, bytes });
        self.wait(now_us, ask, out);
    }

    pub(super) fn wait(&mut self, now_us: i64, ask: Ask, out: &mut Vec<Output>) {
        let latest_us = now_us.saturating_add(self.options.timeout_us());
        self.state.phase = Phase::Waiting(ask, latest_us);
        out.push(Output::Wake(Some(latest_us)));
    }

    /// The time for an answer runs from when the request is out. What was
    /// really sent says what is answered: a log may be read with another plan
    /// than it was asked with.
    pub(super) fn sent(&mut self, now_us: i64, bytes: &[u8], out: &mut Vec<Output>) {
        match (self.state.phase, self.asked_by(bytes)) {
            (Phase::Closed, _) => {}
            (_, Some(ask)) => self.wait(now_us, ask, out),
            // The answer to a request that is not ours is thrown away.
            (_, None) => {
                let latest_us = now_us.saturating_add(self.options.timeout_us());
                self.state.buffer.clear();
                self.state.phase = Phase::Draining(latest_us);
                out.push(Output::Wake(Some(latest_us)));
            }
        }
    }

    /// Which request these bytes are; the one waited for, if there are several
    /// of the same.
    fn asked_by(&self, bytes: &[u8]) -> Option<Ask> {
        let current = match self.state.phase {
            Phase::Waiting(ask, _) => Some(ask),
            _ => None,
        };
        let blocks = (0..self.plan.blocks.len()).map(Ask::Block);
        let units = self.plan.units.iter().enumerate();
        let probes = units.flat_map(|(i, u)| (0..u.probes.len()).map(move |p| Ask::Probe(i, p)));
        let all = current.into_iter().chain([Ask::Command]).chain(blocks).chain(probes);
        all.into_iter().find(|ask| self.request(*ask).is_some_and(|r| r.bytes() == bytes))
    }

    pub(super) fn deadline(&mut self, now_us: i64, out: &mut Vec<Output>) {
        match self.state.phase {
            Phase::Closed => {}
            Phase::Draining(latest_us) | Phase::Waiting(_, latest_us) if now_us < latest_us => {
                out.push(Output::Wake(Some(latest_us)));
            }
            Phase::Waiting(ask, _) => self.trouble(now_us, ask, Trouble::NoAnswer, out),
            Phase::Draining(_) => self.ask(now_us, out),
            Phase::Idle => self.next(now_us, out),
        }
    }

    pub(super) fn request(&self, ask: Ask) -> Option<&Request> {
        match ask {
            Ask::Probe(unit, probe) => self.plan.units[unit].probes.get(probe),
            Ask::Block(i) => self.plan.blocks.get(i).map(|block| &block.request),
            Ask::Command => self.state.errands.front().map(|errand| &errand.request),
        }
    }

    /// The place of the unit that is asked.
    pub(super) fn asked(&self, ask: Ask) -> usize {
        match ask {
            Ask::Probe(unit, _) => unit,
            Ask::Block(i) => self.plan.blocks[i].unit,
            Ask::Command => self.state.errands.front().map_or(0, |errand| errand.unit),
        }
    }
}
