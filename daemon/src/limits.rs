//! Limits and what is done when one is passed. No safety device: it tells
//! people, and may ask an instrument to switch off; whatever must not fail has
//! its protection in hardware.

mod command;
mod mqtt;
mod switch;
mod task;
mod watch;
mod webhook;
mod worker;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard};

use ampledger_methods::LimitChange;
use ampledger_report::sentences::{self, LimitSaid};
use ampledger_types::alarm::{Alarm, AlarmState, LimitStanding, LimitStatus, Tried};
use ampledger_types::{Bound, Marker, MarkerKind};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::api::Daemon;
use crate::config::{Config, Problem};
use watch::Watch;
use worker::Worker;

pub use task::watch;

/// All limits with their actions.
pub struct Limits {
    tasks: TaskTracker,
    stop: CancellationToken,
    watches: Mutex<Vec<Watch>>,
    refused: Mutex<Vec<LimitStatus>>,
    workers: Mutex<BTreeMap<String, Working>>,
}

/// An action that waits for alarms.
struct Working {
    worker: Arc<Worker>,
    stop: CancellationToken,
}

/// What a limit that changed is about.
#[derive(Default)]
struct About {
    session: Option<i64>,
    pack: Option<String>,
    sentence: Option<String>,
    /// The connection to its meter was lost under load.
    is_lost: bool,
}

/// Why something was not done with a limit.
#[derive(Debug, PartialEq, Eq)]
pub enum NotDone {
    /// There is none of that name.
    Unknown,
    /// It switches nothing.
    SwitchesNothing,
    /// It is passed right now.
    Passed,
}

impl Limits {
    /// No limit yet. All actions end when `stop` is cancelled.
    pub fn new(tasks: TaskTracker, stop: CancellationToken) -> Limits {
        Limits {
            tasks,
            stop,
            watches: Mutex::default(),
            refused: Mutex::default(),
            workers: Mutex::default(),
        }
    }

    /// Takes a configuration, the first or a new one. What is set as before, or
    /// wrong now, goes on as it stands, but nothing is armed afterwards. Gives the
    /// limits that were begun, changed or ended.
    pub fn configure(&self, daemon: &Arc<Daemon>, config: &Config) -> Vec<String> {
        self.configure_actions(daemon, config);
        let mut watches = self.lock();
        let mut before: BTreeMap<String, Watch> =
            watches.drain(..).map(|watch| (watch.name.clone(), watch)).collect();
        let mut changed = Vec::new();
        for (name, limit) in &config.limits {
            let same = before.remove(name).filter(|watch| watch.config == *limit);
            watches.push(same.unwrap_or_else(|| {
                changed.push(name.clone());
                Watch::new(name, limit.clone())
            }));
        }
        let mut refused = Vec::new();
        for (name, problems) in &config.refused_limits {
            match before.remove(name) {
                Some(kept) => watches.push(kept),
                None => refused.push(refused_status(name, problems)),
            }
        }
        *locked(&self.refused) = refused;
        watches.iter_mut().for_each(|watch| watch.is_armed = false);
        changed.extend(before.into_keys());
        changed.sort();
        changed.dedup();
        changed
    }

    fn configure_actions(&self, daemon: &Arc<Daemon>, config: &Config) {
        let mut workers = locked(&self.workers);
        workers.retain(|name, working| {
            let is_same = config.actions.get(name) == Some(&working.worker.config);
            if !is_same {
                working.stop.cancel();
            }
            is_same
        });
        for (name, action) in &config.actions {
            if workers.contains_key(name) {
                continue;
            }
            let worker = Arc::new(Worker::new(name, action.clone()));
            let (stop, daemon) = (self.stop.child_token(), daemon.clone());
            let (at_work, until) = (worker.clone(), stop.clone());
            self.tasks.spawn_local(async move { at_work.work(&daemon, &until).await });
            workers.insert(name.clone(), Working { worker, stop });
        }
    }

    fn worker(&self, name: &str) -> Option<Arc<Worker>> {
        locked(&self.workers).get(name).map(|working| working.worker.clone())
    }

    /// All limits as they stand.
    pub fn status(&self) -> Vec<LimitStatus> {
        let watches = self.lock();
        let mut all: Vec<LimitStatus> = watches.iter().map(|watch| self.status_of(watch)).collect();
        all.extend(locked(&self.refused).iter().cloned());
        all.sort_by(|a, b| a.name.cmp(&b.name));
        all
    }

    /// What is wrong now, in sentences.
    pub fn alarms(&self) -> Vec<String> {
        let is_wrong = |limit: &LimitStatus| {
            matches!(limit.standing, LimitStanding::Passed | LimitStanding::Refused)
        };
        self.status().into_iter().filter(is_wrong).map(|limit| limit.sentence).collect()
    }

    /// Arms the limits of these names (all that can switch, if none is named),
    /// or takes that back.
    pub fn arm(&self, names: &[String], arm: bool) -> Result<(), (String, NotDone)> {
        let mut watches = self.lock();
        for name in names {
            let refuse = |why| Err((name.clone(), why));
            let Some(watch) = watches.iter().find(|watch| watch.name == *name) else {
                return refuse(NotDone::Unknown);
            };
            if !self.switches(watch) {
                return refuse(NotDone::SwitchesNothing);
            }
            if arm && watch.standing() == LimitStanding::Passed {
                return refuse(NotDone::Passed);
            }
        }
        let meant = |watch: &Watch| names.is_empty() || names.contains(&watch.name);
        for watch in watches.iter_mut().filter(|watch| meant(watch) && self.switches(watch)) {
            watch.is_armed = arm && watch.standing() != LimitStanding::Passed;
        }
        Ok(())
    }

    /// Takes one limit's arming back.
    pub fn disarm(&self, name: &str) {
        if let Some(watch) = self.lock().iter_mut().find(|watch| watch.name == name) {
            watch.is_armed = false;
        }
    }

    /// A person has seen it; says whether it was passed.
    pub fn acknowledge(&self, name: &str) -> Result<bool, NotDone> {
        let mut watches = self.lock();
        let watch = watches.iter_mut().find(|watch| watch.name == name);
        watch.map(Watch::acknowledge).ok_or(NotDone::Unknown)
    }

    /// Tries each action of a limit once; really switches only where that is
    /// wanted and the limit is armed.
    pub async fn test(
        &self,
        daemon: &Daemon,
        name: &str,
        switch: bool,
    ) -> Result<Vec<Tried>, NotDone> {
        let (alarm, actions, is_armed) = {
            let watches = self.lock();
            let watch = watches.iter().find(|w| w.name == name).ok_or(NotDone::Unknown)?;
            let sentence = sentences::limit_tested(name);
            let alarm = alarm(daemon, watch, AlarmState::Test, (sentence, About::default()));
            (alarm, watch.config.actions.clone(), watch.is_armed)
        };
        let mut tried = Vec::new();
        for action in actions {
            let Some(worker) = self.worker(&action) else { continue };
            let result = match (worker.switches(), switch, is_armed) {
                (true, false, _) => Err("left alone: it would switch off".to_owned()),
                (true, true, false) => Err("left alone: the limit is not armed".to_owned()),
                _ => worker.try_once(daemon, &alarm).await,
            };
            let kind = worker.config.kind().to_owned();
            tried.push(Tried { action, kind, done: result.is_ok(), why: result.err() });
        }
        Ok(tried)
    }

    /// Lets each limit look, and tells what became of it.
    fn each(
        &self,
        daemon: &Daemon,
        mut look: impl FnMut(&mut Watch) -> Option<(LimitChange, About)>,
    ) {
        for watch in self.lock().iter_mut() {
            if let Some((change, about)) = look(watch) {
                self.tell(daemon, watch, change, about);
            }
        }
    }

    fn tell(&self, daemon: &Daemon, watch: &mut Watch, change: LimitChange, about: About) {
        let said =
            LimitSaid { is_out_of_sight: about.is_lost, ..watch.to_say(about.sentence.as_deref()) };
        let (state, sentence) = match change {
            LimitChange::Passed { .. } => (AlarmState::Passed, sentences::limit_passed(&said)),
            LimitChange::Over => (AlarmState::Over, sentences::limit_over(&said)),
        };
        tracing::warn!(limit = watch.name, "{sentence}");
        let at = Bound { run: daemon.intake.run, t_us: daemon.intake.clock.now_us() };
        daemon.intake.put_marker(Marker {
            source: watch.config.source.clone(),
            session: about.session,
            ..Marker::new(at, MarkerKind::Limit, sentence.clone())
        });
        watch.said = Some(sentence.clone());
        let alarm = alarm(daemon, watch, state, (sentence, about));
        if state == AlarmState::Over && !watch.config.tell_over {
            return;
        }
        for action in &watch.config.actions {
            let Some(worker) = self.worker(action) else { continue };
            match (worker.switches(), state) {
                (false, _) => worker.push(alarm.clone()),
                (true, AlarmState::Passed) if watch.is_armed => worker.push(alarm.clone()),
                (true, AlarmState::Passed) => {
                    let text = format!("{}: nothing is switched off, it is not armed", watch.name);
                    tracing::warn!("{text}");
                    daemon.intake.mark(MarkerKind::Limit, watch.config.source.as_deref(), text);
                }
                (true, _) => {}
            }
        }
    }

    fn asks_about_sessions(&self) -> bool {
        use ampledger_types::alarm::LimitKind::{EndOfDischarge, Target};
        self.lock().iter().any(|watch| matches!(watch.config.kind, EndOfDischarge | Target))
    }

    fn keep_sessions(&self, open: &[i64]) {
        self.lock().iter_mut().for_each(|watch| watch.keep_sessions(open));
    }

    fn switches(&self, watch: &Watch) -> bool {
        let mut workers = watch.config.actions.iter().filter_map(|name| self.worker(name));
        workers.any(|worker| worker.switches())
    }

    fn status_of(&self, watch: &Watch) -> LimitStatus {
        let workers = watch.config.actions.iter().filter_map(|name| self.worker(name));
        let standing = watch.standing();
        let passed = watch.said.clone().filter(|_| standing == LimitStanding::Passed);
        LimitStatus {
            name: watch.name.clone(),
            kind: Some(watch.config.kind),
            source: watch.config.source.clone(),
            bound: watch.bound(),
            unit: watch.unit().to_owned(),
            standing,
            value: watch.value,
            sentence: passed.unwrap_or_default(),
            armed: self.switches(watch).then_some(watch.is_armed),
            actions: workers.map(|worker| worker.status()).collect(),
        }
    }

    fn lock(&self) -> MutexGuard<'_, Vec<Watch>> {
        locked(&self.watches)
    }
}

fn locked<T>(of: &Mutex<T>) -> MutexGuard<'_, T> {
    of.lock().unwrap_or_else(|e| e.into_inner())
}

fn alarm(
    daemon: &Daemon,
    watch: &Watch,
    state: AlarmState,
    (sentence, about): (String, About),
) -> Alarm {
    Alarm {
        limit: watch.name.clone(),
        kind: watch.config.kind,
        state,
        sentence,
        source: watch.config.source.clone(),
        session: about.session,
        pack: about.pack,
        value: watch.value.filter(|_| state != AlarmState::Test),
        bound: watch.bound(),
        unit: watch.unit().to_owned(),
        unix_time_second: daemon.intake.clock.unix_us() as f64 / 1e6,
        clock_synchronised: daemon.is_synchronised(),
        build: crate::BUILD.to_owned(),
    }
}

fn refused_status(name: &str, problems: &[Problem]) -> LimitStatus {
    let told: Vec<String> = problems.iter().map(ToString::to_string).collect();
    let why = told.join("; ");
    LimitStatus {
        name: name.to_owned(),
        kind: None,
        source: None,
        bound: None,
        unit: String::new(),
        standing: LimitStanding::Refused,
        value: None,
        sentence: format!("{name} is not watched: {why}"),
        armed: None,
        actions: Vec::new(),
    }
}
