//! Gives a source's frames to a decoder again, as they were given then.

use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_decoders::{Complaint, Identities, Output};
use ampledger_store::{NumberedSample, Reader};
use ampledger_types::{DecodeSet, Frame};

use super::Reading;
use super::plan::Piece;
use super::player::Player;
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
        let (_, set) = Player::begin(source, reading)?;
        Ok(Replay { reading: reading.clone(), set })
    }

    /// What decodes, without the instrument's identity.
    pub fn decode_set(&self) -> &DecodeSet {
        &self.set
    }

    /// Reads a piece and calls `take` with what is said within its stretch.
    pub fn play(
        &self,
        reader: &Reader,
        piece: &Piece,
        mut take: impl FnMut(Said) -> ControlFlow<()>,
    ) -> Result<(), ApiError> {
        let (mut player, _) = Player::begin(&self.set.source, &self.reading)?;
        let set = Arc::new(self.set.clone());
        let mut playing = Playing { set, identities: Identities::default(), piece };
        for (i, head) in piece.chunks.iter().enumerate() {
            let Some(chunk) = reader.chunk(head)? else {
                let message = "frames went while they were decoded again; give the command again";
                return Err(ApiError::conflict("frames_gone", message));
            };
            if let (0, true, Some(snapshot)) = (i, piece.is_restored, &chunk.snapshot) {
                player.restore(snapshot)?;
            }
            if playing.identities.text().is_none() {
                playing.identify(chunk.decode_set.identity.clone());
            }
            let take = |frame: &Frame, output| playing.said(frame, output, &mut take).is_continue();
            if !player.give(&chunk.frames, take)? {
                return Ok(());
            }
        }
        Ok(())
    }
}

/// What a decoder says on its way through a piece.
struct Playing<'a> {
    set: Arc<DecodeSet>,
    identities: Identities,
    piece: &'a Piece,
}

impl Playing<'_> {
    fn said(
        &mut self,
        frame: &Frame,
        output: Output,
        take: &mut impl FnMut(Said) -> ControlFlow<()>,
    ) -> ControlFlow<()> {
        let stretch = self.piece.stretch.from_t_us..=self.piece.stretch.to_t_us;
        match output {
            Output::Sample(sample) if stretch.contains(&sample.t_us) => {
                let (run, decode_set) = (self.piece.stretch.run, self.set.clone());
                take(Said::Sample(NumberedSample { seq: 0, run, decode_set, sample }))
            }
            Output::Complaint(complaint) if stretch.contains(&frame.t_us) => {
                take(Said::Complaint(complaint))
            }
            Output::Identity { instrument, text } => {
                self.identities.note(&instrument, &text);
                self.identify(self.identities.text());
                ControlFlow::Continue(())
            }
            // What it would ask for was asked, or not, back then.
            _ => ControlFlow::Continue(()),
        }
    }

    fn identify(&mut self, identity: Option<String>) {
        if self.set.identity != identity {
            self.set = Arc::new(DecodeSet { identity, ..(*self.set).clone() });
        }
    }
}
