//! Two cables joined into one line between the daemon and another program, which
//! can deliver byte by byte, flip bits and be late. Only answers suffer: what is
//! asked always arrives.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use super::cable::Cable;

/// What the line does to answers.
#[derive(Clone, Debug, Default)]
pub struct Trouble {
    /// Delivers byte by byte, with this time between.
    pub split: Option<Duration>,
    /// One byte in so many has a flipped bit; 0 for none.
    pub flip_one_in: u64,
    /// One answer in so many comes late; 0 for none.
    pub late_every: u64,
    /// How late.
    pub late: Duration,
}

/// The line. It ends with the test.
pub struct Relay {
    shared: Arc<Mutex<Shared>>,
    threads: Vec<JoinHandle<()>>,
}

#[derive(Default)]
struct Shared {
    trouble: Trouble,
    asked: u64,
    late: u64,
    flipped: u64,
    /// Nothing is delivered before this time.
    hold: Option<Instant>,
    stop: bool,
}

impl Relay {
    /// Joins the daemon's cable with that of the instrument.
    pub fn join(daemon: &Cable, instrument: &Cable) -> Relay {
        let shared = Arc::new(Mutex::new(Shared::default()));
        let (from, to, state) = (daemon.clone(), instrument.clone(), Arc::clone(&shared));
        let requests = std::thread::spawn(move || carry_requests(&from, &to, &state));
        let (from, to, state) = (instrument.clone(), daemon.clone(), Arc::clone(&shared));
        let answers = std::thread::spawn(move || carry_answers(&from, &to, &state));
        Relay { shared, threads: vec![requests, answers] }
    }

    /// Changes what the line does from now on.
    pub fn make(&self, trouble: Trouble) {
        lock(&self.shared).trouble = trouble;
    }

    /// Answers that came late.
    pub fn late(&self) -> u64 {
        lock(&self.shared).late
    }

    /// Bits that were flipped.
    pub fn flipped(&self) -> u64 {
        lock(&self.shared).flipped
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        // A poisoned lock means that a thread has ended by itself.
        if let Ok(mut shared) = self.shared.lock() {
            shared.stop = true;
        }
        for thread in self.threads.drain(..) {
            let _ = thread.join();
        }
    }
}

fn lock(shared: &Mutex<Shared>) -> MutexGuard<'_, Shared> {
    shared.lock().expect("another thread of this test failed")
}

fn carry_requests(from: &Cable, to: &Cable, shared: &Mutex<Shared>) {
    while !lock(shared).stop {
        let bytes = from.receive();
        if bytes.is_empty() {
            continue;
        }
        lock(shared).asked();
        to.send(&bytes);
    }
}

fn carry_answers(from: &Cable, to: &Cable, shared: &Mutex<Shared>) {
    let mut random = 1u64;
    let mut held: VecDeque<(Instant, Vec<u8>)> = VecDeque::new();
    while !lock(shared).stop {
        let mut bytes = from.receive();
        let (due, split) = lock(shared).spoil(&mut bytes, &mut random);
        if !bytes.is_empty() {
            held.push_back((due, bytes));
        }
        while held.front().is_some_and(|(due, _)| *due <= Instant::now()) {
            if let Some((_, bytes)) = held.pop_front() {
                deliver(to, &bytes, split);
            }
        }
    }
}

fn deliver(to: &Cable, bytes: &[u8], split: Option<Duration>) {
    let Some(pause) = split else { return to.send(bytes) };
    for byte in bytes {
        to.send(&[*byte]);
        // The pace of a slow line; nothing is waited for.
        std::thread::sleep(pause);
    }
}

impl Shared {
    fn asked(&mut self) {
        self.asked += 1;
        let every = self.trouble.late_every;
        if every > 0 && self.asked.is_multiple_of(every) {
            self.late += 1;
            self.hold = Some(Instant::now() + self.trouble.late);
        }
    }

    /// When the bytes are due; flips bits in them.
    fn spoil(&mut self, bytes: &mut [u8], random: &mut u64) -> (Instant, Option<Duration>) {
        for byte in bytes {
            // xorshift64, from memory: any generator would do.
            *random ^= *random << 13;
            *random ^= *random >> 7;
            *random ^= *random << 17;
            let one_in = self.trouble.flip_one_in;
            if one_in > 0 && random.is_multiple_of(one_in) {
                *byte ^= 1 << (*random >> 32 & 7);
                self.flipped += 1;
            }
        }
        let now = Instant::now();
        (self.hold.map_or(now, |hold| hold.max(now)), self.trouble.split)
    }
}
