//! Ctrl-C and other requests to end, for commands that go on until one comes.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;

use tokio::signal::unix::{SignalKind, signal};

use crate::exit::Failure;

/// Whether to stop.
#[derive(Clone, Debug, Default)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Set by Ctrl-C, a hang-up, or a request to end.
    pub fn on_signals() -> Result<Stop, Failure> {
        let stop = Stop::default();
        let seen = stop.clone();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(Failure::io("signals cannot be heard"))?;
        thread::spawn(move || {
            runtime.block_on(async {
                if any_signal().await.is_ok() {
                    seen.set();
                }
            });
        });
        Ok(stop)
    }

    /// Stops whoever looks at it.
    pub fn set(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether it is time.
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

async fn any_signal() -> std::io::Result<()> {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    let mut hangup = signal(SignalKind::hangup())?;
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
        _ = hangup.recv() => {}
    }
    Ok(())
}
