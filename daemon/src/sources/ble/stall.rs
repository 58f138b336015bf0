//! How long a connection may be silent before it counts as hung. Learns the
//! instrument's own pace, also that of one that is slower than was thought.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::time::Instant;

/// Intervals that are remembered to know what is usual.
const INTERVALS: usize = 16;
/// Silence of this many usual intervals is no pause (bench rules: dark).
const USUAL: u32 = 5;
/// How often the limit is doubled at most while nothing comes at all.
const DOUBLINGS: u32 = 5;

/// What is known of the instrument's pace, over all its connections.
#[derive(Clone, Debug)]
pub struct Patience(Arc<Mutex<Known>>);

#[derive(Debug)]
struct Known {
    least: Duration,
    intervals: VecDeque<Duration>,
    last: Option<Instant>,
    /// Connections since something came: each is given twice the time.
    silent: u32,
}

impl Patience {
    /// Never less than this.
    pub fn new(least: Duration) -> Self {
        let known = Known { least, intervals: VecDeque::new(), last: None, silent: 0 };
        Patience(Arc::new(Mutex::new(known)))
    }

    /// A connection begins: the pause before it is no interval.
    pub fn begin(&self) {
        self.with(|known| known.last = None);
    }

    /// Something came.
    pub fn heard(&self) {
        self.with(|known| {
            let now = Instant::now();
            known.silent = 0;
            if let Some(last) = known.last.replace(now) {
                if known.intervals.len() == INTERVALS {
                    known.intervals.pop_front();
                }
                known.intervals.push_back(now - last);
            }
        });
    }

    /// A connection ended although nothing had come on it for the whole limit.
    pub fn was_silent(&self) {
        self.with(|known| {
            if known.last.is_none() {
                known.silent = (known.silent + 1).min(DOUBLINGS);
            }
        });
    }

    /// How long silence may last now.
    pub fn limit(&self) -> Duration {
        self.with(|known| {
            let mut sorted: Vec<Duration> = known.intervals.iter().copied().collect();
            sorted.sort_unstable();
            let usual = sorted.get(sorted.len() / 2).copied().unwrap_or_default();
            known.least.max(usual * USUAL) * (1 << known.silent)
        })
    }

    fn with<T>(&self, act: impl FnOnce(&mut Known) -> T) -> T {
        act(&mut self.0.lock().unwrap_or_else(|e| e.into_inner()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: fn(u64) -> Duration = Duration::from_secs;

    #[tokio::test(start_paused = true)]
    async fn the_limit_follows_the_instruments_pace() {
        let patience = Patience::new(S(30));
        patience.begin();
        for _ in 0..20 {
            patience.heard();
            tokio::time::advance(S(20)).await;
        }
        assert_eq!(patience.limit(), S(100));
    }

    #[tokio::test(start_paused = true)]
    async fn a_slow_instrument_is_waited_for_longer_each_time_until_it_speaks() {
        let patience = Patience::new(S(30));
        for expected in [30, 60, 120] {
            patience.begin();
            assert_eq!(patience.limit(), S(expected));
            patience.was_silent();
        }
        for _ in 0..10 {
            patience.was_silent();
        }
        assert_eq!(patience.limit(), S(30 * 32), "but not for ever");
        patience.begin();
        patience.heard();
        assert_eq!(patience.limit(), S(30));
        patience.was_silent();
        assert_eq!(patience.limit(), S(30), "it spoke, then hung: that is no slow instrument");
    }
}
