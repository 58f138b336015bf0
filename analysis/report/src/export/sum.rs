//! A text on its way out: collected to pieces of some size, with the checksum of
//! all that went.

use std::io::Write;

use sha2::{Digest, Sha256};

use crate::numbers::Text;

/// Bytes that are written at once.
const PIECE_BYTES: usize = 64 << 10;
/// Room for the line that goes beyond.
const ROOM_BYTES: usize = 2 << 10;

/// Writes on in pieces and keeps the checksum of what went through.
pub(super) struct Summed<W> {
    out: W,
    hash: Sha256,
    piece: Text,
}

impl<W: Write> Summed<W> {
    pub(super) fn new(out: W) -> Summed<W> {
        Summed { out, hash: Sha256::new(), piece: Text::of_capacity(PIECE_BYTES) }
    }

    /// Where to put what follows.
    pub(super) fn text(&mut self) -> &mut Text {
        &mut self.piece
    }

    /// Writes, once there is enough.
    pub(super) fn give(&mut self) -> std::io::Result<()> {
        match self.piece.as_bytes().len() >= PIECE_BYTES - ROOM_BYTES {
            true => self.write(),
            false => Ok(()),
        }
    }

    /// Writes the rest; the checksum, hexadecimal.
    pub(super) fn finish(mut self) -> std::io::Result<String> {
        self.write()?;
        self.out.flush()?;
        Ok(self.hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
    }

    fn write(&mut self) -> std::io::Result<()> {
        self.hash.update(self.piece.as_bytes());
        self.out.write_all(self.piece.as_bytes())?;
        self.piece.clear();
        Ok(())
    }
}
