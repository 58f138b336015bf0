//! The recorder: one thread owns the store and writes about once a second for
//! all sources together. What it could not write it keeps, up to a bound, and
//! tries again; what it had to drop it counts and marks.

mod writer;

use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use ampledger_store::{FrameChunk, NumberedSample, Store};
use ampledger_types::{ClockObservation, Marker, Seq};
use tokio::sync::{oneshot, watch};

use writer::Writer;

pub use writer::set_aside_text;

/// Entries that may wait between the sources and the thread.
const QUEUE: usize = 65_536;
/// Above this many waiting entries no frames are taken any more, so that
/// samples still fit: frames go before samples.
const QUEUE_FOR_FRAMES: usize = QUEUE / 2;
type Work = Box<dyn FnOnce(&mut Store) + Send>;

enum Entry {
    Sample(NumberedSample),
    Frames(FrameChunk),
    Marker(Marker),
    Observation(String, ClockObservation),
    Work(Work),
    Finish,
}

/// What others may know of the recorder.
#[derive(Debug, Default)]
pub struct RecorderState {
    waiting: AtomicUsize,
    dropped_samples: AtomicU64,
    dropped_frames: AtomicU64,
    trouble: Mutex<Option<String>>,
    /// The disk is full, and what was kept in reserve is used up or being so.
    reserve_given_up: AtomicBool,
    /// The name of the store that is written.
    uuid: Mutex<String>,
}

impl RecorderState {
    fn set_uuid(&self, uuid: &str) {
        *self.uuid.lock().unwrap_or_else(|e| e.into_inner()) = uuid.to_owned();
    }
}

/// The way to the recorder's thread.
#[derive(Clone)]
pub struct Recorder {
    /// Bounded by what is counted as waiting: a channel with a bound of its own
    /// would take the memory for all of it at once.
    queue: Sender<Entry>,
    state: Arc<RecorderState>,
    recorded_up_to: watch::Receiver<Seq>,
}

/// The store cannot be written now, so nothing was changed.
#[derive(Debug, thiserror::Error)]
#[error("the record cannot be written now; see `ampledger status`, then try again")]
pub struct CannotRecord;

impl Recorder {
    /// Starts the thread. It ends after [`Recorder::finish`] and tells whether
    /// everything is on disk.
    ///
    /// A source's frames take `frame_budget_bytes` in the store, and more only
    /// where sessions need them.
    pub fn start(
        store: Store,
        frame_budget_bytes: u64,
    ) -> std::io::Result<(Recorder, JoinHandle<bool>)> {
        let (queue, entries) = channel();
        let state = Arc::new(RecorderState::default());
        let (recorded, recorded_up_to) = watch::channel(store.recorded_up_to());
        let writer = Writer::new(store, state.clone(), recorded, frame_budget_bytes);
        let thread = std::thread::Builder::new()
            .name("recorder".to_owned())
            .spawn(move || writer.run(&entries))?;
        Ok((Recorder { queue, state, recorded_up_to }, thread))
    }

    /// Hands a sample over. If the queue is full it is dropped and counted.
    pub fn sample(&self, sample: NumberedSample) -> bool {
        self.put(Entry::Sample(sample), QUEUE, &self.state.dropped_samples)
    }

    /// Hands frames over. They are the first to be dropped.
    pub fn frames(&self, frames: FrameChunk) -> bool {
        self.put(Entry::Frames(frames), QUEUE_FOR_FRAMES, &self.state.dropped_frames)
    }

    /// Hands a marker over.
    pub fn marker(&self, marker: Marker) -> bool {
        self.put(Entry::Marker(marker), QUEUE, &self.state.dropped_samples)
    }

    /// Hands a clock observation over.
    pub fn observation(&self, boot_id: &str, seen: ClockObservation) -> bool {
        let entry = Entry::Observation(boot_id.to_owned(), seen);
        self.put(entry, QUEUE, &self.state.dropped_samples)
    }

    /// Runs `work` on the store after everything handed over so far has been
    /// written, and gives back what it gives.
    pub async fn with_store<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Store) -> T + Send + 'static,
    ) -> Result<T, CannotRecord> {
        let (work, answered) = answering(work);
        self.state.waiting.fetch_add(1, Ordering::Relaxed);
        self.queue.send(Entry::Work(work)).map_err(|_| CannotRecord)?;
        answered.await.map_err(|_| CannotRecord)
    }

    /// The same, but in its place before this returns: what is handed over
    /// afterwards is written after it. Refused if the queue is full.
    pub fn in_order<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Store) -> T + Send + 'static,
    ) -> impl Future<Output = Result<T, CannotRecord>> {
        let (work, answered) = answering(work);
        let is_full = self.state.waiting.fetch_add(1, Ordering::Relaxed) >= QUEUE;
        if is_full || self.queue.send(Entry::Work(work)).is_err() {
            self.state.waiting.fetch_sub(1, Ordering::Relaxed);
        }
        async move { answered.await.map_err(|_| CannotRecord) }
    }

    /// Writes what is left and ends the thread.
    pub fn finish(&self) {
        let _ = self.queue.send(Entry::Finish);
    }

    /// Whether so much waits that a replay, which can wait, should.
    pub fn is_behind(&self) -> bool {
        self.state.waiting.load(Ordering::Relaxed) > QUEUE_FOR_FRAMES / 2
    }

    /// All samples up to this number are on disk.
    pub fn recorded_up_to(&self) -> Seq {
        *self.recorded_up_to.borrow()
    }

    /// What is wrong with the store, if anything.
    pub fn trouble(&self) -> Option<String> {
        self.state.trouble.lock().unwrap_or_else(|e| e.into_inner()).clone()
    }

    /// The name of the store that is written: another one once a damaged one
    /// was set aside.
    pub fn store_uuid(&self) -> String {
        self.state.uuid.lock().unwrap_or_else(|e| e.into_inner()).clone()
    }

    /// Whether the disk is so full that the reserve beside the store was given
    /// up.
    pub fn reserve_given_up(&self) -> bool {
        self.state.reserve_given_up.load(Ordering::Relaxed)
    }

    /// Samples (and markers) dropped because a bound was hit.
    pub fn dropped_samples(&self) -> u64 {
        self.state.dropped_samples.load(Ordering::Relaxed)
    }

    fn put(&self, entry: Entry, bound: usize, dropped: &AtomicU64) -> bool {
        let waiting = self.state.waiting.fetch_add(1, Ordering::Relaxed);
        let taken = waiting < bound && self.queue.send(entry).is_ok();
        if !taken {
            self.state.waiting.fetch_sub(1, Ordering::Relaxed);
            dropped.fetch_add(1, Ordering::Relaxed);
        }
        taken
    }
}

/// Work whose result comes over a channel.
fn answering<T: Send + 'static>(
    work: impl FnOnce(&mut Store) -> T + Send + 'static,
) -> (Work, oneshot::Receiver<T>) {
    let (answer, answered) = oneshot::channel();
    let work = move |store: &mut Store| {
        let _ = answer.send(work(store));
    };
    (Box::new(work), answered)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use ampledger_store::{NewRun, Reader};
    use ampledger_types::{Channel, DecodeSet, Group, Quantity, RunId, Sample};

    use super::*;

    struct Bench {
        folder: tempfile::TempDir,
        recorder: Recorder,
        thread: JoinHandle<bool>,
        run: RunId,
    }

    fn bench() -> Bench {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(&folder.path().join("a.db")).unwrap();
        let run = NewRun {
            boot_id: "boot".to_owned(),
            started_t_us: 0,
            clock_rate: 1.0,
            recorded_by: "test".to_owned(),
            replay_of: None,
        };
        let run = store.begin_run(&run).unwrap().id;
        let (recorder, thread) = Recorder::start(store, u64::MAX).unwrap();
        Bench { folder, recorder, thread, run }
    }

    fn sample(seq: Seq, run: RunId) -> NumberedSample {
        let group = Group { name: String::new(), channels: vec![Channel::of(Quantity::Voltage)] };
        let decode_set = DecodeSet {
            source: "bench-shunt".to_owned(),
            decoder: "text-lines".to_owned(),
            decoder_version: "1".to_owned(),
            config_digest: String::new(),
            identity: None,
        };
        let t_us = seq as i64 * 1_000;
        let sample =
            Sample { group: Arc::new(group), t_us, instrument_t_us: None, values: vec![26.5] };
        NumberedSample { seq, run, decode_set: Arc::new(decode_set), sample }
    }

    #[tokio::test]
    async fn work_on_the_store_sees_everything_handed_over_before() {
        let b = bench();
        for seq in 1..=500 {
            assert!(b.recorder.sample(sample(seq, b.run)));
        }
        let up_to = b.recorder.with_store(|store| store.recorded_up_to()).await.unwrap();
        assert_eq!((up_to, b.recorder.recorded_up_to()), (500, 500));
    }

    #[tokio::test]
    async fn finishing_writes_the_rest() {
        let b = bench();
        b.recorder.sample(sample(1, b.run));
        b.recorder.finish();
        assert!(b.thread.join().unwrap());
        let reader = Reader::open(&b.folder.path().join("a.db")).unwrap();
        assert_eq!(reader.recorded_up_to().unwrap(), 1);
    }

    #[tokio::test]
    async fn what_can_never_be_kept_does_not_hold_up_the_rest() {
        let b = bench();
        b.recorder.sample(sample(5, b.run));
        b.recorder.with_store(|_| ()).await.unwrap();
        b.recorder.sample(sample(4, b.run));
        b.recorder.with_store(|_| ()).await.unwrap();
        b.recorder.sample(sample(6, b.run));
        b.recorder.with_store(|_| ()).await.unwrap();
        assert_eq!((b.recorder.recorded_up_to(), b.recorder.dropped_samples()), (6, 1));
        assert_eq!(b.recorder.trouble(), None);
    }

    #[tokio::test]
    async fn a_full_queue_drops_frames_before_samples_and_counts_both() {
        let b = bench();
        let (hold, held) = std::sync::mpsc::channel::<()>();
        let busy = b.recorder.clone();
        let (begin, begun) = oneshot::channel();
        let busy = tokio::spawn(async move {
            busy.with_store(move |_| {
                let _ = begin.send(());
                held.recv()
            })
            .await
        });
        begun.await.unwrap();
        let mut seq = 0;
        let chunk = || FrameChunk {
            run: b.run,
            snapshot: None,
            decode_set: sample(1, b.run).decode_set,
            frames: Vec::new(),
        };
        while seq < QUEUE as u64 && b.recorder.sample(sample(seq + 1, b.run)) {
            seq += 1;
            if seq == QUEUE_FOR_FRAMES as u64 + 1 {
                assert!(!b.recorder.frames(chunk()), "frames must give way");
            }
        }
        assert!(seq > QUEUE_FOR_FRAMES as u64);
        assert!(!b.recorder.sample(sample(seq + 1, b.run)));
        assert_eq!(b.recorder.dropped_samples(), 1);
        drop(hold);
        let _ = busy.await.unwrap();
        b.recorder.finish();
        assert!(b.thread.join().unwrap());
    }
}
