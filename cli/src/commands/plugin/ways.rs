//! Gives a plugin a capture in several ways that must come to the same: as it
//! is, byte by byte, and in two processes, the second going on from the state of
//! the first.

use std::time::Duration;

use ampledger_boundary::{Described, Launch, Process};
use ampledger_decoders::Output;
use ampledger_types::{Frame, FrameKind};

use super::inputs::numbered;

/// What came of one way.
pub struct Run {
    /// Everything that was said, with the frame's place.
    pub outputs: Vec<(usize, Output)>,
    /// What each frame took.
    pub spent: Vec<Duration>,
}

/// As it is, one frame after the other, so that each has its time.
pub fn as_it_is(process: &mut Process, frames: &[Frame]) -> Result<Run, String> {
    let mut run = Run { outputs: Vec::new(), spent: Vec::new() };
    for (at, frame) in frames.iter().enumerate() {
        let reply = process.exchange(std::iter::once(frame)).map_err(|fault| fault.text)?;
        run.spent.push(reply.spent);
        run.outputs.extend(reply.outputs.into_iter().map(|(_, output)| (at, output)));
    }
    Ok(run)
}

/// Byte by byte. Only for a stream: what comes from several endpoints comes in
/// whole frames.
pub fn byte_by_byte(launch: &Launch, frames: &[Frame]) -> Result<Run, String> {
    let split = |frame: &Frame| -> Vec<Frame> {
        if frame.kind != FrameKind::Received {
            return vec![frame.clone()];
        }
        let one = |byte: &u8| Frame { payload: vec![*byte], ..frame.clone() };
        frame.payload.iter().map(one).collect()
    };
    let frames = numbered(frames.iter().flat_map(split).collect());
    let (mut process, _) = start(launch)?;
    as_it_is(&mut process, &frames)
}

/// The second half in another process, from the state of the first.
pub fn in_two_halves(launch: &Launch, frames: &[Frame]) -> Result<Run, String> {
    let (first, second) = frames.split_at(frames.len() / 2);
    let (mut process, _) = start(launch)?;
    let mut run = as_it_is(&mut process, first)?;
    let state = process.save().map_err(|fault| fault.text)?;
    let (mut process, _) = start(launch)?;
    let state = state.filter(|state| !state.is_empty());
    if let Some(state) = state {
        process.restore(&state).map_err(|fault| fault.text)??;
    }
    let rest = as_it_is(&mut process, second)?;
    run.outputs.extend(rest.outputs);
    Ok(run)
}

/// Starts a host.
pub fn start(launch: &Launch) -> Result<(Process, Described), String> {
    Process::start(launch).map_err(|fault| fault.text)
}

impl Run {
    /// Groups and values of all samples, as text: a missing value equals
    /// another.
    pub fn readings(&self) -> Vec<String> {
        let shown = |(_, output): &(usize, Output)| match output {
            Output::Sample(s) => Some(format!("{} {:?}", s.group.name, s.values)),
            _ => None,
        };
        self.outputs.iter().filter_map(shown).collect()
    }
}
