//! How often one source's plugin has failed: how long to wait before the next
//! try, and when to stop trying. It outlives the connections of its source.

use std::collections::VecDeque;
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// Wait before the first new start; doubled each time.
pub const FIRST_WAIT: Duration = Duration::from_millis(250);
/// Longest wait between two starts.
pub const LONGEST_WAIT: Duration = Duration::from_secs(5);
/// So many failures …
pub const MOST_FAILURES: usize = 5;
/// … within this time, and the plugin is set aside.
pub const WITHIN: Duration = Duration::from_secs(600);
/// A plugin that held this long counts as stable: the wait starts afresh.
const STABLE: Duration = Duration::from_secs(60);

/// One source's plugin's failures.
#[derive(Debug, Default)]
pub struct FailureRecord {
    inner: Mutex<Inner>,
}

#[derive(Debug, Default)]
struct Inner {
    failures: VecDeque<Instant>,
    in_a_row: u32,
    set_aside: Option<String>,
}

impl FailureRecord {
    /// Why the plugin is not used any more, if it is not.
    pub fn set_aside(&self) -> Option<String> {
        self.with(|inner| inner.set_aside.clone())
    }

    /// It failed once more; `again` at what it failed at before, which counts
    /// once. Returns how long to wait before it is started again; `None` where it
    /// is set aside.
    pub fn failed(&self, reason: &str, again: bool, now: Instant) -> Option<Duration> {
        self.with(|inner| {
            let before = inner.failures.back().copied();
            if before.is_none_or(|at| now.duration_since(at) > STABLE) {
                inner.in_a_row = 0;
            }
            if again {
                inner.failures.pop_back();
            }
            inner.failures.retain(|at| now.duration_since(*at) <= WITHIN);
            inner.failures.push_back(now);
            inner.in_a_row += 1;
            if inner.failures.len() >= MOST_FAILURES {
                inner.set_aside = Some(format!(
                    "its plugin is set aside: it failed {MOST_FAILURES} times within {} minutes, \
                     last: {reason}. What arrives is still kept; repair or replace the plugin, \
                     then run `ampledger reload`",
                    WITHIN.as_secs() / 60
                ));
                return None;
            }
            let doubled = FIRST_WAIT * 2u32.saturating_pow(inner.in_a_row - 1);
            Some(doubled.min(LONGEST_WAIT).mul_f64(0.8 + 0.4 * fastrand::f64()))
        })
    }

    /// What it failed at is dealt with: the wait starts afresh.
    pub fn settled(&self) {
        self.with(|inner| inner.in_a_row = 0);
    }

    fn with<T>(&self, act: impl FnOnce(&mut Inner) -> T) -> T {
        act(&mut self.inner.lock().unwrap_or_else(|e| e.into_inner()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_and_the_fifth_failure_sets_it_aside() {
        let (record, now) = (FailureRecord::default(), Instant::now());
        let mut last = Duration::ZERO;
        for n in 1..MOST_FAILURES as u64 {
            let wait = record.failed("it crashed", false, now + Duration::from_secs(n)).unwrap();
            assert!(wait > last, "{wait:?} after {last:?}");
            last = wait;
        }
        assert_eq!(record.set_aside(), None);
        assert_eq!(record.failed("it crashed", false, now + Duration::from_secs(9)), None);
        assert!(record.set_aside().unwrap().contains("it crashed"));
    }

    #[test]
    fn a_failure_now_and_then_is_forgiven() {
        let (record, now) = (FailureRecord::default(), Instant::now());
        for n in 0..20 {
            let wait = record.failed("it crashed", false, now + WITHIN * n / 3).unwrap();
            assert!(wait <= FIRST_WAIT * 2, "the wait starts afresh");
        }
    }

    #[test]
    fn one_input_that_was_tried_twice_counts_once() {
        let (record, now) = (FailureRecord::default(), Instant::now());
        for input in 1..MOST_FAILURES as u64 {
            let at = now + Duration::from_secs(input);
            assert!(record.failed("it crashed", false, at).is_some_and(|w| w < FIRST_WAIT * 2));
            assert!(record.failed("it crashed", true, at).is_some());
            record.settled();
        }
        assert_eq!(record.failed("it crashed", false, now + Duration::from_secs(9)), None);
    }
}
