//! Reading the store off the main thread: short, on a connection of its own,
//! beside the recorder that writes.

use std::path::Path;

use ampledger_store::Reader;

use crate::api::ApiError;

/// Runs a reading piece of work on the store at `path`.
pub async fn read<T: Send + 'static>(
    path: &Path,
    work: impl FnOnce(&Reader) -> Result<T, ApiError> + Send + 'static,
) -> Result<T, ApiError> {
    let path = path.to_owned();
    let done = tokio::task::spawn_blocking(move || work(&Reader::open(&path)?)).await;
    done.map_err(|_| ApiError::inside())?
}

/// Names the chunks of the frame log that a reader could not read.
pub fn warn_of_frames(reader: &Reader) {
    for chunk in reader.damaged_frames() {
        let ampledger_store::DamagedFrames { id, source, frames, detail, .. } = chunk;
        tracing::warn!(
            source,
            "chunk {id} of the frame log, {frames} frames, is left out: {detail}"
        );
    }
}
