//! Work on the record as a whole, beside recording: one job at a time, in a
//! thread of its own, followed and given up over the API.

mod plan;
mod work;

use std::collections::VecDeque;
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};

use ampledger_types::api::ErrorResponse;
use ampledger_types::maintenance::{Job, JobOutcome, JobState, MaintenanceRequest};
use tokio::runtime::Handle;
use tokio_util::sync::CancellationToken;

use crate::api::{ApiError, Daemon};
use crate::recorder::Recorder;

/// Jobs that are remembered.
const REMEMBERED: usize = 16;

/// What was asked for since the daemon began.
pub struct Jobs {
    all: Mutex<VecDeque<Arc<Doing>>>,
    newest: AtomicU64,
    stop: CancellationToken,
}

/// One job.
pub struct Doing {
    id: u64,
    request: MaintenanceRequest,
    done: AtomicU64,
    all: AtomicU64,
    is_given_up: AtomicBool,
    stop: CancellationToken,
    ended: Mutex<Option<Result<JobOutcome, Trouble>>>,
}

/// Why a job ended without what was asked for.
#[derive(Clone, Debug)]
pub enum Trouble {
    /// It was told to.
    GivenUp,
    /// It could not go on.
    Failed(ErrorResponse),
}

/// What a job works on.
pub struct Place {
    /// The store's file.
    pub store: PathBuf,
    /// Number of the newest sample.
    pub newest: u64,
    /// The way to the store's writer.
    pub recorder: Recorder,
    /// Where to wait for the writer.
    pub runtime: Handle,
}

impl Jobs {
    /// None yet; all of them end with the daemon.
    pub fn new(stop: CancellationToken) -> Jobs {
        Jobs { all: Mutex::default(), newest: AtomicU64::new(0), stop }
    }

    /// Begins a job.
    pub fn begin(&self, daemon: &Daemon, request: MaintenanceRequest) -> Result<Job, ApiError> {
        if let MaintenanceRequest::Restore { backup } = &request {
            return Err(refuse_restore(daemon, backup));
        }
        let place = Place {
            store: daemon.store_path.clone(),
            newest: daemon.intake.newest(),
            recorder: daemon.intake.recorder.clone(),
            runtime: Handle::current(),
        };
        let doing = self.enter(request)?;
        let job = doing.job();
        let at_work = doing.clone();
        let thread = std::thread::Builder::new().name("maintenance".to_owned());
        let begun = thread.spawn(move || {
            let ended = work::of(&at_work, &place);
            at_work.end(ended);
        });
        if let Err(error) = begun {
            doing.end(Err(failed("no_thread", error.to_string())));
        }
        Ok(job)
    }

    /// Puts a job into its place, if none is being done.
    fn enter(&self, request: MaintenanceRequest) -> Result<Arc<Doing>, ApiError> {
        let mut all = self.lock();
        if let Some(busy) = all.iter().find(|doing| doing.is_running()) {
            let message = format!(
                "job {} is being done; wait for it, or give it up with \
                 `POST /v1/maintenance/{}/cancel`",
                busy.id, busy.id
            );
            return Err(ApiError::conflict("maintenance_busy", message));
        }
        let doing = Arc::new(Doing {
            id: self.newest.fetch_add(1, Ordering::Relaxed) + 1,
            request,
            done: AtomicU64::new(0),
            all: AtomicU64::new(0),
            is_given_up: AtomicBool::new(false),
            stop: self.stop.clone(),
            ended: Mutex::default(),
        });
        if all.len() == REMEMBERED {
            all.pop_front();
        }
        all.push_back(doing.clone());
        Ok(doing)
    }

    /// All that are remembered, the oldest first.
    pub fn list(&self) -> Vec<Job> {
        self.lock().iter().map(|doing| doing.job()).collect()
    }

    /// One of them.
    pub fn find(&self, id: u64) -> Option<Arc<Doing>> {
        self.lock().iter().find(|doing| doing.id == id).cloned()
    }

    fn lock(&self) -> MutexGuard<'_, VecDeque<Arc<Doing>>> {
        self.all.lock().unwrap_or_else(|e| e.into_inner())
    }
}

impl Doing {
    /// How it stands.
    pub fn job(&self) -> Job {
        let ended = self.ended.lock().unwrap_or_else(|e| e.into_inner()).clone();
        let (state, outcome, trouble) = match ended {
            None => (JobState::Running, None, None),
            Some(Ok(outcome)) => (JobState::Done, Some(outcome), None),
            Some(Err(Trouble::GivenUp)) => (JobState::Cancelled, None, None),
            Some(Err(Trouble::Failed(why))) => (JobState::Failed, None, Some(why)),
        };
        Job {
            id: self.id,
            request: self.request.clone(),
            state,
            done: self.done.load(Ordering::Relaxed),
            all: self.all.load(Ordering::Relaxed),
            unit: work::unit(&self.request).to_owned(),
            outcome,
            trouble,
        }
    }

    /// Ends it before it is done, at its next step.
    pub fn give_up(&self) {
        self.is_given_up.store(true, Ordering::Relaxed);
    }

    /// Notes how far it is; breaks when it is to end.
    fn progress(&self, done: u64, all: u64) -> ControlFlow<()> {
        self.done.store(done, Ordering::Relaxed);
        self.all.store(all, Ordering::Relaxed);
        match self.is_given_up.load(Ordering::Relaxed) || self.stop.is_cancelled() {
            true => ControlFlow::Break(()),
            false => ControlFlow::Continue(()),
        }
    }

    fn is_running(&self) -> bool {
        self.ended.lock().unwrap_or_else(|e| e.into_inner()).is_none()
    }

    fn end(&self, ended: Result<JobOutcome, Trouble>) {
        match &ended {
            Ok(_) => tracing::info!(job = self.id, "{:?} is done", self.request),
            Err(Trouble::GivenUp) => {
                tracing::info!(job = self.id, "{:?} was given up", self.request)
            }
            Err(Trouble::Failed(why)) => {
                tracing::warn!(job = self.id, "{:?} failed: {}", self.request, why.message);
            }
        }
        *self.ended.lock().unwrap_or_else(|e| e.into_inner()) = Some(ended);
    }
}

fn failed(code: &str, message: String) -> Trouble {
    Trouble::Failed(ErrorResponse { code: code.to_owned(), message })
}

/// The file that is recorded into is not put aside under the recorder.
fn refuse_restore(daemon: &Daemon, backup: &str) -> ApiError {
    let store = daemon.store_path.display();
    let message = format!(
        "the daemon records into {store} and puts nothing in its place while it runs. Ask for a \
         `restore_plan` of {backup}, or do it: stop the daemon, move {store} and {store}-wal \
         away, then `ampledger restore {backup} {store}`, and start the daemon"
    );
    ApiError::conflict("daemon_records", message)
}
