//! A source's plugin, from the daemon's side: a thread that talks with the
//! plugin's own process, so that nothing a plugin does can hold the daemon.
//! Inputs go in at once and come back as outputs later.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::time::{Duration, Instant};

use ampledger_boundary::remote::{Failure, MOST_BYTES_IN_BATCH, MOST_IN_BATCH};
use ampledger_boundary::{
    Described, FailureRecord, Fault, FaultKind, Launch, RemoteDriver, Turn, find,
};
use ampledger_decoders::config::PluginConfig;
use ampledger_decoders::{DecoderConfig, Output};
use ampledger_types::Frame;
use tokio::sync::mpsc;

/// Most inputs that wait for a plugin; more are not given to it.
const MOST_WAITING: usize = 65_536;
/// Most bytes of inputs that wait for a plugin.
const MOST_WAITING_BYTES: usize = 8 << 20;
/// A file is read on only while fewer inputs wait than this.
const FEW_WAITING: usize = 2 * MOST_IN_BATCH;
/// Answers that may wait to be taken.
const EVENTS: usize = 16;

/// What comes back from a plugin.
#[derive(Debug)]
pub enum Event {
    /// What it said, each with the number of its input.
    Said(Vec<(u64, Output)>),
    /// Its state before the input of that number.
    Saved(u64, Vec<u8>),
    /// Its process was started again; the deadline that it wants, if it said so.
    Started(Described, Option<Option<i64>>),
    /// Its process ended.
    Failed(Failure),
}

/// What a plugin is to do.
enum Work {
    Take(Frame),
    /// Save the state, which is that before the input of this number.
    Save(u64),
}

#[derive(Default)]
struct Queue {
    work: VecDeque<Work>,
    bytes: usize,
    closing: bool,
}

/// What the thread and the source share.
#[derive(Default)]
struct Shared {
    queue: Mutex<Queue>,
    changed: Condvar,
    called_off: Arc<AtomicBool>,
}

impl Shared {
    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(|e| e.into_inner())
    }

    fn wait<'q>(&self, queue: MutexGuard<'q, Queue>, most: Duration) -> MutexGuard<'q, Queue> {
        match self.changed.wait_timeout(queue, most) {
            Ok((queue, _)) => queue,
            Err(poisoned) => poisoned.into_inner().0,
        }
    }

    fn is_called_off(&self) -> bool {
        self.called_off.load(Ordering::Relaxed)
    }

    /// Waits for work and takes a batch's worth; `None` at the end of it.
    fn take(&self) -> Option<Vec<Work>> {
        let mut queue = self.queue();
        while queue.work.is_empty() {
            if queue.closing || self.is_called_off() {
                return None;
            }
            queue = self.wait(queue, Duration::from_secs(1));
        }
        let (mut taken, mut bytes) = (Vec::new(), 0);
        while taken.len() < MOST_IN_BATCH && bytes < MOST_BYTES_IN_BATCH {
            match queue.work.front() {
                // A state is saved between two batches.
                Some(Work::Save(_)) if !taken.is_empty() => break,
                Some(Work::Save(_)) => {
                    taken.extend(queue.work.pop_front());
                    break;
                }
                Some(Work::Take(frame)) => bytes += frame.payload.len(),
                None => break,
            }
            taken.extend(queue.work.pop_front());
        }
        queue.bytes -= bytes;
        Some(taken)
    }

    /// Waits before the next try.
    fn pause(&self, wait: Duration) {
        let until = Instant::now() + wait;
        let mut queue = self.queue();
        while !self.is_called_off() {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            queue = self.wait(queue, left);
        }
    }
}

fn refused(text: String) -> Fault {
    Fault { kind: FaultKind::Refused, text, number: None }
}

/// What is started for a plugin.
pub fn launch(
    config: &PluginConfig,
    decoder: DecoderConfig,
    called_off: Arc<AtomicBool>,
) -> Result<Launch, Fault> {
    Ok(Launch {
        host: find::host().map_err(refused)?,
        file: config.file.clone(),
        config: decoder,
        memory_bytes: config.memory_mib << 20,
        reply_limit: config.reply_limit(),
        called_off,
    })
}

/// A plugin at work. Its process ends when this is dropped.
pub struct Plugin {
    shared: Arc<Shared>,
    events: mpsc::Receiver<Event>,
}

impl Plugin {
    /// Starts a plugin's process and opens a decoder in it.
    pub async fn start(
        config: &PluginConfig,
        decoder: DecoderConfig,
        record: Arc<FailureRecord>,
    ) -> Result<(Plugin, Described), Fault> {
        let shared = Arc::<Shared>::default();
        let launch = launch(config, decoder, shared.called_off.clone())?;
        let (send, events) = mpsc::channel(EVENTS);
        let (tell, told) = tokio::sync::oneshot::channel();
        let for_thread = shared.clone();
        // A thread of its own: the kernel ends the process with the thread that
        // started it.
        let thread = std::thread::Builder::new().name("plugin".to_owned());
        let spawned = thread.spawn(move || match RemoteDriver::start(launch, record) {
            Ok(driver) => {
                if tell.send(Ok(driver.described().clone())).is_ok() {
                    work(driver, &for_thread, &send);
                }
            }
            Err(fault) => {
                let _ = tell.send(Err(fault));
            }
        });
        spawned.map_err(|error| refused(format!("a thread cannot be started: {error}")))?;
        // From here on a dropped future ends the thread.
        let plugin = Plugin { shared, events };
        match told.await {
            Ok(Ok(described)) => Ok((plugin, described)),
            Ok(Err(fault)) => Err(fault),
            Err(_) => Err(refused("its thread failed; this is a fault of the program".to_owned())),
        }
    }

    /// Gives it an input; `false` where too many wait already.
    pub fn give(&self, frame: Frame) -> bool {
        let mut queue = self.shared.queue();
        let bytes = queue.bytes + frame.payload.len();
        if queue.work.len() >= MOST_WAITING || bytes > MOST_WAITING_BYTES {
            return false;
        }
        queue.bytes = bytes;
        queue.work.push_back(Work::Take(frame));
        self.shared.changed.notify_one();
        true
    }

    /// Asks for its state before the input of that number, which is the next.
    pub fn save_before(&self, number: u64) {
        self.shared.queue().work.push_back(Work::Save(number));
    }

    /// Whether a file may be read on.
    pub fn has_room(&self) -> bool {
        self.shared.queue().work.len() < FEW_WAITING
    }

    /// How many inputs wait.
    pub fn waiting(&self) -> usize {
        self.shared.queue().work.len()
    }

    /// No more input comes: when it has dealt with what there is, there are no
    /// more events.
    pub fn close(&self) {
        self.shared.queue().closing = true;
        self.shared.changed.notify_one();
    }

    /// What comes back next; `None` when nothing more will. Dropping the future
    /// loses nothing.
    pub async fn next(&mut self) -> Option<Event> {
        self.events.recv().await
    }
}

impl Drop for Plugin {
    fn drop(&mut self) {
        self.shared.called_off.store(true, Ordering::Relaxed);
        self.shared.changed.notify_one();
    }
}

/// The thread: takes work and gives it, until there is none any more.
fn work(mut driver: RemoteDriver, shared: &Shared, events: &mpsc::Sender<Event>) {
    loop {
        if driver.waiting() == 0 {
            let Some(taken) = shared.take() else { return };
            for one in taken {
                match one {
                    Work::Take(frame) => driver.take(frame),
                    Work::Save(number) => {
                        if let Some(state) = driver.save()
                            && events.blocking_send(Event::Saved(number, state)).is_err()
                        {
                            return;
                        }
                    }
                }
            }
        }
        let (event, wait) = match driver.turn() {
            Turn::Idle => continue,
            Turn::Said(outputs) => (Event::Said(outputs), Some(Duration::ZERO)),
            Turn::Started(described, wake) => {
                (Event::Started(described, wake), Some(Duration::ZERO))
            }
            Turn::Failed(failure) => {
                let wait = failure.wait;
                (Event::Failed(failure), wait)
            }
        };
        if events.blocking_send(event).is_err() {
            return;
        }
        let Some(wait) = wait else { return };
        shared.pause(wait);
        if shared.is_called_off() {
            return;
        }
    }
}
