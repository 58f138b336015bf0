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
/// So does one that gave readings and held this long.
const STABLE_WITH_SAMPLES: Duration = Duration::from_millis(500);

/// A kind of connection: how it is opened.
pub trait Opener: Send {
    /// What is opened.
    type Link: Link;

    /// Looks the device up afresh and opens it.
    fn open(&mut self) -> impl Future<Output = Result<Self::Link, String>> + Send;

    /// Waits until the device appears that was not there before: it is opened
    /// at once then, and not only at the next try.
    fn appears(&mut self) -> impl Future<Output = ()> + Send {
        std::future::pending()
    }

    /// Waits until nothing is left of an opening that was given up, but not
    /// for long.
    fn leave(&mut self) -> impl Future<Output = ()> + Send {
        std::future::ready(())
    }
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

    /// Is told how far the samples have come, so that a replay can keep pace,
    /// and whether that time was in what was just given.
    fn reached(&mut self, _t_us: i64, _is_own: bool) {}

    /// Takes leave in order, where the other end would not notice by itself.
    fn close(&mut self) -> impl Future<Output = ()> + Send {
        std::future::ready(())
    }
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

/// Runs one source until it is told to stop. A panic in it is caught, told,
/// and costs this source a restart.
pub async fn supervise<O: Opener>(source: Arc<Source>, mut opener: O, stop: CancellationToken) {
    let mut retries = Retries::default();
    while !stop.is_cancelled() {
        source.health.opening(source.clock());
        let began = Instant::now();
        let samples = source.health.samples();
        let attempt = AssertUnwindSafe(run_once(&source, &mut opener, &stop, &mut retries));
        let (reason, was_open) = match attempt.catch_unwind().await {
            Ok(Outcome::Stopped) => return,
            Ok(Outcome::Finished) => {
                source.health.finished(source.clock());
                tracing::info!(source = %source.name, "the replay has come to its end");
                return;
            }
            Ok(Outcome::CannotOpen(reason)) => (reason, false),
            Ok(Outcome::Lost(reason)) => (reason, true),
            Err(_) => (PANICKED.to_owned(), true),
        };
        let gave_samples = source.health.samples() > samples;
        let pause = retries.after(&source, &reason, was_open, Spell { began, gave_samples });
        let retry_us = source.clock().now_us() + real_to_clock_us(&source, pause);
        source.health.waiting(&reason, retry_us, was_open, source.clock());
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            () = opener.appears() => {}
            () = stop.cancelled() => return,
        }
    }
}

enum Outcome {
    Stopped,
    Finished,
    CannotOpen(String),
    Lost(String),
}

const PANICKED: &str = "its task failed inside; this is a fault of the program";

/// How a connection went.
struct Spell {
    began: Instant,
    gave_samples: bool,
}

impl Spell {
    fn was_stable(&self) -> bool {
        let held = self.began.elapsed();
        held > STABLE || (self.gave_samples && held > STABLE_WITH_SAMPLES)
    }
}

/// How long it is waited before the next try, and what of it is told.
#[derive(Default)]
struct Retries {
    /// Tries since the last stable spell.
    tries: u32,
    told: String,
    /// Opens and is lost again at once, time after time, with no reading in
    /// between: that is one event.
    flaps: bool,
    since: Option<Instant>,
}

impl Retries {
    /// What to do after a connection that is gone, or could not be made.
    fn after(&mut self, source: &Source, reason: &str, was_open: bool, spell: Spell) -> Duration {
        if was_open && spell.was_stable() {
            self.tries = 0;
            self.told.clear();
        }
        let is_news = self.told != reason;
        self.flaps = was_open && !is_news && !spell.gave_samples;
        if was_open && !self.flaps {
            source.mark(MarkerKind::SourceLost, format!("lost: {reason}"));
        }
        if was_open && spell.gave_samples {
            self.since = None;
        }
        self.since.get_or_insert_with(Instant::now);
        // The same trouble is told once, not at every try.
        if is_news {
            tracing::warn!(source = %source.name, "{reason}; trying again every few seconds");
            self.told = reason.to_owned();
        }
        let wait = FIRST_WAIT * 2u32.saturating_pow(self.tries);
        self.tries = (self.tries + 1).min(16);
        jittered(wait.min(LONGEST_WAIT))
    }

    /// It is open: told as loud as the loss was.
    fn opened(&mut self, source: &Source) {
        if self.flaps {
            return;
        }
        match self.since {
            None => tracing::info!(source = %source.name, "open: {}", source.connection),
            Some(since) => tracing::warn!(
                source = %source.name,
                "open again after {:.1} s: {}",
                since.elapsed().as_secs_f64(),
                source.connection
            ),
        }
        source.mark(MarkerKind::SourceOpened, format!("opened: {}", source.connection));
    }
}

async fn run_once<O: Opener>(
    source: &Arc<Source>,
    opener: &mut O,
    stop: &CancellationToken,
    retries: &mut Retries,
) -> Outcome {
    let opened = tokio::select! {
        opened = opener.open() => opened,
        () = stop.cancelled() => {
            opener.leave().await;
            return Outcome::Stopped;
        }
    };
    let mut link = match opened {
        Ok(link) => link,
        Err(reason) => return Outcome::CannotOpen(reason),
    };
    let conversation = match Conversation::begin(source.clone(), &mut link).await {
        Ok(conversation) => conversation,
        Err(reason) => {
            link.close().await;
            return Outcome::CannotOpen(reason);
        }
    };
    source.health.opened(source.clock());
    retries.opened(source);
    let ended = conversation.run(stop).await;
    link.close().await;
    match ended {
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
