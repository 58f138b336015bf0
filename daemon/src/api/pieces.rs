//! Bodies of any length, written piece by piece by a thread of their own: each
//! needs the same memory, and a slow reader holds nothing else up.

use std::io::{self, Write};

use axum::body::{Body, Bytes};
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;

/// Bytes sent at once.
const PIECE_BYTES: usize = 64 << 10;
/// Pieces that may wait for a slow reader.
const PIECES: usize = 8;

/// A body that `fill` writes.
pub fn body<E: ToString>(
    fill: impl FnOnce(&mut dyn Write) -> Result<(), E> + Send + 'static,
) -> Body {
    let (pieces, body) = mpsc::channel::<io::Result<Bytes>>(PIECES);
    tokio::task::spawn_blocking(move || {
        let mut out = Pieces { pieces: pieces.clone(), buffer: Vec::with_capacity(PIECE_BYTES) };
        let filled = fill(&mut out).map_err(|error| io::Error::other(error.to_string()));
        // A broken body is the only way to tell a reader that it is not whole.
        if let Err(error) = filled.and_then(|()| out.flush()) {
            let _ = pieces.blocking_send(Err(error));
        }
    });
    Body::from_stream(ReceiverStream::new(body))
}

/// Collects what is written into pieces and hands them to the connection.
struct Pieces {
    pieces: mpsc::Sender<io::Result<Bytes>>,
    buffer: Vec<u8>,
}

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.buffer.extend_from_slice(bytes);
        if self.buffer.len() >= PIECE_BYTES {
            self.flush()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.buffer.is_empty() {
            return Ok(());
        }
        let piece = Bytes::from(std::mem::take(&mut self.buffer));
        let sent = self.pieces.blocking_send(Ok(piece));
        sent.map_err(|_| io::Error::new(io::ErrorKind::BrokenPipe, "the reader has gone"))
    }
}
