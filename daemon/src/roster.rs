//! The sources that run, by name. One is begun, ended or replaced without a
//! touch to the others.

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::SystemTime;

use ampledger_types::api::SourceStatus;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::config::{Problem, SourceConfig};
use crate::health::Health;
use crate::intake::Intake;
use crate::source::Source;
use crate::sources;

/// The sources that run, and those that are refused.
pub struct Roster {
    intake: Arc<Intake>,
    tasks: TaskTracker,
    stop: CancellationToken,
    running: Mutex<BTreeMap<String, Running>>,
    refused: Mutex<Vec<SourceStatus>>,
    /// The number of the last frame of each source that was ended: who has its
    /// name next goes on from there.
    last_frames: Mutex<BTreeMap<String, u64>>,
}

/// A source that runs.
struct Running {
    source: Arc<Source>,
    /// As it is configured now; only the description of its instrument may
    /// differ from what the source began with.
    config: SourceConfig,
    /// Its plugin's file, as it was when the source began.
    plugin: Option<Stamp>,
    stop: CancellationToken,
    task: JoinHandle<()>,
}

impl Roster {
    /// No source yet. All end when `stop` is cancelled.
    pub fn new(intake: Arc<Intake>, tasks: TaskTracker, stop: CancellationToken) -> Self {
        Roster {
            intake,
            tasks,
            stop,
            running: Mutex::default(),
            refused: Mutex::default(),
            last_frames: Mutex::default(),
        }
    }

    /// The sources that run, in order of name.
    pub fn all(&self) -> Vec<Arc<Source>> {
        lock(&self.running).values().map(|running| running.source.clone()).collect()
    }

    /// A source that runs.
    pub fn find(&self, name: &str) -> Option<Arc<Source>> {
        lock(&self.running).get(name).map(|running| running.source.clone())
    }

    /// How a source that runs is configured.
    pub fn config(&self, name: &str) -> Option<SourceConfig> {
        lock(&self.running).get(name).map(|running| running.config.clone())
    }

    /// The sources that are refused, as they are shown.
    pub fn refused(&self) -> Vec<SourceStatus> {
        lock(&self.refused).clone()
    }

    /// These are refused from now on, and no others.
    pub fn refuse(&self, refused: &BTreeMap<String, Vec<Problem>>) {
        let show = |(name, problems): (&String, &Vec<Problem>)| {
            let told: Vec<String> = problems.iter().map(ToString::to_string).collect();
            let health = Health::new(name, "not opened".to_owned(), "", &self.intake.clock);
            health.refused(&told.join("; "), &self.intake.clock);
            health.status(&self.intake.clock)
        };
        *lock(&self.refused) = refused.iter().map(show).collect();
    }

    /// Begins a source that does not run. Its configuration was checked.
    pub fn begin(&self, name: &str, config: &SourceConfig) {
        let stop = self.stop.child_token();
        let prepared = sources::prepare(name, config.clone(), &self.intake, stop.clone());
        let Some((source, task)) = prepared else { return };
        if let Some(last) = lock(&self.last_frames).get(name) {
            source.number_frames_after(*last);
        }
        let task = self.tasks.spawn_local(task);
        let (config, plugin) = (config.clone(), stamp(config));
        let running = Running { source, config, plugin, stop, task };
        lock(&self.running).insert(name.to_owned(), running);
    }

    /// The instrument of a source is described otherwise from now on.
    pub fn describe(&self, name: &str, config: &SourceConfig) {
        if let Some(running) = lock(&self.running).get_mut(name) {
            running.config = config.clone();
        }
    }

    /// Whether the file of a source's plugin is another than when it began.
    pub fn has_another_plugin(&self, name: &str) -> bool {
        let running = lock(&self.running);
        running.get(name).is_some_and(|running| running.plugin != stamp(&running.config))
    }

    /// Ends a source and waits until what it holds is handed to the record.
    pub async fn end(&self, name: &str) {
        let Some(running) = lock(&self.running).remove(name) else { return };
        running.stop.cancel();
        // Its panics are caught further in.
        let _ = running.task.await;
        let last = running.source.next_frame() - 1;
        lock(&self.last_frames).insert(name.to_owned(), last);
    }
}

/// A file by its place, length and date; `None` where it cannot be looked at.
type Stamp = (u64, u64, Option<SystemTime>);

fn stamp(config: &SourceConfig) -> Option<Stamp> {
    let file = config.plugin.as_ref()?.file.metadata().ok()?;
    Some((file.ino(), file.len(), file.modified().ok()))
}

fn lock<T>(shared: &Mutex<T>) -> MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(|e| e.into_inner())
}
