//! The recorder's thread: it alone has the store.

use std::collections::VecDeque;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use ampledger_store::{Ballast, Batch, DroppedFrames, OpenError, Store, StoreError};
use ampledger_types::{Bound, Marker, MarkerKind, Run, Seq};
use tokio::sync::watch;

use super::{Entry, QUEUE, RecorderState, Work};

/// How long readings wait before they are written.
const COMMIT_EVERY: Duration = Duration::from_secs(1);
/// So soon after a batch was written, what is taken came while that was done.
const JUST_AFTER: Duration = Duration::from_millis(50);
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
/// Input/output errors in a row before the file itself is given up.
const IO_FAILURES: u32 = 5;
/// How often it is looked whether there is room for the reserve again.
const LOOK_FOR_ROOM: Duration = Duration::from_secs(2);

/// The thread's own things.
pub(super) struct Writer {
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
    /// When the last batch began to be written, and when it was.
    last_write: Option<(Instant, Instant)>,
    ballast: Ballast,
    looked_for_room: Instant,
    /// The run of this process, for a store that does not know it.
    run: Option<Run>,
    /// Input/output errors in a row.
    io_failures: u32,
}

impl Writer {
    pub(super) fn new(
        store: Store,
        state: Arc<RecorderState>,
        recorded: watch::Sender<Seq>,
        frame_budget_bytes: u64,
    ) -> Writer {
        let ballast = Ballast::of(store.path());
        state.reserve_given_up.store(!ballast.take(), Ordering::Relaxed);
        state.set_uuid(store.uuid());
        let run = store.reader().ok().and_then(|reader| reader.runs().ok()?.pop());
        Writer {
            path: store.path().to_owned(),
            store: Some(store),
            state,
            recorded,
            pending: Batch::default(),
            frame_bytes: 0,
            frame_bytes_since_look: FRAME_BYTES_PER_LOOK,
            frame_budget_bytes,
            works: VecDeque::new(),
            retry_at: None,
            since: None,
            last_write: None,
            ballast,
            looked_for_room: Instant::now(),
            run,
            io_failures: 0,
        }
    }

    pub(super) fn run(mut self, entries: &Receiver<Entry>) -> bool {
        let mut is_over = false;
        while !is_over {
            match entries.recv_timeout(self.patience()) {
                Ok(entry) => is_over = self.take_counted(entry),
                Err(RecvTimeoutError::Disconnected) => is_over = true,
                Err(RecvTimeoutError::Timeout) => {}
            }
            if !is_over && self.is_due() {
                is_over = self.take_waiting(entries);
                self.write();
            }
        }
        self.write_the_rest()
    }

    /// Takes what waits already, so that it is written with the rest; but
    /// nothing that came after work. Returns whether that was the end.
    fn take_waiting(&mut self, entries: &Receiver<Entry>) -> bool {
        for _ in 0..QUEUE {
            if !self.works.is_empty() {
                break;
            }
            let Ok(entry) = entries.try_recv() else { break };
            if self.take_counted(entry) {
                return true;
            }
        }
        false
    }

    /// Takes an entry out of the queue. Returns whether it was the last.
    fn take_counted(&mut self, entry: Entry) -> bool {
        if matches!(entry, Entry::Finish) {
            return true;
        }
        self.state.waiting.fetch_sub(1, Ordering::Relaxed);
        self.take(entry);
        false
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
        let now = Instant::now();
        // What came while the last batch was written waited since then.
        let waited = self.last_write.filter(|(_, ended)| now - *ended < JUST_AFTER);
        self.since.get_or_insert(waited.map_or(now, |(began, _)| began));
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
        let began = Instant::now();
        match self.try_write() {
            Ok(up_to) => {
                self.last_write = Some((began, Instant::now()));
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
                self.look_for_room();
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

    /// Writes; on a full disk into the room that was kept in reserve.
    fn try_write(&mut self) -> Result<Seq, String> {
        let written = match self.write_once() {
            Err(OpenError::Store(StoreError::Full { .. })) if self.ballast.give_up() => {
                self.store = None;
                self.tell_of_reserve();
                self.write_once()
            }
            Err(OpenError::Store(StoreError::Damaged { .. })) => self.write_anew(),
            Err(OpenError::Store(error @ StoreError::Io { .. })) => self.write_past_io(error),
            other => other,
        };
        if written.is_ok() {
            self.io_failures = 0;
        }
        written.map_err(|error| error.to_string())
    }

    /// Writes into the file opened afresh; if that is damaged too, sets it
    /// aside whole, and goes on in a new one.
    fn write_anew(&mut self) -> Result<Seq, OpenError> {
        self.store = None;
        match self.write_once() {
            Err(OpenError::Store(error @ StoreError::Damaged { .. })) => self.write_aside(&error),
            other => other,
        }
    }

    /// The disk may do better the next time. Where it never does, though it
    /// takes other files, it is this file that cannot be used.
    fn write_past_io(&mut self, error: StoreError) -> Result<Seq, OpenError> {
        self.io_failures += 1;
        match self.io_failures >= IO_FAILURES && takes_files(&self.path) {
            true => self.write_aside(&error),
            false => Err(error.into()),
        }
    }

    fn write_aside(&mut self, why: &StoreError) -> Result<Seq, OpenError> {
        self.store = None;
        let (mut store, aside) = Store::set_aside(&self.path)?;
        if let Some(run) = &self.run {
            store.bring_run(run)?;
        }
        self.state.set_uuid(store.uuid());
        self.store = Some(store);
        let text = set_aside_text(&aside);
        tracing::error!("{why}: {text}");
        if let Some(at) = self.newest() {
            self.pending.markers.push(Marker::new(at, MarkerKind::Note, text));
        }
        self.write_once()
    }

    fn write_once(&mut self) -> Result<Seq, OpenError> {
        let store = match &mut self.store {
            Some(store) => store,
            None => self.store.insert(Store::open(&self.path)?),
        };
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
            Err(other) => Err(other.into()),
        }
    }

    /// The marker lands with the batch that found the disk full.
    fn tell_of_reserve(&mut self) {
        let megabytes = Ballast::BYTES >> 20;
        let text = format!(
            "the disk is full; {megabytes} MiB that were kept in reserve are being used: \
             make room now"
        );
        tracing::error!("{text}");
        self.state.reserve_given_up.store(true, Ordering::Relaxed);
        if let Some(at) = self.newest() {
            self.pending.markers.push(Marker::new(at, MarkerKind::Note, text));
        }
    }

    /// The newest moment of what is to be written.
    fn newest(&self) -> Option<Bound> {
        let sample = self.pending.samples.last();
        let marker = || self.pending.markers.last().map(|marker| marker.at);
        sample.map(|s| Bound { run: s.run, t_us: s.sample.t_us }).or_else(marker)
    }

    /// Takes the reserve again once there is room.
    fn look_for_room(&mut self) {
        if self.looked_for_room.elapsed() < LOOK_FOR_ROOM {
            return;
        }
        self.looked_for_room = Instant::now();
        let is_held = self.ballast.take();
        if self.state.reserve_given_up.swap(!is_held, Ordering::Relaxed) && is_held {
            tracing::info!("there is room on the disk again, and some is kept in reserve");
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

/// Recording goes on in a new store; what the old one holds is for a person.
pub fn set_aside_text(aside: &Path) -> String {
    let aside = aside.display();
    format!(
        "the store was damaged and set aside as {aside}; what could be read of packs and open \
         sessions was taken over; save what it holds with `ampledger salvage {aside} NEW`"
    )
}

/// Whether the store's folder takes a file and gives it back.
fn takes_files(store: &Path) -> bool {
    let mut probe = store.as_os_str().to_owned();
    probe.push(".probe");
    let text = b"whether this disk still takes files";
    let written = std::fs::File::create(&probe).and_then(|mut file| {
        file.write_all(text)?;
        file.sync_all()?;
        std::fs::read(&probe)
    });
    let _ = std::fs::remove_file(&probe);
    written.is_ok_and(|read| read == text)
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
