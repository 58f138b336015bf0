//! Upkeep of the record while it is written: small chunks are put together and
//! free pages given back, a little at a time. Never waits for the disk itself.

use std::sync::Arc;
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use crate::api::Daemon;

/// How often something little is done.
const EVERY: Duration = Duration::from_secs(60);
/// Pages given back at once.
const PAGES: u32 = 256;

/// Does it until the process stops.
pub async fn keep(daemon: Arc<Daemon>, stop: CancellationToken) {
    let mut every = tokio::time::interval(EVERY);
    // The first tick comes at once; the beginning has enough to do.
    every.tick().await;
    loop {
        tokio::select! {
            _ = every.tick() => {}
            () = stop.cancelled() => return,
        }
        let recorder = &daemon.intake.recorder;
        if recorder.trouble().is_some() || recorder.is_behind() {
            continue;
        }
        let done = recorder.with_store(|store| {
            store.compact_frames()?;
            match store.compact()? {
                0 => store.shrink(PAGES).map(drop),
                _ => Ok(()),
            }
        });
        match done.await {
            Ok(Ok(())) => {}
            Ok(Err(why)) => tracing::warn!("the record could not be tidied: {why}"),
            Err(why) => tracing::debug!("{why}"),
        }
    }
}
