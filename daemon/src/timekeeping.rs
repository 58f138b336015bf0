//! Notes how the boot clock and the wall clock lie to each other: at the
//! start, every hour, and whenever the wall clock is stepped or first set.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use ampledger_types::{ClockObservation, MarkerKind};
use tokio_util::sync::CancellationToken;

use crate::api::Daemon;
use crate::clock::{Clock, is_synchronised};

/// How often the clocks are compared.
const LOOK_EVERY: Duration = Duration::from_secs(10);
/// How often the system is asked whether its clock is synchronised.
const LOOKS_PER_QUESTION: u32 = 30;
/// How often an observation is noted though nothing changed.
const LOOKS_PER_NOTE: u32 = 360;
/// A smaller difference is slewing, not a step.
const STEP_US: i64 = 500_000;

/// Compares the clocks until the process stops.
pub async fn keep(daemon: Arc<Daemon>, stop: CancellationToken) {
    let mut last = note(&daemon);
    let mut dropped = 0;
    let mut looks: u32 = 0;
    let mut every = tokio::time::interval(LOOK_EVERY);
    loop {
        tokio::select! {
            _ = every.tick() => {}
            () = stop.cancelled() => return,
        }
        let mut is_news = looks.is_multiple_of(LOOKS_PER_NOTE) && looks > 0;
        if looks.is_multiple_of(LOOKS_PER_QUESTION) {
            let now = is_real(&daemon.intake.clock) && is_synchronised().await;
            is_news |= daemon.synchronised.swap(now, Ordering::Relaxed) != now;
        }
        looks = looks.wrapping_add(1);
        mark_dropped(&daemon, &mut dropped);
        let seen = daemon.intake.clock.observation(daemon.is_synchronised());
        if let Some(step_us) = step(&last, &seen) {
            let text = format!("the wall clock was stepped by {:+.1} s", step_us as f64 / 1e6);
            tracing::warn!("{text}; readings keep their distances, dates follow the new time");
            daemon.intake.mark(MarkerKind::ClockStep, None, text);
            is_news = true;
        }
        if is_news {
            last = note(&daemon);
        }
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

fn note(daemon: &Daemon) -> ClockObservation {
    let seen = daemon.intake.clock.observation(daemon.is_synchronised());
    daemon.intake.recorder.observation(daemon.intake.clock.boot_id(), seen);
    seen
}

/// By how much the wall clock moved against the boot clock, if it was a step.
fn step(before: &ClockObservation, now: &ClockObservation) -> Option<i64> {
    let moved = (now.unix_us - before.unix_us) - (now.t_us - before.t_us);
    (moved.abs() > STEP_US).then_some(moved)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_told_from_slewing() {
        let clock = Clock::standing("boot", 0, 1_000_000_000);
        let before = clock.observation(true);
        clock.set(10_000_000, 1_010_400_000);
        assert_eq!(step(&before, &clock.observation(true)), None);
        clock.set(10_000_000, 4_610_000_000);
        assert_eq!(step(&before, &clock.observation(true)), Some(3_600_000_000));
    }
}
