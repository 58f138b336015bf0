//! What decodes frames again: a decoder that is built in, or a plugin in a
//! process of its own. A plugin that fails ends the redecoding, which has
//! changed nothing by then.

use std::sync::Arc;

use ampledger_boundary::remote::MOST_IN_BATCH;
use ampledger_boundary::{Fault, Process};
use ampledger_decoders::config::plugin::PLUGIN;
use ampledger_decoders::{ConfigProblem, Driver, Input, Output, builtin};
use ampledger_types::{DecodeSet, Frame};

use super::Reading;
use crate::api::ApiError;
use crate::plugin;

/// A fresh decoder.
pub enum Player {
    /// In this process.
    Here(Box<Driver>),
    /// In its own.
    There(Box<Process>),
}

impl Player {
    /// A decoder for one source, and what it is.
    pub fn begin(source: &str, reading: &Reading) -> Result<(Player, DecodeSet), ApiError> {
        if let Some(config) = &reading.plugin {
            let launch = plugin::launch(config, reading.config.clone(), Arc::default());
            let started = launch.and_then(|launch| Process::start(&launch));
            let (process, described) = started.map_err(|fault| failed(source, &fault))?;
            let name = format!("{PLUGIN} {}", described.name);
            let set = set(source, reading, (&name, &described.version));
            return Ok((Player::There(Box::new(process)), set));
        }
        let name = &reading.decoder;
        let descriptor = builtin::find(name).ok_or_else(|| {
            ApiError::bad("no_such_decoder", format!("there is no decoder `{name}`"))
        })?;
        let wrong = |problem: ConfigProblem| {
            ApiError::bad("bad_configuration", format!("sources.{source}: {problem}"))
        };
        let driver = Driver::new((descriptor.build)(&reading.config).map_err(wrong)?);
        let set = set(source, reading, (descriptor.name, descriptor.version));
        Ok((Player::Here(Box::new(driver)), set))
    }

    /// Takes up a state that was saved.
    pub fn restore(&mut self, state: &[u8]) -> Result<(), ApiError> {
        let refused = |why: String| ApiError::conflict("bad_snapshot", why);
        match self {
            Player::Here(driver) => driver.restore(state).map_err(|e| refused(e.to_string())),
            // Nothing stands for a decoder that was given nothing yet.
            Player::There(_) if state.is_empty() => Ok(()),
            Player::There(process) => {
                process.restore(state).map_err(|fault| failed("", &fault))?.map_err(refused)
            }
        }
    }

    /// Gives frames again; calls `take` with each thing that is said, and the
    /// frame it is said of, until that is `false`. Returns whether it went
    /// through.
    pub fn give(
        &mut self,
        frames: &[Frame],
        mut take: impl FnMut(&Frame, Output) -> bool,
    ) -> Result<bool, ApiError> {
        match self {
            Player::Here(driver) => Ok(frames.iter().all(|frame| {
                let mut command = None;
                // A command that cannot be read asked for nothing then either.
                let Ok(input) = Input::from_frame(frame, &mut command) else { return true };
                driver.give_again(frame.t_us, input).all(|output| take(frame, output))
            })),
            Player::There(process) => {
                let mut left = frames;
                while !left.is_empty() {
                    let batch = &left[..left.len().min(MOST_IN_BATCH)];
                    let reply =
                        process.exchange(batch.iter()).map_err(|fault| failed("", &fault))?;
                    for (number, output) in reply.outputs {
                        let frame = batch.iter().find(|frame| frame.number == number);
                        if frame.is_some_and(|frame| !take(frame, output)) {
                            return Ok(false);
                        }
                    }
                    let done = batch.iter().take_while(|f| f.number <= reply.acknowledged).count();
                    left = &left[done.max(1)..];
                }
                Ok(true)
            }
        }
    }
}

fn set(source: &str, reading: &Reading, (name, version): (&str, &str)) -> DecodeSet {
    DecodeSet {
        source: source.to_owned(),
        decoder: name.to_owned(),
        decoder_version: version.to_owned(),
        config_digest: reading.config.digest(name, version),
        identity: None,
    }
}

fn failed(source: &str, fault: &Fault) -> ApiError {
    let whose = if source.is_empty() { String::new() } else { format!("sources.{source}: ") };
    ApiError::conflict("plugin_failed", format!("{whose}{}", fault.text))
}
