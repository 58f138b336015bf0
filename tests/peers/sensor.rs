//! A meter that prints a line at a fixed pace, whatever the daemon does.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::cable::Cable;

/// A printing meter. It falls silent when it is dropped or its model ends.
pub struct Sensor {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Default)]
struct Shared {
    stop: AtomicBool,
    sent: AtomicU64,
}

impl Sensor {
    /// Prints what `model` says every `pace`. The model is given the time
    /// since the first line, in seconds; `None` ends it.
    pub fn start(
        cable: &Cable,
        pace: Duration,
        mut model: impl FnMut(f64) -> Option<String> + Send + 'static,
    ) -> Sensor {
        let shared = Arc::new(Shared::default());
        let (cable, for_thread) = (cable.clone(), Arc::clone(&shared));
        let thread = std::thread::spawn(move || {
            let begin = Instant::now();
            let mut due = begin;
            while !for_thread.stop.load(Ordering::Relaxed) {
                let Some(printed) = model(begin.elapsed().as_secs_f64()) else { break };
                cable.send(printed.as_bytes());
                for_thread.sent.fetch_add(1, Ordering::Relaxed);
                due += pace;
                std::thread::sleep(due.saturating_duration_since(Instant::now()));
            }
        });
        Sensor { shared, thread: Some(thread) }
    }

    /// Prints the same reading for ever, as [`line`] writes it.
    pub fn steady(cable: &Cable, pace: Duration, volt: f64, ampere: f64) -> Sensor {
        Sensor::start(cable, pace, move |_| Some(line(volt, ampere)))
    }

    /// Lines printed so far.
    pub fn sent(&self) -> u64 {
        self.shared.sent.load(Ordering::Relaxed)
    }

    /// Waits until its model has come to its end; the number of lines printed.
    pub fn finish(mut self) -> u64 {
        if let Some(thread) = self.thread.take() {
            thread.join().expect("the sensor failed");
        }
        self.sent()
    }

    /// Falls silent; the number of lines printed.
    pub fn silence(self) -> u64 {
        self.shared.stop.store(true, Ordering::Relaxed);
        self.finish()
    }
}

impl Drop for Sensor {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // The test that is ending has its own failure to tell.
            let _ = thread.join();
        }
    }
}

/// A line of the meter on the bench: `U=26.412 I=-12.100`, in volt and ampere.
pub fn line(volt: f64, ampere: f64) -> String {
    format!("U={volt:.4} I={ampere:.4}\n")
}
