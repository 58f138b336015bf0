//! A Bluetooth instrument. Everything that talks to the system's Bluetooth
//! service runs in a thread of its own with a runtime of its own, one a
//! connection: what the library leaves behind (tasks, matches, its connection
//! to the bus) goes with the thread, and a bus that hangs holds up nobody.

mod adapter;
mod broadcast;
mod connected;
mod stall;
mod trouble;

use std::time::Duration;

use tokio::sync::{mpsc, oneshot};
use tokio::time::timeout;
use tokio_util::sync::{CancellationToken, DropGuard};

use crate::config::{BleConfig, Plan};
use crate::supervise::{Arrival, Link, Opener};

use stall::Patience;

/// Notifications that may wait for the source's task.
const WAITING: usize = 4096;
/// How long opening may take: a search, a connection, and what is listed.
const OPEN_LIMIT: Duration = Duration::from_secs(120);
/// How long taking leave may take before the thread is left to itself.
const CLOSE_LIMIT: Duration = Duration::from_secs(6);

/// Silence after which an instrument on the radio counts as dark (bench rules).
pub const DARK: Duration = Duration::from_secs(30);

/// What is wanted of an instrument.
#[derive(Clone, Debug)]
struct Wanted {
    config: BleConfig,
    plan: Plan,
    patience: Patience,
}

/// What the thread and the source's task share.
struct Ends {
    heard: mpsc::Sender<Arrival>,
    asks: mpsc::Receiver<Ask>,
    stop: CancellationToken,
}

/// Bytes to be written.
struct Ask {
    endpoint: u16,
    bytes: Vec<u8>,
    answer: oneshot::Sender<Result<(), String>>,
}

/// The instrument in words.
pub fn describe(config: &BleConfig) -> String {
    let adapter = config.adapter.as_ref().map(|name| format!(" by {name}"));
    let how = if config.advertisements { "broadcasts of" } else { "connection to" };
    format!("Bluetooth{}, {how} {}", adapter.unwrap_or_default(), adapter::wanted(config))
}

/// Opens a Bluetooth instrument.
pub struct BleOpener {
    wanted: Wanted,
    /// Cancelled when the thread of the last connection has ended.
    last: Option<CancellationToken>,
}

impl BleOpener {
    /// As configured.
    pub fn new(config: BleConfig, plan: Plan) -> Self {
        let patience = Patience::new(Duration::from_secs_f64(config.stall_second));
        BleOpener { wanted: Wanted { config, plan, patience }, last: None }
    }
}

impl Opener for BleOpener {
    type Link = BleLink;

    async fn open(&mut self) -> Result<BleLink, String> {
        self.leave().await;
        // There is one thread at a time: should one hang, no second is begun.
        if self.last.is_some() {
            return Err("the system's Bluetooth service does not answer".to_owned());
        }
        let (heard, listened) = mpsc::channel(WAITING);
        let (asks, asked) = mpsc::channel(1);
        let (ready, opened) = oneshot::channel();
        let (stop, ended) = (CancellationToken::new(), CancellationToken::new());
        let guard = stop.clone().drop_guard();
        let ends = Ends { heard, asks: asked, stop };
        let (wanted, at_end) = (self.wanted.clone(), ended.clone().drop_guard());
        std::thread::Builder::new()
            .name("bluetooth".to_owned())
            .spawn(move || run(&wanted, ready, ends, at_end))
            .map_err(|error| format!("no thread for the connection: {error}"))?;
        self.last = Some(ended.clone());
        match timeout(OPEN_LIMIT, opened).await {
            Ok(Ok(Ok(()))) => Ok(BleLink { heard: listened, asks, stop: Some(guard), ended }),
            Ok(Ok(Err(reason))) => Err(reason),
            Ok(Err(_)) => Err("the Bluetooth part failed inside; the log says where".to_owned()),
            Err(_) => Err("the system's Bluetooth service does not answer".to_owned()),
        }
    }

    async fn leave(&mut self) {
        if let Some(last) = &self.last
            && timeout(CLOSE_LIMIT, last.cancelled()).await.is_ok()
        {
            self.last = None;
        }
    }
}

/// The thread. Dropping the runtime ends everything in it.
fn run(
    wanted: &Wanted,
    ready: oneshot::Sender<Result<(), String>>,
    ends: Ends,
    _at_end: DropGuard,
) {
    let built = tokio::runtime::Builder::new_current_thread().enable_all().build();
    match built {
        Ok(runtime) => runtime.block_on(talk(wanted, ready, ends)),
        Err(error) => drop(ready.send(Err(format!("the system refuses: {error}")))),
    }
}

async fn talk(wanted: &Wanted, ready: oneshot::Sender<Result<(), String>>, mut ends: Ends) {
    wanted.patience.begin();
    let reason = if wanted.config.advertisements {
        match broadcast::listen(wanted, &ends.stop).await {
            Ok(mut open) => {
                let _ = ready.send(Ok(()));
                open.run(wanted, &mut ends).await
            }
            Err(reason) => return drop(ready.send(Err(reason))),
        }
    } else {
        match connected::connect(wanted, &ends.stop).await {
            Ok(mut open) => {
                let _ = ready.send(Ok(()));
                let reason = open.run(wanted, &mut ends).await;
                open.leave().await;
                reason
            }
            Err(reason) => return drop(ready.send(Err(reason))),
        }
    };
    // Nobody listens any more where it was told to stop.
    let _ = ends.heard.try_send(Arrival::Lost(reason));
}

/// An open connection.
pub struct BleLink {
    heard: mpsc::Receiver<Arrival>,
    asks: mpsc::Sender<Ask>,
    stop: Option<DropGuard>,
    ended: CancellationToken,
}

const GONE: &str = "the connection ended";

impl Link for BleLink {
    async fn next(&mut self) -> Arrival {
        self.heard.recv().await.unwrap_or_else(|| Arrival::Lost(GONE.to_owned()))
    }

    async fn send(&mut self, endpoint: u16, bytes: &[u8]) -> Result<(), String> {
        let (answer, answered) = oneshot::channel();
        let ask = Ask { endpoint, bytes: bytes.to_vec(), answer };
        self.asks.send(ask).await.map_err(|_| GONE.to_owned())?;
        answered.await.map_err(|_| GONE.to_owned())?
    }

    async fn close(&mut self) {
        drop(self.stop.take());
        // One that hangs is found by the next opening.
        let _ = timeout(CLOSE_LIMIT, self.ended.cancelled()).await;
    }
}
