//! Reads the configuration again, on SIGHUP or when it is asked for, and touches
//! only the sources that changed. A file that cannot be used changes nothing.

use std::collections::BTreeMap;
use std::sync::Arc;

use ampledger_types::api::ReloadResponse;
use ampledger_types::{MarkerKind, Session};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

use crate::api::{ApiError, Daemon};
use crate::config::{Config, Origin, SourceConfig};

/// Where to ask for it.
pub type Asks = mpsc::Sender<oneshot::Sender<Result<ReloadResponse, String>>>;
/// Where it is asked for.
pub type Asked = mpsc::Receiver<oneshot::Sender<Result<ReloadResponse, String>>>;

/// What was configured at the last time, and where to read it again.
pub struct Loaded {
    /// Where it came from.
    pub origin: Origin,
    /// The sections that count from the next start on.
    pub lasting: Lasting,
}

/// The sections that are read at the start only, as they were written.
pub type Lasting = BTreeMap<&'static str, String>;

/// The sections of a configuration that are read at the start only.
pub fn lasting(config: &Config) -> Lasting {
    BTreeMap::from([
        ("store", format!("{:?}", config.store)),
        ("api", format!("{:?}", config.api)),
        ("log", format!("{:?}", config.log)),
    ])
}

/// Reads it again whenever it is asked for, until the process stops.
pub async fn keep(
    daemon: Arc<Daemon>,
    loaded: Loaded,
    mut asked: Asked,
    stop: CancellationToken,
) -> std::io::Result<()> {
    let mut hangup = signal(SignalKind::hangup())?;
    loop {
        let answer = tokio::select! {
            () = stop.cancelled() => return Ok(()),
            _ = hangup.recv() => None,
            Some(answer) = asked.recv() => Some(answer),
        };
        let done = reload(&daemon, &loaded).await;
        if let Some(answer) = answer {
            let _ = answer.send(done);
        }
    }
}

async fn reload(daemon: &Arc<Daemon>, loaded: &Loaded) -> Result<ReloadResponse, String> {
    let config = match loaded.origin.load() {
        Ok(config) => config,
        Err(error) => {
            let told = format!("the configuration cannot be used, so nothing was changed: {error}");
            tracing::error!("{told}");
            return Err(told);
        }
    };
    config.problems.iter().for_each(|problem| tracing::error!("{problem}"));
    let mut done = ReloadResponse {
        problems: config.problems.iter().map(ToString::to_string).collect(),
        ..ReloadResponse::default()
    };
    for (section, now) in lasting(&config) {
        if loaded.lasting.get(section) != Some(&now) {
            done.after_restart.push(section.to_owned());
        }
    }
    end_missing(daemon, &config, &mut done).await;
    for (name, source) in &config.sources {
        apply(daemon, name, source, &mut done).await;
    }
    done.limits = daemon.limits.configure(daemon, &config);
    let mut refused = config.refused;
    refused.retain(|name, _| !done.kept.contains(name));
    daemon.roster.refuse(&refused);
    tell(daemon, &done);
    Ok(done)
}

async fn end_missing(daemon: &Daemon, config: &Config, done: &mut ReloadResponse) {
    for name in daemon.roster.all().iter().map(|source| source.name.clone()) {
        if config.refused.contains_key(&name) {
            done.kept.push(name);
        } else if !config.sources.contains_key(&name) {
            daemon.roster.end(&name).await;
            done.ended.push(name);
        }
    }
}

async fn apply(daemon: &Daemon, name: &str, new: &SourceConfig, done: &mut ReloadResponse) {
    let Some(old) = daemon.roster.config(name) else {
        describe(daemon, name, new).await;
        daemon.roster.begin(name, new);
        return done.begun.push(name.to_owned());
    };
    let is_other_plugin = daemon.roster.has_another_plugin(name);
    if old == *new && !is_other_plugin {
        return done.untouched.push(name.to_owned());
    }
    if old.instrument != new.instrument {
        describe(daemon, name, new).await;
    }
    let is_described = SourceConfig { instrument: new.instrument.clone(), ..old } == *new;
    if is_described && !is_other_plugin {
        daemon.roster.describe(name, new);
        return done.described.push(name.to_owned());
    }
    daemon.roster.end(name).await;
    daemon.roster.begin(name, new);
    done.changed.push(name.to_owned());
}

/// Notes how the instrument of a source is described in this run. It counts for
/// all that was recorded in it, so what was said of sessions that ended in it is
/// issued first, and each gets a new revision.
async fn describe(daemon: &Daemon, name: &str, config: &SourceConfig) {
    daemon.attendant.describe(name, &config.instrument);
    if let Err(error) = renew(daemon, name).await {
        tracing::error!(source = name, "its sessions keep what was said of them: {error}");
    }
    let run = daemon.intake.run;
    let described = BTreeMap::from([(name.to_owned(), config.instrument.clone())]);
    let put =
        daemon.intake.recorder.with_store(move |store| store.put_instruments(run, &described));
    match put.await {
        Ok(Ok(())) => {}
        Ok(Err(error)) => tracing::error!(source = name, "its description is not noted: {error}"),
        Err(error) => tracing::error!(source = name, "its description is not noted: {error}"),
    }
}

async fn renew(daemon: &Daemon, name: &str) -> Result<(), ApiError> {
    let run = daemon.intake.run;
    let all = daemon.read(|reader| Ok(reader.sessions()?)).await?;
    let is_of = |s: &Session| s.sources.is_empty() || s.sources.iter().any(|of| of == name);
    let ended = |s: &Session| s.end.is_some_and(|end| end.run == run);
    for mut session in all.into_iter().filter(|session| ended(session) && is_of(session)) {
        crate::api::issue(daemon, &session).await?;
        session.revision += 1;
        daemon.intake.recorder.with_store(move |store| store.put_session(&session)).await??;
    }
    Ok(())
}

fn tell(daemon: &Daemon, done: &ReloadResponse) {
    let parts: Vec<String> = [
        ("begun", &done.begun),
        ("changed", &done.changed),
        ("described otherwise", &done.described),
        ("ended", &done.ended),
        ("kept as it was", &done.kept),
        ("limits set anew", &done.limits),
    ]
    .iter()
    .filter(|(_, names)| !names.is_empty())
    .map(|(what, names)| format!("{what}: {}", names.join(", ")))
    .collect();
    match parts.as_slice() {
        [] => tracing::info!("configuration read again: nothing changed"),
        parts => {
            let text = format!("configuration read again; {}", parts.join("; "));
            tracing::warn!("{text}");
            daemon.intake.mark(MarkerKind::Configuration, None, text);
        }
    }
}
