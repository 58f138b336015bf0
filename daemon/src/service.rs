//! Puts the daemon together, runs it until it is told to stop, and takes it
//! apart in the right order: sources first, the record last.

use std::future::IntoFuture;
use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use ampledger_store::{Ballast, NewRun, OpenError, Store, StoreError, beside_newer};
use ampledger_types::{ClockObservation, MarkerKind};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::mpsc;
use tokio::task::LocalSet;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::api::{self, Daemon, ListenError};
use crate::attendant::{Attendant, attend};
use crate::clock::{Clock, scaled_boot_id};
use crate::config::{Config, Origin};
use crate::intake::Intake;
use crate::keeper::Keeper;
use crate::limits::{self, Limits};
use crate::maintenance::Jobs;
use crate::recorder::{Recorder, set_aside_text};
use crate::reload::{self, Asked, Loaded};
use crate::roster::Roster;
use crate::{BUILD, timekeeping, upkeep};

/// How long an orderly stop may take before it is forced.
const STOP_LIMIT: Duration = Duration::from_secs(20);

/// Why the daemon could not run, or did not stop in order.
#[derive(Debug, thiserror::Error)]
pub enum ServiceError {
    /// The store cannot be used.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The store cannot be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The socket cannot be used.
    #[error(transparent)]
    Listen(#[from] ListenError),
    /// The system refuses something basic.
    #[error("the system refuses: {0}")]
    Io(#[from] std::io::Error),
    /// Something did not stop in time.
    #[error("{0} did not stop within 20 s; left without waiting")]
    Forced(&'static str),
    /// The last readings could not be written.
    #[error("the store could not be written at the end; the last readings are lost")]
    Unwritten,
    /// A second signal came.
    #[error("stopped at once by a second signal; the last second of readings may be missing")]
    SecondSignal,
}

impl ServiceError {
    /// 75 where trying again later may help, 1 elsewhere.
    pub fn exit_code(&self) -> u8 {
        match self {
            ServiceError::Open(_) | ServiceError::Store(_) | ServiceError::Listen(_) => 75,
            _ => 1,
        }
    }
}

/// Runs the daemon.
pub fn run(config: Config, origin: Origin, clock_rate: f64) -> Result<(), ServiceError> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let local = LocalSet::new();
    let result = runtime.block_on(local.run_until(serve(config, origin, clock_rate)));
    runtime.shutdown_timeout(Duration::from_secs(1));
    result
}

async fn serve(config: Config, origin: Origin, clock_rate: f64) -> Result<(), ServiceError> {
    for problem in &config.problems {
        tracing::error!("{problem}");
    }
    let Parts { daemon, recorder_thread, tasks, stop, asked } =
        assemble(&config, clock_rate).await?;
    let listener = api::bind(&config.api.socket).await?;
    daemon.intake.mark(MarkerKind::RecordingBegan, None, format!("recording began ({BUILD})"));
    let served = stop.clone();
    let server = axum::serve(listener, api::router(daemon.clone()))
        .with_graceful_shutdown(async move { served.cancelled().await });
    let server = tokio::task::spawn_local(server.into_future());
    tasks.spawn_local(timekeeping::keep(daemon.clone(), stop.clone()));
    tasks.spawn_local(upkeep::keep(daemon.clone(), stop.clone()));
    daemon.limits.configure(&daemon, &config);
    tasks.spawn_local(limits::watch(daemon.clone(), stop.clone()));
    tasks.spawn_local(attend(daemon.clone(), stop.clone()));
    let loaded = Loaded { origin, lasting: reload::lasting(&config) };
    tasks.spawn_local(reload::keep(daemon.clone(), loaded, asked, stop.clone()));
    tasks.close();
    tracing::info!(
        store = %daemon.store_path.display(),
        socket = %config.api.socket.display(),
        sources = daemon.roster.all().len(),
        "recording"
    );
    tell_service_manager(&[sd_notify::NotifyState::Ready]);
    told_to_stop().await?;
    tell_service_manager(&[sd_notify::NotifyState::Stopping]);
    tracing::info!("stopping");
    tokio::select! {
        ended = take_apart(&daemon, recorder_thread, &tasks, &stop) => ended?,
        again = told_to_stop() => {
            again?;
            return Err(ServiceError::SecondSignal);
        }
    }
    server.abort();
    let _ = std::fs::remove_file(&config.api.socket);
    tracing::info!("stopped; everything is on disk");
    Ok(())
}

struct Parts {
    daemon: Arc<Daemon>,
    recorder_thread: JoinHandle<bool>,
    tasks: TaskTracker,
    stop: CancellationToken,
    asked: Asked,
}

async fn assemble(config: &Config, clock_rate: f64) -> Result<Parts, ServiceError> {
    let (mut store, alarm) = open(&config.store.path)?;
    let clock = Arc::new(make_clock(&store, clock_rate)?);
    let run = store.begin_run(&NewRun {
        boot_id: clock.boot_id().to_owned(),
        started_t_us: clock.now_us(),
        clock_rate,
        recorded_by: BUILD.to_owned(),
        replay_of: None,
    })?;
    let newest = store.recorded_up_to();
    let instruments = config.sources.iter().map(|(n, s)| (n.clone(), s.instrument.clone()));
    store.put_instruments(run.id, &instruments.collect())?;
    let calibrations = Mutex::new(store.reader()?.calibrations(None)?);
    let store_path = absolute(store.path());
    let keeper = Arc::new(Keeper::new(store_path.clone()));
    let (recorder, recorder_thread) =
        Recorder::start(store, config.store.frame_log_mebibyte << 20)?;
    recorder.observation(clock.boot_id(), clock.observation(false));
    let intake = Arc::new(Intake::new(clock, recorder, keeper, run.id, newest));
    intake.keeper.add_run(&run);
    if let Some(alarm) = &alarm {
        tracing::error!("{alarm}");
        intake.mark(MarkerKind::Note, None, alarm.clone());
    }
    intake.keeper.resume(&intake).await;
    let (tasks, stop) = (TaskTracker::new(), CancellationToken::new());
    let roster = Roster::new(intake.clone(), tasks.clone(), stop.clone());
    config.sources.iter().for_each(|(name, source)| roster.begin(name, source));
    roster.refuse(&config.refused);
    let (reload, asked) = mpsc::channel(1);
    let daemon = Daemon {
        attendant: Attendant::default(),
        roster,
        reload,
        calibrations,
        limits: Limits::new(tasks.clone(), stop.clone()),
        jobs: Jobs::new(stop.clone()),
        store_path,
        store_alarm: alarm,
        synchronised: AtomicBool::new(false),
        intake,
    };
    Ok(Parts { daemon: Arc::new(daemon), recorder_thread, tasks, stop, asked })
}

/// Opens the store. Recording goes on whatever is there: what a damaged one
/// holds, or one of a newer program, is for a person, who is told.
fn open(path: &Path) -> Result<(Store, Option<String>), OpenError> {
    match open_with_reserve(path) {
        Ok((store, aside)) => Ok((store, aside.map(|aside| set_aside_text(&aside)))),
        Err(newer @ OpenError::Newer { known, .. }) => {
            let beside = beside_newer(path, known);
            let (store, aside) = open_with_reserve(&beside)?;
            let text = format!("{newer}; until then {} is recorded into", beside.display());
            let damaged = aside.map(|aside| format!("; {}", set_aside_text(&aside)));
            Ok((store, Some(text + &damaged.unwrap_or_default())))
        }
        Err(other) => Err(other),
    }
}

/// On a full disk with what was kept in reserve.
fn open_with_reserve(path: &Path) -> Result<(Store, Option<PathBuf>), OpenError> {
    match Store::open_or_set_aside(path) {
        Err(OpenError::Store(StoreError::Full { .. })) if Ballast::of(path).give_up() => {
            tracing::error!("the disk is full; what was kept in reserve is used: make room now");
            Store::open_or_set_aside(path)
        }
        other => other,
    }
}

fn absolute(path: &Path) -> PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_owned())
}

/// A scaled clock goes on from where its first run on this boot began, so
/// that a restart stays on the same axis.
fn make_clock(store: &Store, rate: f64) -> Result<Clock, ServiceError> {
    if rate == 1.0 {
        return Ok(Clock::system());
    }
    tracing::warn!(rate, "time is scaled: for demos and tests only; dates are made up");
    let seen = store.reader()?.observations(&scaled_boot_id(rate))?;
    let anchor: Option<ClockObservation> = seen.into_iter().min_by_key(|o| o.t_us);
    Ok(Clock::scaled(rate, anchor))
}

/// Sources end first, so that what they hold goes to the record; then the
/// record is written out.
async fn take_apart(
    daemon: &Daemon,
    recorder_thread: JoinHandle<bool>,
    tasks: &TaskTracker,
    stop: &CancellationToken,
) -> Result<(), ServiceError> {
    let deadline = Instant::now() + STOP_LIMIT;
    stop.cancel();
    if tokio::time::timeout(STOP_LIMIT, tasks.wait()).await.is_err() {
        return Err(ServiceError::Forced("a source"));
    }
    daemon.intake.mark(MarkerKind::RecordingEnded, None, "recording ended in order".to_owned());
    let recorder = daemon.intake.recorder.clone();
    let written = tokio::task::spawn_blocking(move || {
        recorder.finish();
        recorder_thread.join().unwrap_or(false)
    });
    let left = deadline.saturating_duration_since(Instant::now());
    match tokio::time::timeout(left, written).await {
        Ok(Ok(true)) => Ok(()),
        Ok(_) => Err(ServiceError::Unwritten),
        Err(_) => Err(ServiceError::Forced("the recorder")),
    }
}

async fn told_to_stop() -> Result<(), std::io::Error> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
    Ok(())
}

fn tell_service_manager(states: &[sd_notify::NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!("the service manager was not told: {error}");
    }
}
