//! An electronic load that speaks SCPI: it only answers when it is asked, and
//! can be slow, mute or wrong. Message forms after IEEE 488.2 (`*IDN?`, one
//! answer a query, newline at the end) and SCPI-1999 volume 2 (`MEASure`,
//! `SYSTem:ERRor?`).

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::cable::Cable;

/// How the instrument answers.
#[derive(Clone, Debug)]
pub struct Manners {
    /// Terminal voltage, V.
    pub volt: f64,
    /// Current as it counts it, A.
    pub ampere: f64,
    /// Serial number in its identification.
    pub serial_number: String,
    /// Every so many answers one comes late; 0 for never.
    pub late_every: u64,
    /// How late.
    pub late: Duration,
    /// Says nothing at all.
    pub mute: bool,
    /// Answers with this instead of a number.
    pub instead: Option<String>,
}

impl Default for Manners {
    fn default() -> Self {
        Manners {
            volt: 26.4,
            ampere: -12.1,
            serial_number: "1207".to_owned(),
            late_every: 0,
            late: Duration::ZERO,
            mute: false,
            instead: None,
        }
    }
}

/// The instrument at the end of a cable.
pub struct Scpi {
    shared: Arc<Mutex<Shared>>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Default)]
struct Shared {
    manners: Manners,
    asked: u64,
    late: u64,
    told: Vec<String>,
    stop: bool,
}

impl Scpi {
    /// Switches it on.
    pub fn start(cable: &Cable, manners: Manners) -> Scpi {
        let shared = Arc::new(Mutex::new(Shared { manners, ..Shared::default() }));
        let (cable, for_thread) = (cable.clone(), Arc::clone(&shared));
        let thread = std::thread::spawn(move || answer(&cable, &for_thread));
        Scpi { shared, thread: Some(thread) }
    }

    /// Changes how it answers from now on.
    pub fn behave(&self, change: impl FnOnce(&mut Manners)) {
        change(&mut lock(&self.shared).manners);
    }

    /// Questions it was asked.
    pub fn asked(&self) -> u64 {
        lock(&self.shared).asked
    }

    /// Lines that it was told and that ask nothing.
    pub fn told(&self) -> Vec<String> {
        lock(&self.shared).told.clone()
    }

    /// Answers it gave late.
    pub fn late(&self) -> u64 {
        lock(&self.shared).late
    }
}

impl Drop for Scpi {
    fn drop(&mut self) {
        // A poisoned lock means that the thread has ended by itself.
        if let Ok(mut shared) = self.shared.lock() {
            shared.stop = true;
        }
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn lock(shared: &Mutex<Shared>) -> MutexGuard<'_, Shared> {
    shared.lock().expect("another thread of this test failed")
}

/// Reads questions and sends each answer when it is due.
fn answer(cable: &Cable, shared: &Mutex<Shared>) {
    let mut heard = Vec::new();
    let mut due: VecDeque<(Instant, String)> = VecDeque::new();
    while !lock(shared).stop {
        heard.extend(cable.receive());
        while let Some(end) = heard.iter().position(|byte| *byte == b'\n') {
            let line: Vec<u8> = heard.drain(..=end).collect();
            due.extend(lock(shared).take(&String::from_utf8_lossy(&line)));
        }
        while due.front().is_some_and(|(when, _)| *when <= Instant::now()) {
            if let Some((_, text)) = due.pop_front() {
                cable.send(text.as_bytes());
            }
        }
    }
}

impl Shared {
    /// What is sent for one line, and when. Queries joined by semicolons are
    /// answered in one line, joined likewise.
    fn take(&mut self, line: &str) -> Option<(Instant, String)> {
        let answers: Vec<String> = line.trim().split(';').filter_map(|q| self.reply(q)).collect();
        if answers.is_empty() {
            self.told.push(line.trim().to_owned());
            return None;
        }
        self.asked += 1;
        if self.manners.mute {
            return None;
        }
        let every = self.manners.late_every;
        let is_late = every > 0 && self.asked.is_multiple_of(every);
        self.late += u64::from(is_late);
        let delay = if is_late { self.manners.late } else { Duration::ZERO };
        Some((Instant::now() + delay, answers.join(";") + "\n"))
    }

    fn reply(&self, query: &str) -> Option<String> {
        let query = query.trim().trim_start_matches(':').to_uppercase();
        let number = |value: f64| match &self.manners.instead {
            Some(text) => text.clone(),
            None => format!("{value:.4E}"),
        };
        Some(match query.as_str() {
            "*IDN?" => format!("YARD,LOAD-60,{},1.2", self.manners.serial_number),
            "*OPC?" => "1".to_owned(),
            "MEAS:VOLT?" | "MEAS:VOLT:DC?" => number(self.manners.volt),
            "MEAS:CURR?" | "MEAS:CURR:DC?" => number(self.manners.ampere),
            "SYST:ERR?" | "SYST:ERR:NEXT?" => "0,\"No error\"".to_owned(),
            _ if query.ends_with('?') => "0".to_owned(),
            _ => return None,
        })
    }
}
