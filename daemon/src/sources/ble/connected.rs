//! A connection to an instrument: subscribes, reads what is polled, writes what
//! the decoder sends, and finds out by itself when the connection is none any
//! more. The library's streams never end, so nothing here waits for an end.

use std::collections::BTreeSet;
use std::pin::Pin;
use std::time::Duration;

use btleplug::api::{
    Central, CentralEvent, CentralState, CharPropFlags, Characteristic, Peripheral as _,
    ValueNotification, WriteType,
};
use btleplug::platform::Peripheral;
use futures_util::future::BoxFuture;
use futures_util::stream::{Stream, StreamExt};
use tokio::sync::oneshot;
use tokio::time::{Instant, sleep_until};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::trouble::{ASK_LIMIT, CONNECT_LIMIT, TALK_LIMIT, within};
use super::{Ask, Ends, Wanted, adapter};
use crate::supervise::Arrival;

/// How often the system is asked whether the connection still stands: not every
/// loss is told.
const ASK_EVERY: Duration = Duration::from_secs(5);

const DROPPED: &str = "the connection dropped: out of range, or switched off";

type Events<T> = Pin<Box<dyn Stream<Item = T> + Send>>;

/// A connection.
pub struct Connected {
    peripheral: Peripheral,
    notifications: Events<ValueNotification>,
    events: Events<CentralEvent>,
    /// What is subscribed to, with its endpoint.
    places: Vec<(Characteristic, u16)>,
    reads: Vec<Read>,
    writes: Vec<Characteristic>,
    /// The one request that is on its way: an instrument takes one at a time.
    job: Option<BoxFuture<'static, Done>>,
}

struct Read {
    characteristic: Characteristic,
    endpoint: u16,
    every: Duration,
    due: Instant,
    /// That it cannot be read has been told.
    told: bool,
}

enum Done {
    Read(usize, Result<Vec<u8>, String>),
    Written(oneshot::Sender<Result<(), String>>, Result<(), String>),
}

/// Finds the instrument and connects, unless it is told to stop.
pub async fn connect(wanted: &Wanted, stop: &CancellationToken) -> Result<Connected, String> {
    let found = async {
        let adapter = adapter::find(&wanted.config).await?;
        let peripheral = adapter::instrument(&adapter, &wanted.config).await?;
        Ok::<_, String>((adapter, peripheral))
    };
    let (adapter, peripheral) = tokio::select! {
        found = found => found?,
        () = stop.cancelled() => return Err("stopped".to_owned()),
    };
    let connected = tokio::select! {
        connected = set_up(wanted, &adapter, &peripheral) => connected,
        () = stop.cancelled() => Err("stopped".to_owned()),
    };
    if connected.is_err() {
        // Also takes back a connection that is on its way.
        let _ = within(ASK_LIMIT, "disconnecting", peripheral.disconnect()).await;
    }
    connected
}

async fn set_up(
    wanted: &Wanted,
    adapter: &btleplug::platform::Adapter,
    peripheral: &Peripheral,
) -> Result<Connected, String> {
    // Both begin before anything can happen that they would tell.
    let events = within(ASK_LIMIT, "listening to the adapter", adapter.events()).await?;
    let notifications = peripheral.notifications();
    let notifications = within(ASK_LIMIT, "listening to the instrument", notifications).await?;
    within(CONNECT_LIMIT, "connecting", peripheral.connect()).await?;
    let discovery = peripheral.discover_services();
    within(TALK_LIMIT, "listing its characteristics", discovery).await?;
    let plan = &wanted.plan;
    let all = peripheral.characteristics();
    let find = |uuid: Uuid| characteristic(&all, plan.service, uuid);
    let now = Instant::now();
    let mut open = Connected {
        peripheral: peripheral.clone(),
        notifications,
        events,
        places: Vec::new(),
        reads: Vec::new(),
        writes: plan.write.iter().map(|uuid| find(*uuid)).collect::<Result<_, _>>()?,
        job: None,
    };
    for (uuid, endpoint) in &plan.notify {
        let found = find(*uuid)?;
        let what = format!("subscribing to {}", found.uuid);
        within(TALK_LIMIT, &what, peripheral.subscribe(&found)).await?;
        open.places.push((found, *endpoint));
    }
    for (uuid, endpoint, every) in &plan.read {
        let (characteristic, endpoint, every) = (find(*uuid)?, *endpoint, *every);
        open.reads.push(Read { characteristic, endpoint, every, due: now, told: false });
    }
    Ok(open)
}

fn characteristic(
    all: &BTreeSet<Characteristic>,
    service: Option<Uuid>,
    uuid: Uuid,
) -> Result<Characteristic, String> {
    let is_in = |c: &&Characteristic| service.is_none_or(|service| c.service_uuid == service);
    let found = all.iter().filter(is_in).find(|c| c.uuid == uuid);
    found.cloned().ok_or_else(|| {
        let there: Vec<String> = all.iter().filter(is_in).map(|c| c.uuid.to_string()).collect();
        format!("the instrument has no characteristic {uuid}; it has {}", there.join(", "))
    })
}

impl Connected {
    /// Talks until the connection is lost, for the reason that is given back,
    /// or until it is told to stop.
    pub async fn run(&mut self, wanted: &Wanted, ends: &mut Ends) -> String {
        let patience = &wanted.patience;
        let mut silent_since = Instant::now();
        let mut ask = tokio::time::interval(ASK_EVERY);
        ask.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            let (is_idle, next_read) = (self.job.is_none(), self.next_read());
            let arrived = tokio::select! {
                () = ends.stop.cancelled() => return "stopped".to_owned(),
                Some(said) = self.notifications.next() => self.place(said),
                Some(event) = self.events.next() => match self.loses(&event) {
                    Some(reason) => return reason,
                    None => None,
                },
                done = working(&mut self.job) => {
                    self.job = None;
                    match self.finish(done).await {
                        Ok(arrived) => arrived,
                        Err(reason) => return reason,
                    }
                }
                Some(ask) = ends.asks.recv(), if is_idle => {
                    self.write(ask);
                    None
                }
                at = due(next_read), if is_idle => {
                    self.read(at);
                    None
                }
                () = sleep_until(silent_since + patience.limit()) => {
                    patience.was_silent();
                    return self.why_silent().await;
                }
                _ = ask.tick() => match self.stands().await {
                    Ok(()) => None,
                    Err(reason) => return reason,
                },
            };
            if let Some(arrived) = arrived {
                silent_since = Instant::now();
                patience.heard();
                if ends.heard.send(arrived).await.is_err() {
                    return "stopped".to_owned();
                }
            }
        }
    }

    /// Ends the connection, so that the instrument is free for the next one.
    pub async fn leave(self) {
        let _ = within(ASK_LIMIT, "disconnecting", self.peripheral.disconnect()).await;
    }

    fn place(&self, said: ValueNotification) -> Option<Arrival> {
        let is_it = |c: &Characteristic| (c.service_uuid, c.uuid) == (said.service_uuid, said.uuid);
        let (_, endpoint) = self.places.iter().find(|(c, _)| is_it(c))?;
        Some(Arrival::Bytes { endpoint: *endpoint, bytes: said.value, at_us: None })
    }

    /// Why an event means that the connection is lost, if it does.
    fn loses(&self, event: &CentralEvent) -> Option<String> {
        match event {
            CentralEvent::DeviceDisconnected(id) if *id == self.peripheral.id() => {
                Some(DROPPED.to_owned())
            }
            CentralEvent::StateUpdate(CentralState::PoweredOff) => {
                Some("the adapter was switched off".to_owned())
            }
            _ => None,
        }
    }

    async fn stands(&self) -> Result<(), String> {
        let asked = within(ASK_LIMIT, "asking for the connection", self.peripheral.is_connected());
        if asked.await? { Ok(()) } else { Err(DROPPED.to_owned()) }
    }

    async fn why_silent(&self) -> String {
        match self.stands().await {
            Ok(()) => "it is connected, but nothing comes; connecting anew".to_owned(),
            Err(reason) => reason,
        }
    }

    fn next_read(&self) -> Option<(usize, Instant)> {
        let due = self.reads.iter().enumerate().map(|(at, read)| (at, read.due));
        due.min_by_key(|(_, due)| *due)
    }

    fn read(&mut self, at: usize) {
        let Some(read) = self.reads.get_mut(at) else { return };
        // A slow instrument is asked less often, not all at once later.
        read.due = (read.due + read.every).max(Instant::now());
        let (peripheral, what) = (self.peripheral.clone(), read.characteristic.clone());
        self.job = Some(Box::pin(async move {
            let words = format!("reading {}", what.uuid);
            Done::Read(at, within(TALK_LIMIT, &words, peripheral.read(&what)).await)
        }));
    }

    fn write(&mut self, ask: Ask) {
        let Some(to) = self.writes.get(usize::from(ask.endpoint)).cloned() else {
            let what = format!("no characteristic to write endpoint {} to: `write`", ask.endpoint);
            return drop(ask.answer.send(Err(what)));
        };
        let without = !to.properties.contains(CharPropFlags::WRITE);
        let kind = if without { WriteType::WithoutResponse } else { WriteType::WithResponse };
        let peripheral = self.peripheral.clone();
        self.job = Some(Box::pin(async move {
            let words = format!("writing {}", to.uuid);
            let written = peripheral.write(&to, &ask.bytes, kind);
            Done::Written(ask.answer, within(TALK_LIMIT, &words, written).await)
        }));
    }

    /// What a request that was on its way brought. One that fails although the
    /// connection stands costs only itself.
    async fn finish(&mut self, done: Done) -> Result<Option<Arrival>, String> {
        match done {
            Done::Written(answer, written) => {
                let _ = answer.send(written);
                Ok(None)
            }
            Done::Read(at, Ok(bytes)) => {
                let endpoint = self.reads.get(at).map(|read| read.endpoint);
                Ok(endpoint.map(|endpoint| Arrival::Bytes { endpoint, bytes, at_us: None }))
            }
            Done::Read(at, Err(why)) => {
                self.stands().await?;
                if let Some(read) = self.reads.get_mut(at).filter(|read| !read.told) {
                    read.told = true;
                    tracing::warn!("{why}; tried again, and not told again");
                }
                Ok(None)
            }
        }
    }
}

async fn working(job: &mut Option<BoxFuture<'static, Done>>) -> Done {
    match job {
        Some(job) => job.await,
        None => std::future::pending().await,
    }
}

async fn due(next: Option<(usize, Instant)>) -> usize {
    match next {
        Some((at, due)) => {
            sleep_until(due).await;
            at
        }
        None => std::future::pending().await,
    }
}
