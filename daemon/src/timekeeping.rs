//! Notes how the boot clock and the wall clock lie to each other: at the
//! start, every hour, and whenever the wall clock is stepped or first set. Says
//! in the record when dates cannot be trusted, and when the machine slept.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use ampledger_types::{ClockObservation, MarkerKind};
use tokio_util::sync::CancellationToken;

use crate::api::Daemon;
use crate::clock::{Clock, is_synchronised};
use crate::intake::Intake;

/// How often the clocks are compared.
const LOOK_EVERY: Duration = Duration::from_secs(10);
/// How often the system is asked whether its clock is synchronised.
const LOOKS_PER_QUESTION: u32 = 30;
/// An observation is noted after so long though nothing changed.
const NOTE_EVERY_US: i64 = 3_600_000_000;
/// A smaller difference between two looks is slewing, not a step.
const STEP_US: i64 = 500_000;
/// Slewing that dates should follow.
const DRIFT_US: i64 = 100_000;
/// A shorter sleep is the reading of two clocks one after the other.
const SLEEP_US: i64 = 1_000_000;

/// Compares the clocks until the process stops.
pub async fn keep(daemon: Arc<Daemon>, stop: CancellationToken) {
    let mut keeper = Timekeeper::begin(&daemon.intake);
    let mut dropped = 0;
    let mut looks: u32 = 0;
    let mut every = tokio::time::interval(LOOK_EVERY);
    loop {
        tokio::select! {
            _ = every.tick() => {}
            () = stop.cancelled() => return,
        }
        if looks.is_multiple_of(LOOKS_PER_QUESTION) {
            let now = is_real(&daemon.intake.clock) && is_synchronised().await;
            daemon.synchronised.store(now, Ordering::Relaxed);
        }
        looks = looks.wrapping_add(1);
        mark_dropped(&daemon, &mut dropped);
        keeper.look(&daemon.intake, daemon.is_synchronised());
    }
}

/// Readings that found no room are a gap in the record, and marked as one.
fn mark_dropped(daemon: &Daemon, before: &mut u64) {
    let dropped = daemon.intake.recorder.dropped_samples();
    if dropped > *before {
        let text = format!("{} readings were dropped: no room to keep them", dropped - *before);
        tracing::error!("{text}");
        daemon.intake.mark(MarkerKind::Gap, None, text);
        *before = dropped;
    }
}

fn is_real(clock: &Clock) -> bool {
    clock.rate() == 1.0
}

/// What was seen of the clocks so far.
struct Timekeeper {
    noted: ClockObservation,
    seen: ClockObservation,
    slept_us: i64,
    /// Whether dates could be trusted at the last look; `None` before it.
    trusted: Option<bool>,
}

impl Timekeeper {
    /// Notes how the clocks lie now, before anybody was asked whether the wall
    /// clock is right.
    fn begin(intake: &Intake) -> Timekeeper {
        let seen = intake.clock.observation(false);
        intake.recorder.observation(intake.clock.boot_id(), seen);
        let slept_us = intake.clock.slept_us();
        Timekeeper { noted: seen, seen, slept_us, trusted: None }
    }

    /// Looks at the clocks: marks what happened to them, and notes how they lie
    /// if that is news.
    fn look(&mut self, intake: &Intake, synchronised: bool) {
        let now = intake.clock.observation(synchronised);
        let is_news = [
            self.has_slept(intake),
            self.was_stepped(intake, &now),
            self.changed_trust(intake, synchronised),
            moved(&self.noted, &now).abs() > DRIFT_US,
            now.t_us - self.noted.t_us >= NOTE_EVERY_US,
        ];
        self.seen = now;
        if is_news.contains(&true) {
            intake.recorder.observation(intake.clock.boot_id(), now);
            self.noted = now;
        }
    }

    fn has_slept(&mut self, intake: &Intake) -> bool {
        let slept_us = intake.clock.slept_us();
        let asleep_us = slept_us - std::mem::replace(&mut self.slept_us, slept_us);
        if asleep_us < SLEEP_US || !is_real(&intake.clock) {
            return false;
        }
        let text = format!(
            "the machine slept for {:.1} s: nothing was recorded meanwhile",
            asleep_us as f64 / 1e6
        );
        tracing::warn!("{text}");
        intake.mark(MarkerKind::Suspended, None, text);
        true
    }

    fn was_stepped(&self, intake: &Intake, now: &ClockObservation) -> bool {
        let step_us = moved(&self.seen, now);
        if step_us.abs() <= STEP_US {
            return false;
        }
        let text = format!("the wall clock was stepped by {:+.1} s", step_us as f64 / 1e6);
        tracing::warn!("{text}; readings keep their distances, dates follow the new time");
        intake.mark(MarkerKind::ClockStep, None, text);
        true
    }

    fn changed_trust(&mut self, intake: &Intake, now: bool) -> bool {
        let before = self.trusted.replace(now);
        let text = match (before, now) {
            // A scaled clock's dates are made up, and said to be so elsewhere.
            _ if !is_real(&intake.clock) => return false,
            (None, false) => "the wall clock is not set: dates are put right when it is",
            (Some(true), false) => "the wall clock is not synchronised any more",
            (Some(false), true) => {
                "the wall clock is set: everything since this machine was started is dated by it"
            }
            (None, true) => return true,
            (Some(true), true) | (Some(false), false) => return false,
        };
        tracing::info!("{text}");
        intake.mark(MarkerKind::ClockTrust, None, text.to_owned());
        true
    }
}

/// By how much the wall clock moved against the boot clock.
fn moved(before: &ClockObservation, now: &ClockObservation) -> i64 {
    (now.unix_us - before.unix_us) - (now.t_us - before.t_us)
}

#[cfg(test)]
mod tests;
