//! Gives a source's frames to a decoder again, as they were given then.

use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_decoders::{Complaint, Driver, Identities, Input, Output};
use ampledger_store::{NumberedSample, Reader};
use ampledger_types::{DecodeSet, Frame};

use super::plan::Piece;
use super::{Reading, descriptor};
use crate::api::ApiError;

/// What is decoded, and by what.
#[derive(Clone, Debug)]
pub struct Replay {
    reading: Reading,
    set: DecodeSet,
}

/// What a decoder says when it reads frames again.
pub enum Said {
    /// A sample of the stretch; its number is not given yet.
    Sample(NumberedSample),
    /// Something it could not read.
    Complaint(Complaint),
}

impl Replay {
    /// For one source; the configuration is tried here.
    pub fn new(source: &str, reading: &Reading) -> Result<Replay, ApiError> {
        let descriptor = descriptor(&reading.decoder)?;
        let set = DecodeSet {
            source: source.to_owned(),
            decoder: descriptor.name.to_owned(),
            decoder_version: descriptor.version.to_owned(),
            config_digest: reading.config.digest(descriptor.name, descriptor.version),
            identity: None,
        };
        let replay = Replay { reading: reading.clone(), set };
        replay.driver()?;
        Ok(replay)
    }

    /// What decodes, without the instrument's identity.
    pub fn decode_set(&self) -> &DecodeSet {
        &self.set
    }

    fn driver(&self) -> Result<Driver, ApiError> {
        let descriptor = descriptor(&self.reading.decoder)?;
        let wrong = |problem: ampledger_decoders::ConfigProblem| {
            let message = format!("sources.{}: {problem}", self.set.source);
            ApiError::bad("bad_configuration", message)
        };
        Ok(Driver::new((descriptor.build)(&self.reading.config).map_err(wrong)?))
    }

    /// Reads a piece and calls `take` with what is said within its stretch.
    pub fn play(
        &self,
        reader: &Reader,
        piece: &Piece,
        mut take: impl FnMut(Said) -> ControlFlow<()>,
    ) -> Result<(), ApiError> {
        let mut playing = Playing {
            driver: self.driver()?,
            set: Arc::new(self.set.clone()),
            identities: Identities::default(),
            piece,
        };
        for (i, id) in piece.chunks.iter().enumerate() {
            let chunk = reader.chunk(*id)?;
            if let (0, true, Some(snapshot)) = (i, piece.is_restored, &chunk.snapshot) {
                let restored = playing.driver.restore(snapshot);
                restored.map_err(|error| ApiError::conflict("bad_snapshot", error.to_string()))?;
            }
            if playing.identities.text().is_none() {
                playing.identify(chunk.decode_set.identity.clone());
            }
            for frame in &chunk.frames {
                if playing.frame(frame, &mut take).is_break() {
                    return Ok(());
                }
            }
        }
        Ok(())
    }
}

/// A decoder on its way through a piece.
struct Playing<'a> {
    driver: Driver,
    set: Arc<DecodeSet>,
    identities: Identities,
    piece: &'a Piece,
}

impl Playing<'_> {
    fn frame(
        &mut self,
        frame: &Frame,
        take: &mut impl FnMut(Said) -> ControlFlow<()>,
    ) -> ControlFlow<()> {
        let stretch = self.piece.stretch.from_t_us..=self.piece.stretch.to_t_us;
        let mut command = None;
        // A command that cannot be read asked for nothing then either.
        let Ok(input) = Input::from_frame(frame, &mut command) else {
            return ControlFlow::Continue(());
        };
        let mut is_identified = false;
        let (_, outputs) = self.driver.give(frame.t_us, input);
        for output in outputs {
            match output {
                Output::Sample(sample) if stretch.contains(&sample.t_us) => {
                    let (run, decode_set) = (self.piece.stretch.run, self.set.clone());
                    take(Said::Sample(NumberedSample { seq: 0, run, decode_set, sample }))?;
                }
                Output::Complaint(complaint) if stretch.contains(&frame.t_us) => {
                    take(Said::Complaint(complaint))?;
                }
                Output::Identity { instrument, text } => {
                    self.identities.note(&instrument, &text);
                    is_identified = true;
                }
                // What it would ask for was asked, or not, back then.
                _ => {}
            }
        }
        if is_identified {
            self.identify(self.identities.text());
        }
        ControlFlow::Continue(())
    }

    fn identify(&mut self, identity: Option<String>) {
        if self.set.identity != identity {
            self.set = Arc::new(DecodeSet { identity, ..(*self.set).clone() });
        }
    }
}
