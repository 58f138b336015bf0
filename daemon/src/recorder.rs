//! The recorder: one thread owns the store and writes about once a second for
//! all sources together. What it could not write it keeps, up to a bound, and
//! tries again; what it had to drop it counts and marks.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use ampledger_store::{Batch, DroppedFrames, FrameChunk, NumberedSample, Store, StoreError};
use ampledger_types::{ClockObservation, Marker, Seq};
use tokio::sync::{oneshot, watch};

/// How long readings wait before they are written.
const COMMIT_EVERY: Duration = Duration::from_secs(1);
/// Entries that may wait between the sources and the thread.
const QUEUE: usize = 65_536;
/// Above this many waiting entries no frames are taken any more, so that
/// samples still fit: frames go before samples.
const QUEUE_FOR_FRAMES: usize = QUEUE / 2;
/// Samples kept in memory while the store cannot be written.
const KEPT_SAMPLES: usize = 1_000_000;
/// Bytes of frames kept in memory while the store cannot be written.
const KEPT_FRAME_BYTES: usize = 64 << 20;
/// Bytes of frames after whose writing the frame log's budget is looked at.
const FRAME_BYTES_PER_LOOK: usize = 4 << 20;
/// How long between two tries to write after one failed.
const RETRY: Duration = Duration::from_secs(2);

/// How often the last write is tried before the process ends without it.
const LAST_TRIES: u32 = 4;

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
}

/// The way to the recorder's thread.
#[derive(Clone)]
pub struct Recorder {
    queue: SyncSender<Entry>,
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
        let (queue, entries) = sync_channel(QUEUE);
        let state = Arc::new(RecorderState::default());
        let (recorded, recorded_up_to) = watch::channel(store.recorded_up_to());
        let writer = Writer {
            path: store.path().to_owned(),
            store: Some(store),
            state: state.clone(),
            recorded,
            pending: Batch::default(),
            frame_bytes: 0,
            frame_bytes_since_look: FRAME_BYTES_PER_LOOK,
            frame_budget_bytes,
            works: VecDeque::new(),
            retry_at: None,
            since: None,
        };
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
        let (answer, answered) = oneshot::channel();
        let work: Work = Box::new(move |store| {
            let _ = answer.send(work(store));
        });
        self.state.waiting.fetch_add(1, Ordering::Relaxed);
        let queue = self.queue.clone();
        tokio::task::spawn_blocking(move || queue.send(Entry::Work(work)))
            .await
            .map_err(|_| CannotRecord)?
            .map_err(|_| CannotRecord)?;
        answered.await.map_err(|_| CannotRecord)
    }

    /// The same, but in its place before this returns: what is handed over
    /// afterwards is written after it. Refused if the queue is full.
    pub fn in_order<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Store) -> T + Send + 'static,
    ) -> impl Future<Output = Result<T, CannotRecord>> {
        let (answer, answered) = oneshot::channel();
        let work: Work = Box::new(move |store| {
            let _ = answer.send(work(store));
        });
        self.state.waiting.fetch_add(1, Ordering::Relaxed);
        if self.queue.try_send(Entry::Work(work)).is_err() {
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

    /// Samples (and markers) dropped because a bound was hit.
    pub fn dropped_samples(&self) -> u64 {
        self.state.dropped_samples.load(Ordering::Relaxed)
    }

    fn put(&self, entry: Entry, bound: usize, dropped: &AtomicU64) -> bool {
        let waiting = self.state.waiting.fetch_add(1, Ordering::Relaxed);
        let taken = waiting < bound
            && !matches!(
                self.queue.try_send(entry),
                Err(TrySendError::Full(_) | TrySendError::Disconnected(_))
            );
        if !taken {
            self.state.waiting.fetch_sub(1, Ordering::Relaxed);
            dropped.fetch_add(1, Ordering::Relaxed);
        }
        taken
    }
}

/// The thread's own things.
struct Writer {
    path: PathBuf,
    /// `None` while it cannot be opened again.
    store: Option<Store>,
    state: Arc<RecorderState>,
    recorded: watch::Sender<Seq>,
    pending: Batch,
    frame_bytes: usize,
    /// Bytes of frames written since the budget was looked at.
    frame_bytes_since_look: usize,
    frame_budget_bytes: u64,
    works: VecDeque<Work>,
    retry_at: Option<Instant>,
    since: Option<Instant>,
}

impl Writer {
    fn run(mut self, entries: &Receiver<Entry>) -> bool {
        loop {
            match entries.recv_timeout(self.patience()) {
                Ok(Entry::Finish) | Err(RecvTimeoutError::Disconnected) => break,
                Ok(entry) => {
                    self.state.waiting.fetch_sub(1, Ordering::Relaxed);
                    self.take(entry);
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
            if self.is_due() {
                self.write();
            }
        }
        self.write_the_rest()
    }

    /// The last write, tried a few times: what is in memory is lost after it.
    fn write_the_rest(&mut self) -> bool {
        for _ in 0..LAST_TRIES {
            self.write();
            if self.retry_at.is_none() {
                return true;
            }
            std::thread::sleep(RETRY);
        }
        false
    }

    fn patience(&self) -> Duration {
        let now = Instant::now();
        match (self.retry_at, self.since) {
            (Some(at), _) => at.saturating_duration_since(now),
            (None, Some(since)) => (since + COMMIT_EVERY).saturating_duration_since(now),
            (None, None) => COMMIT_EVERY,
        }
    }

    fn is_due(&self) -> bool {
        let now = Instant::now();
        match self.retry_at {
            Some(at) => now >= at,
            None => {
                !self.works.is_empty()
                    || self.since.is_some_and(|since| now >= since + COMMIT_EVERY)
            }
        }
    }

    fn take(&mut self, entry: Entry) {
        self.since.get_or_insert_with(Instant::now);
        match entry {
            Entry::Sample(sample) if self.pending.samples.len() < KEPT_SAMPLES => {
                self.pending.samples.push(sample);
            }
            Entry::Sample(_) => {
                self.state.dropped_samples.fetch_add(1, Ordering::Relaxed);
            }
            Entry::Frames(chunk) => {
                let bytes: usize = chunk.frames.iter().map(|f| f.payload.len() + 16).sum();
                if self.frame_bytes + bytes <= KEPT_FRAME_BYTES {
                    self.frame_bytes += bytes;
                    self.pending.frames.push(chunk);
                } else {
                    self.state.dropped_frames.fetch_add(1, Ordering::Relaxed);
                }
            }
            Entry::Marker(marker) => self.pending.markers.push(marker),
            Entry::Observation(boot_id, seen) => self.pending.observations.push((boot_id, seen)),
            Entry::Work(work) => self.works.push_back(work),
            Entry::Finish => {}
        }
    }

    /// Writes the batch, then does the work that waited for it. After a
    /// failure nothing counts as recorded until the file was opened afresh.
    fn write(&mut self) {
        match self.try_write() {
            Ok(up_to) => {
                self.pending = Batch::default();
                self.frame_bytes_since_look += std::mem::take(&mut self.frame_bytes);
                self.since = None;
                self.retry_at = None;
                self.recovered();
                self.recorded.send_replace(up_to);
                if let Some(store) = &mut self.store {
                    for work in self.works.drain(..) {
                        work(store);
                    }
                    self.recorded.send_replace(store.recorded_up_to());
                }
                if self.frame_bytes_since_look >= FRAME_BYTES_PER_LOOK {
                    self.drop_old_frames();
                }
            }
            Err(why) => {
                self.failed(&why);
                self.store = None;
                self.retry_at = Some(Instant::now() + RETRY);
                // Who waits for work is told at once instead of never.
                self.works.clear();
            }
        }
    }

    fn try_write(&mut self) -> Result<Seq, String> {
        if self.store.is_none() {
            self.store = Some(Store::open(&self.path).map_err(|e| e.to_string())?);
        }
        let Some(store) = &mut self.store else { return Err("the store is closed".to_owned()) };
        match store.append(&self.pending) {
            Ok(up_to) => Ok(up_to),
            // Giving it again cannot help: it is a fault of the program, and
            // it must not keep everything after it from being recorded.
            Err(StoreError::Refused(why)) => {
                tracing::error!("a second of readings cannot be kept: {why}");
                let lost = self.pending.samples.len() as u64;
                self.state.dropped_samples.fetch_add(lost, Ordering::Relaxed);
                Ok(store.recorded_up_to())
            }
            Err(other) => Err(other.to_string()),
        }
    }

    /// Keeps the frame log to its budget. A fault here shows at the next
    /// write as well.
    fn drop_old_frames(&mut self) {
        let Some(store) = &mut self.store else { return };
        self.frame_bytes_since_look = 0;
        match store.drop_old_frames(self.frame_budget_bytes) {
            Ok(dropped) => dropped.iter().for_each(|(source, dropped)| tell(source, dropped)),
            Err(why) => tracing::warn!("the frame log could not be kept to its budget: {why}"),
        }
    }

    fn failed(&self, why: &str) {
        let mut trouble = self.state.trouble.lock().unwrap_or_else(|e| e.into_inner());
        if trouble.as_deref() != Some(why) {
            tracing::error!(
                kept_samples = self.pending.samples.len(),
                "nothing can be recorded: {why}; readings are kept in memory and tried again"
            );
            *trouble = Some(why.to_owned());
        }
    }

    fn recovered(&self) {
        let mut trouble = self.state.trouble.lock().unwrap_or_else(|e| e.into_inner());
        if trouble.take().is_some() {
            tracing::info!("recording again; everything kept in memory is on disk");
        }
    }
}

fn tell(source: &str, dropped: &DroppedFrames) {
    let DroppedFrames { chunks, bytes, held_bytes } = *dropped;
    if chunks > 0 {
        tracing::info!(source, bytes, "the oldest frames outside sessions were dropped");
    }
    if held_bytes > 0 {
        tracing::debug!(source, held_bytes, "more frames than the budget: sessions need them");
    }
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
