//! Where decoded samples enter the daemon: each gets its number and goes to
//! the recorder and to everybody who listens, in one step and one order.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use ampledger_store::{NumberedSample, Store};
use ampledger_types::{Bound, Marker, MarkerKind, RunId, Seq};
use tokio::sync::broadcast;

use crate::clock::Clock;
use crate::keeper::Keeper;
use crate::recorder::{CannotRecord, Recorder};

/// Samples that a slow listener may be behind before it is told to catch up.
const HUB_LENGTH: usize = 8192;

/// What is told to listeners.
#[derive(Clone, Debug)]
pub enum News {
    /// A sample arrived.
    Sample(Arc<NumberedSample>),
    /// Something happened.
    Marker(Arc<Marker>),
}

/// The one place where samples are numbered.
pub struct Intake {
    /// The process's clock.
    pub clock: Arc<Clock>,
    /// The way to the store.
    pub recorder: Recorder,
    /// The sessions that are open.
    pub keeper: Arc<Keeper>,
    /// The run of this process.
    pub run: RunId,
    hub: broadcast::Sender<News>,
    newest: AtomicU64,
}

impl Intake {
    /// Numbers go on after `newest`.
    pub fn new(
        clock: Arc<Clock>,
        recorder: Recorder,
        keeper: Arc<Keeper>,
        run: RunId,
        newest: Seq,
    ) -> Self {
        let (hub, _) = broadcast::channel(HUB_LENGTH);
        Intake { clock, recorder, keeper, run, hub, newest: AtomicU64::new(newest) }
    }

    /// Takes a sample in: numbers it, records it, tells everybody. Returns
    /// whether it could be recorded.
    pub fn sample(&self, mut sample: NumberedSample) -> bool {
        sample.seq = self.newest.fetch_add(1, Ordering::Relaxed) + 1;
        let sample = Arc::new(sample);
        self.keeper.feed(&sample);
        let _ = self.hub.send(News::Sample(sample.clone()));
        self.recorder.sample(Arc::unwrap_or_clone(sample))
    }

    /// Sets numbers aside for samples that are decoded again and does `work` on
    /// the store, with the first of the numbers, after every sample before
    /// them is written and before any after them is.
    pub fn numbered<T: Send + 'static>(
        &self,
        count: u64,
        work: impl FnOnce(&mut Store, Seq) -> T + Send + 'static,
    ) -> impl Future<Output = Result<T, CannotRecord>> {
        let first = self.newest.fetch_add(count, Ordering::Relaxed) + 1;
        self.recorder.in_order(move |store| work(store, first))
    }

    /// Marks something that happened, now, in the record.
    pub fn mark(&self, kind: MarkerKind, source: Option<&str>, text: String) {
        let at = Bound { run: self.run, t_us: self.clock.now_us() };
        self.put_marker(Marker {
            source: source.map(str::to_owned),
            ..Marker::new(at, kind, text)
        });
    }

    /// Marks something that happened, as given.
    pub fn put_marker(&self, marker: Marker) {
        let _ = self.hub.send(News::Marker(Arc::new(marker.clone())));
        self.recorder.marker(marker);
    }

    /// Listens from now on. Who is too slow is told how much was missed.
    pub fn listen(&self) -> broadcast::Receiver<News> {
        self.hub.subscribe()
    }

    /// The newest sample's number.
    pub fn newest(&self) -> Seq {
        self.newest.load(Ordering::Relaxed)
    }
}
