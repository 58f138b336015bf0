//! One action with what waits for it: tried again when it fails, and not done
//! for every flutter of a value. Of several alarms of one limit that wait, the
//! last is the one that counts.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Mutex, MutexGuard};
use std::time::Duration;

use ampledger_types::MarkerKind;
use ampledger_types::alarm::{ActionStatus, Alarm};
use tokio::sync::Notify;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::{command, mqtt, switch, webhook};
use crate::api::Daemon;
use crate::config::ActionConfig;

/// Waits before the second and the third try.
const PAUSES: [Duration; 2] = [Duration::from_secs(2), Duration::from_secs(10)];
/// Limits that may wait for an action.
const WAITING: usize = 64;

/// An action.
pub struct Worker {
    name: String,
    /// As configured.
    pub config: ActionConfig,
    waiting: Mutex<VecDeque<Alarm>>,
    news: Notify,
    status: Mutex<ActionStatus>,
}

impl Worker {
    /// Nothing waits.
    pub fn new(name: &str, config: ActionConfig) -> Worker {
        let status = ActionStatus {
            name: name.to_owned(),
            kind: config.kind().to_owned(),
            done: 0,
            failed: 0,
            left_out: 0,
            last_failure: None,
        };
        Worker {
            name: name.to_owned(),
            config,
            waiting: Mutex::default(),
            news: Notify::new(),
            status: Mutex::new(status),
        }
    }

    /// How it did so far.
    pub fn status(&self) -> ActionStatus {
        lock(&self.status).clone()
    }

    /// Whether it switches an instrument.
    pub fn switches(&self) -> bool {
        self.config.switch.is_some()
    }

    /// Hands an alarm over.
    pub fn push(&self, alarm: Alarm) {
        let mut waiting = lock(&self.waiting);
        let before = waiting.len();
        waiting.retain(|other| other.limit != alarm.limit);
        let left_out = before - waiting.len() + usize::from(waiting.len() >= WAITING);
        if waiting.len() >= WAITING {
            waiting.pop_front();
        }
        lock(&self.status).left_out += left_out as u64;
        waiting.push_back(alarm);
        self.news.notify_one();
    }

    /// Does what is handed over until the process stops.
    pub async fn work(&self, daemon: &Daemon, stop: &CancellationToken) {
        let mut last: BTreeMap<String, Instant> = BTreeMap::new();
        loop {
            let next = lock(&self.waiting).front().map(|alarm| alarm.limit.clone());
            let pause = match &next {
                Some(limit) => self.pause(last.get(limit)),
                None => Duration::MAX,
            };
            tokio::select! {
                () = stop.cancelled() => return,
                () = self.news.notified(), if next.is_none() => continue,
                () = tokio::time::sleep(pause), if next.is_some() => {}
            }
            let Some(alarm) = lock(&self.waiting).pop_front() else { continue };
            last.insert(alarm.limit.clone(), Instant::now());
            tokio::select! {
                () = stop.cancelled() => return,
                () = self.try_hard(daemon, &alarm) => {}
            }
        }
    }

    /// How long the limit must wait for its turn; an instrument that is to be
    /// switched off waits for nothing.
    fn pause(&self, last: Option<&Instant>) -> Duration {
        let every = match self.switches() {
            true => Duration::ZERO,
            false => Duration::from_secs_f64(self.config.at_most_every_second),
        };
        last.map_or(Duration::ZERO, |last| (*last + every).duration_since(Instant::now()))
    }

    async fn try_hard(&self, daemon: &Daemon, alarm: &Alarm) {
        let mut pauses = PAUSES.iter();
        loop {
            match self.try_once(daemon, alarm).await {
                Ok(()) => {
                    lock(&self.status).done += 1;
                    tracing::info!(action = self.name, limit = alarm.limit, "done");
                    return self.done(daemon, alarm);
                }
                Err(why) => {
                    tracing::warn!(action = self.name, limit = alarm.limit, "not done: {why}");
                    let Some(pause) = pauses.next() else { return self.failed(daemon, alarm, why) };
                    tokio::time::sleep(*pause).await;
                }
            }
        }
    }

    /// Does it once, without any ado.
    pub async fn try_once(&self, daemon: &Daemon, alarm: &Alarm) -> Result<(), String> {
        let limit = Duration::from_secs_f64(self.config.timeout_second);
        let body = serde_json::to_vec(alarm).map_err(|error| error.to_string())?;
        match &self.config {
            ActionConfig { command: Some(words), .. } => command::run(words, body, limit).await,
            ActionConfig { webhook: Some(hook), .. } => webhook::post(hook, body, limit).await,
            ActionConfig { mqtt: Some(mqtt), .. } => mqtt::publish(mqtt, body, limit).await,
            ActionConfig { switch: Some(switch), .. } => switch::off(daemon, switch, limit).await,
            _ => Err("it does nothing".to_owned()),
        }
    }

    fn done(&self, daemon: &Daemon, alarm: &Alarm) {
        if let Some(switch) = &self.config.switch {
            daemon.limits.disarm(&alarm.limit);
            let text =
                format!("{} switched {} off; it is not armed any more", alarm.limit, switch.source);
            tracing::warn!("{text}");
            daemon.intake.mark(MarkerKind::Limit, Some(&switch.source), text);
        }
    }

    fn failed(&self, daemon: &Daemon, alarm: &Alarm, why: String) {
        let tries = PAUSES.len() + 1;
        let text = format!("{}: `{}` failed {tries} times: {why}", alarm.limit, self.name);
        tracing::error!("{text}");
        daemon.intake.mark(MarkerKind::Limit, alarm.source.as_deref(), text);
        let mut status = lock(&self.status);
        status.failed += 1;
        status.last_failure = Some(why);
    }
}

fn lock<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(|e| e.into_inner())
}
