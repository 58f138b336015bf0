//! What an instrument broadcasts, without a connection: the service data of its
//! advertisements. The search runs for as long as the source is open.

use std::collections::HashMap;
use std::pin::Pin;
use std::time::Duration;

use btleplug::api::{Central, CentralEvent, CentralState, ScanFilter};
use btleplug::platform::{Adapter, PeripheralId};
use futures_util::stream::{Stream, StreamExt};
use tokio::time::{Instant, sleep_until};
use tokio_util::sync::CancellationToken;

use super::trouble::{ASK_LIMIT, within};
use super::{Ends, Wanted, adapter};
use crate::supervise::Arrival;

/// How often the system is asked whether the adapter is still there.
const ASK_EVERY: Duration = Duration::from_secs(5);
/// Devices that are remembered to be another's. Telephones change their address
/// all the time, so this has a bound.
const STRANGERS: usize = 256;

/// A search that runs.
pub struct Broadcast {
    adapter: Adapter,
    events: Pin<Box<dyn Stream<Item = CentralEvent> + Send>>,
    is_ours: HashMap<PeripheralId, bool>,
}

/// Begins to search, unless it is told to stop.
pub async fn listen(wanted: &Wanted, stop: &CancellationToken) -> Result<Broadcast, String> {
    let begun = async {
        let adapter = adapter::find(&wanted.config).await?;
        let events = within(ASK_LIMIT, "listening to the adapter", adapter.events()).await?;
        let scan = adapter.start_scan(ScanFilter::default());
        within(ASK_LIMIT, "beginning to listen", scan).await?;
        Ok(Broadcast { adapter, events, is_ours: HashMap::new() })
    };
    tokio::select! {
        begun = begun => begun,
        () = stop.cancelled() => Err("stopped".to_owned()),
    }
}

impl Broadcast {
    /// Listens until the adapter is lost, for the reason that is given back, or
    /// until it is told to stop.
    pub async fn run(&mut self, wanted: &Wanted, ends: &mut Ends) -> String {
        let mut silent_since = Instant::now();
        let mut ask = tokio::time::interval(ASK_EVERY);
        ask.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            let arrived = tokio::select! {
                () = ends.stop.cancelled() => return "stopped".to_owned(),
                Some(event) = self.events.next() => match self.hear(wanted, event).await {
                    Ok(arrived) => arrived,
                    Err(reason) => return reason,
                },
                Some(ask) = ends.asks.recv() => {
                    let _ = ask.answer.send(Err("a broadcast takes no bytes".to_owned()));
                    None
                }
                () = sleep_until(silent_since + wanted.patience.limit()) => {
                    wanted.patience.was_silent();
                    return "nothing is heard of it; searching anew".to_owned();
                }
                _ = ask.tick() => {
                    let there = self.adapter.adapter_info();
                    match within(ASK_LIMIT, "asking the adapter", there).await {
                        Ok(_) => None,
                        Err(reason) => return reason,
                    }
                }
            };
            if let Some(arrived) = arrived {
                silent_since = Instant::now();
                wanted.patience.heard();
                if ends.heard.send(arrived).await.is_err() {
                    return "stopped".to_owned();
                }
            }
        }
    }

    async fn hear(
        &mut self,
        wanted: &Wanted,
        event: CentralEvent,
    ) -> Result<Option<Arrival>, String> {
        match event {
            CentralEvent::StateUpdate(CentralState::PoweredOff) => {
                Err("the adapter was switched off".to_owned())
            }
            CentralEvent::ServiceDataAdvertisement { id, mut service_data } => {
                let Some(bytes) = service_data.remove(&wanted.config.service_data()) else {
                    return Ok(None);
                };
                let is_ours = self.is_ours(wanted, &id).await;
                Ok(is_ours.then_some(Arrival::Bytes { endpoint: 0, bytes, at_us: None }))
            }
            _ => Ok(None),
        }
    }

    async fn is_ours(&mut self, wanted: &Wanted, id: &PeripheralId) -> bool {
        if let Some(known) = self.is_ours.get(id) {
            return *known;
        }
        let found = within(ASK_LIMIT, "asking", self.adapter.peripheral(id)).await;
        let Ok(peripheral) = found else { return false };
        let is_ours = adapter::is_wanted(&peripheral, &wanted.config).await;
        if self.is_ours.len() >= STRANGERS {
            self.is_ours.retain(|_, is_ours| *is_ours);
        }
        // By name, one may say who it is only later.
        if is_ours || wanted.config.address.is_some() {
            self.is_ours.insert(id.clone(), is_ours);
        }
        is_ours
    }
}
