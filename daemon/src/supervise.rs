//! Keeps one source going for ever: opens it, lets it run until it ends, and
//! opens it again after a while. Knows no serial line and no radio, and what
//! happens to one source never touches another.

use std::future::Future;
use std::panic::AssertUnwindSafe;
use std::sync::Arc;
use std::time::Duration;

use ampledger_types::{Frame, MarkerKind};
use futures_util::FutureExt;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use crate::conversation::{Conversation, Ended};
use crate::source::Source;

/// Wait before the first retry; doubled each time.
const FIRST_WAIT: Duration = Duration::from_millis(250);
/// Longest wait between two tries.
const LONGEST_WAIT: Duration = Duration::from_secs(5);
/// A connection that held this long counts as stable: the wait starts afresh.
const STABLE: Duration = Duration::from_secs(10);

/// A kind of connection: how it is opened.
pub trait Opener: Send {
    /// What is opened.
    type Link: Link;

    /// Looks the device up afresh and opens it.
    fn open(&mut self) -> impl Future<Output = Result<Self::Link, String>> + Send;
}

/// An open connection.
pub trait Link: Send {
    /// Waits for what comes next. Dropping the future loses nothing.
    fn next(&mut self) -> impl Future<Output = Arrival> + Send;

    /// Writes bytes out.
    fn send(
        &mut self,
        endpoint: u16,
        bytes: &[u8],
    ) -> impl Future<Output = Result<(), String>> + Send;

    /// Is told how far the samples have come, so that a replay can keep pace.
    fn reached(&mut self, _t_us: i64) {}
}

/// What comes from a connection.
pub enum Arrival {
    /// Bytes, at a time of their own if the connection is a replay.
    Bytes {
        /// Which characteristic or address; 0 where there is only one.
        endpoint: u16,
        /// The bytes.
        bytes: Vec<u8>,
        /// The replay's time.
        at_us: Option<i64>,
    },
    /// An entry of a recorded frame log.
    Frame(Frame),
    /// The connection is gone, for this reason.
    Lost(String),
    /// A replay has come to its end.
    Finished,
}

/// Runs one source until the process stops. A panic in it is caught, told, and
/// costs this source a restart.
pub async fn supervise<O: Opener>(source: Arc<Source>, mut opener: O, stop: CancellationToken) {
    let mut wait = FIRST_WAIT;
    let mut told = String::new();
    // Opens and is lost again at once, time after time: that is one event.
    let mut flaps = false;
    while !stop.is_cancelled() {
        source.health.opening(source.clock());
        let began = Instant::now();
        let attempt =
            AssertUnwindSafe(run_once(&source, &mut opener, &stop, flaps)).catch_unwind().await;
        let reason = match attempt {
            Ok(Outcome::Stopped) => return,
            Ok(Outcome::Finished) => {
                source.health.finished(source.clock());
                tracing::info!(source = %source.name, "the replay has come to its end");
                return;
            }
            Ok(Outcome::CannotOpen(reason)) => {
                flaps = false;
                reason
            }
            Ok(Outcome::Lost(reason)) => {
                if began.elapsed() > STABLE {
                    wait = FIRST_WAIT;
                    told.clear();
                }
                flaps = told == reason;
                if !flaps {
                    source.mark(MarkerKind::SourceLost, format!("lost: {reason}"));
                }
                reason
            }
            Err(_) => "its task failed inside; this is a fault of the program".to_owned(),
        };
        let pause = jittered(wait);
        // The same trouble is told once, not at every try.
        if told != reason {
            tracing::warn!(source = %source.name, "{reason}; trying again every few seconds");
            told.clone_from(&reason);
        }
        let retry_us = source.clock().now_us() + real_to_clock_us(&source, pause);
        source.health.waiting(&reason, retry_us, source.clock());
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            () = stop.cancelled() => return,
        }
        wait = (wait * 2).min(LONGEST_WAIT);
    }
}

enum Outcome {
    Stopped,
    Finished,
    CannotOpen(String),
    Lost(String),
}

async fn run_once<O: Opener>(
    source: &Arc<Source>,
    opener: &mut O,
    stop: &CancellationToken,
    flaps: bool,
) -> Outcome {
    let opened = tokio::select! {
        opened = opener.open() => opened,
        () = stop.cancelled() => return Outcome::Stopped,
    };
    let mut link = match opened {
        Ok(link) => link,
        Err(reason) => return Outcome::CannotOpen(reason),
    };
    let conversation = match Conversation::begin(source.clone(), &mut link).await {
        Ok(conversation) => conversation,
        Err(reason) => return Outcome::CannotOpen(reason),
    };
    source.health.opened(source.clock());
    if !flaps {
        tracing::info!(source = %source.name, "open: {}", source.connection);
        source.mark(MarkerKind::SourceOpened, format!("opened: {}", source.connection));
    }
    match conversation.run(stop).await {
        Ended::Stopped => Outcome::Stopped,
        Ended::Finished => Outcome::Finished,
        Ended::Lost(reason) => Outcome::Lost(reason),
    }
}

fn jittered(wait: Duration) -> Duration {
    wait.mul_f64(0.8 + 0.4 * fastrand::f64())
}

fn real_to_clock_us(source: &Source, pause: Duration) -> i64 {
    (pause.as_micros() as f64 * source.clock().rate()) as i64
}

#[cfg(test)]
mod tests;
