//! The one clock of the process: the boot clock, which counts suspended time
//! and never runs backwards, beside the wall clock. Everything else in the
//! daemon asks here, so that demos and tests can scale or set it.

#[cfg(test)]
use std::sync::Mutex;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use ampledger_types::ClockObservation;
use rustix::time::{ClockId, clock_gettime};

/// How long a busy machine may keep a process waiting, real microseconds.
const HICCUP_US: f64 = 250_000.0;

/// Tells the time.
#[derive(Debug)]
pub struct Clock {
    boot_id: String,
    rate: f64,
    anchor: ClockObservation,
    hands: Hands,
}

#[derive(Debug)]
enum Hands {
    /// The system's own clocks.
    System,
    /// Set by a test: boot clock, wall clock, and time slept, microseconds.
    #[cfg(test)]
    Set(Mutex<(i64, i64, i64)>),
}

impl Clock {
    /// The system's clock as it is.
    pub fn system() -> Self {
        Clock { boot_id: kernel_boot_id(), rate: 1.0, anchor: real_now(), hands: Hands::System }
    }

    /// The system's clock sped up from an anchor on: where both run alike.
    /// Given the same anchor again, a restarted process goes on on the same
    /// axis.
    pub fn scaled(rate: f64, anchor: Option<ClockObservation>) -> Self {
        Clock {
            boot_id: scaled_boot_id(rate),
            rate,
            anchor: anchor.unwrap_or_else(real_now),
            hands: Hands::System,
        }
    }

    /// A clock that stands still until it is set.
    #[cfg(test)]
    pub fn standing(boot_id: &str, t_us: i64, unix_us: i64) -> Self {
        Clock {
            boot_id: boot_id.to_owned(),
            rate: 1.0,
            anchor: ClockObservation { t_us, unix_us, synchronised: true },
            hands: Hands::Set(Mutex::new((t_us, unix_us, 0))),
        }
    }

    /// Sets a standing clock.
    #[cfg(test)]
    pub fn set(&self, t_us: i64, unix_us: i64) {
        self.with_hands(|(t, unix, _)| (*t, *unix) = (t_us, unix_us));
    }

    /// Lets a standing clock pass some time, asleep or awake.
    #[cfg(test)]
    pub fn pass(&self, us: i64, asleep: bool) {
        self.with_hands(|(t, unix, slept)| {
            *t += us;
            *unix += us;
            *slept += if asleep { us } else { 0 };
        });
    }

    #[cfg(test)]
    fn with_hands(&self, act: impl FnOnce(&mut (i64, i64, i64))) {
        if let Hands::Set(hands) = &self.hands {
            act(&mut hands.lock().unwrap_or_else(|e| e.into_inner()));
        }
    }

    /// Whose axis [`Clock::now_us`] is on.
    pub fn boot_id(&self) -> &str {
        &self.boot_id
    }

    /// Real seconds are multiplied by this.
    pub fn rate(&self) -> f64 {
        self.rate
    }

    /// How much silence means nothing: on a scaled clock a hiccup of the
    /// machine looks like minutes.
    pub fn slack_us(&self) -> i64 {
        if self.rate == 1.0 { 0 } else { (HICCUP_US * self.rate) as i64 }
    }

    /// Boot clock, microseconds.
    pub fn now_us(&self) -> i64 {
        self.both().t_us
    }

    /// Wall clock, microseconds since 1970-01-01 UTC.
    pub fn unix_us(&self) -> i64 {
        self.both().unix_us
    }

    /// Both clocks at once, for the record. A scaled clock's dates are made
    /// up, so it is never synchronised.
    pub fn observation(&self, synchronised: bool) -> ClockObservation {
        ClockObservation { synchronised: synchronised && self.rate == 1.0, ..self.both() }
    }

    /// How long the machine slept since it was started, real microseconds.
    pub fn slept_us(&self) -> i64 {
        match &self.hands {
            #[cfg(test)]
            Hands::Set(hands) => hands.lock().unwrap_or_else(|e| e.into_inner()).2,
            Hands::System => {
                let (boot, awake) =
                    (clock_gettime(ClockId::Boottime), clock_gettime(ClockId::Monotonic));
                let us = |t: rustix::time::Timespec| t.tv_sec * 1_000_000 + t.tv_nsec / 1_000;
                us(boot) - us(awake)
            }
        }
    }

    /// Waits until the boot clock shows `t_us`.
    pub async fn sleep_until(&self, t_us: i64) {
        loop {
            let left_us = t_us.saturating_sub(self.now_us());
            if left_us <= 0 {
                return;
            }
            let real_us = (left_us as f64 / self.rate).ceil().clamp(1.0, 3.6e9);
            tokio::time::sleep(Duration::from_micros(real_us as u64)).await;
        }
    }

    fn both(&self) -> ClockObservation {
        match &self.hands {
            #[cfg(test)]
            Hands::Set(hands) => {
                let (t_us, unix_us, _) = *hands.lock().unwrap_or_else(|e| e.into_inner());
                ClockObservation { t_us, unix_us, synchronised: true }
            }
            Hands::System if self.rate == 1.0 => real_now(),
            Hands::System => self.anchor_plus(real_now().t_us - self.anchor.t_us),
        }
    }

    fn anchor_plus(&self, real_us: i64) -> ClockObservation {
        let scaled_us = (real_us as f64 * self.rate) as i64;
        ClockObservation {
            t_us: self.anchor.t_us + scaled_us,
            unix_us: self.anchor.unix_us + scaled_us,
            synchronised: false,
        }
    }
}

/// The boot id that a clock with this rate has on this boot of the machine.
pub fn scaled_boot_id(rate: f64) -> String {
    if rate == 1.0 { kernel_boot_id() } else { format!("{}*{rate}", kernel_boot_id()) }
}

fn real_now() -> ClockObservation {
    let boot = clock_gettime(ClockId::Boottime);
    let wall = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    ClockObservation {
        t_us: boot.tv_sec * 1_000_000 + boot.tv_nsec / 1_000,
        unix_us: i64::try_from(wall.as_micros()).unwrap_or(i64::MAX),
        synchronised: false,
    }
}

fn kernel_boot_id() -> String {
    match std::fs::read_to_string("/proc/sys/kernel/random/boot_id") {
        Ok(id) => id.trim().to_owned(),
        // Without it every process is a boot of its own: a break that cannot
        // be measured, but never a wrong length.
        Err(_) => format!("process-{}", uuid::Uuid::new_v4()),
    }
}

/// Whether the system says that its wall clock is synchronised. Asked of
/// `timedatectl`, which knows whatever keeps the time; silence is a no.
pub async fn is_synchronised() -> bool {
    let asked = tokio::process::Command::new("timedatectl")
        .args(["show", "--property=NTPSynchronized", "--value"])
        .stdin(std::process::Stdio::null())
        .kill_on_drop(true)
        .output();
    match tokio::time::timeout(Duration::from_secs(3), asked).await {
        Ok(Ok(answer)) => answer.stdout.trim_ascii() == b"yes",
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_restarted_scaled_clock_goes_on_on_the_same_axis() {
        let first = Clock::scaled(1000.0, None);
        let again = Clock::scaled(1000.0, Some(first.anchor));
        let (a, b) = (first.now_us(), again.now_us());
        assert!((a - b).abs() < 1_000_000_000, "{a} {b}");
        assert_eq!(first.boot_id(), again.boot_id());
        assert_ne!(first.boot_id(), Clock::system().boot_id());
    }

    #[tokio::test]
    async fn sleeping_is_scaled() {
        let clock = Clock::scaled(1_000_000.0, None);
        let start = clock.now_us();
        clock.sleep_until(start + 3_600_000_000).await;
        assert!(clock.now_us() - start >= 3_600_000_000);
    }
}
