//! Feeds the limits: readings as they arrive, silence and disk as time passes,
//! open sessions every few seconds.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use ampledger_store::Ballast;
use ampledger_types::Session;
use ampledger_types::alarm::LimitKind;
use tokio::sync::broadcast::error::RecvError;
use tokio_util::sync::CancellationToken;

use super::About;
use super::watch::is_lost;
use crate::api::Daemon;
use crate::intake::News;

/// How often silence is looked at, real time.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// Looks from one look at the open sessions to the next.
const LOOKS_PER_SESSION: u32 = 8;
/// Looks from one look at the disk to the next.
const LOOKS_PER_DISK: u32 = 40;

/// Watches until the process stops.
pub async fn watch(daemon: Arc<Daemon>, stop: CancellationToken) {
    let mut news = daemon.intake.listen();
    let mut every = tokio::time::interval(LOOK_EVERY);
    let mut heard_us: BTreeMap<String, i64> = BTreeMap::new();
    let (began_us, mut looks) = (daemon.intake.clock.now_us(), 0_u32);
    loop {
        tokio::select! {
            () = stop.cancelled() => return,
            _ = every.tick() => {
                look_at_silence(&daemon, &heard_us, began_us);
                if looks.is_multiple_of(LOOKS_PER_SESSION) {
                    look_at_sessions(&daemon).await;
                }
                if looks.is_multiple_of(LOOKS_PER_DISK) {
                    look_at_disk(&daemon);
                }
                looks = looks.wrapping_add(1);
            }
            heard = news.recv() => match heard {
                Ok(News::Sample(sample)) if sample.run == daemon.intake.run => {
                    let source = &sample.decode_set.source;
                    heard_us.insert(source.clone(), sample.sample.t_us);
                    daemon.limits.each(&daemon, |watch| {
                        let change = watch.sample(source, &sample.sample)?;
                        Some((change, about(&daemon, source)))
                    });
                }
                Ok(_) => {}
                Err(RecvError::Lagged(missed)) => {
                    tracing::warn!(missed, "the limits did not see some readings");
                }
                Err(RecvError::Closed) => return,
            },
        }
    }
}

/// The session that is open on a source, and its pack: who is told wants to know.
fn about(daemon: &Daemon, source: &str) -> About {
    match daemon.intake.keeper.on_source(source) {
        Some((session, pack)) => About { session: Some(session), pack, ..About::default() },
        None => About::default(),
    }
}

fn look_at_silence(daemon: &Daemon, heard_us: &BTreeMap<String, i64>, began_us: i64) {
    let clock = &daemon.intake.clock;
    let now_us = clock.now_us() - clock.slack_us();
    daemon.limits.each(daemon, |watch| {
        let source =
            watch.config.source.as_ref().filter(|_| watch.config.kind == LimitKind::NoData)?;
        let last_us = heard_us.get(source).copied().unwrap_or(began_us);
        let silent = (now_us - last_us).max(0) as f64 / 1e6;
        let about = about(daemon, source);
        Some((watch.look(0, now_us, silent)?, about))
    });
}

fn look_at_disk(daemon: &Daemon) {
    let Some(mut free_mebibyte) = free_mebibyte(&daemon.store_path) else { return };
    if daemon.intake.recorder.reserve_given_up() {
        // The room that the reserve would take is none to rely on.
        free_mebibyte = (free_mebibyte - mebibyte(Ballast::BYTES as f64)).max(0.0);
    }
    let now_us = daemon.intake.clock.now_us();
    daemon.limits.each(daemon, |watch| match watch.config.kind {
        LimitKind::StoreNearlyFull => {
            Some((watch.look(0, now_us, free_mebibyte)?, About::default()))
        }
        _ => None,
    });
}

/// What is left on the disk for whoever is not root.
fn free_mebibyte(store: &Path) -> Option<f64> {
    let folder = store.parent()?;
    let seen = rustix::fs::statvfs(folder).ok()?;
    Some(mebibyte(seen.f_bavail as f64 * seen.f_frsize as f64))
}

fn mebibyte(bytes: f64) -> f64 {
    bytes / f64::from(1 << 20)
}

/// A session is computed anew only where a limit asks about it.
async fn look_at_sessions(daemon: &Daemon) {
    if !daemon.limits.asks_about_sessions() {
        return;
    }
    let Ok(all) = daemon.read(|reader| Ok(reader.sessions()?)).await else { return };
    let open: Vec<Session> = all.into_iter().filter(Session::is_open).collect();
    let ids: Vec<i64> = open.iter().map(|session| session.id).collect();
    daemon.limits.keep_sessions(&ids);
    for session in open {
        let Ok(snapshot) = daemon.intake.keeper.snapshot(&daemon.intake, &session).await else {
            continue;
        };
        let now_us = daemon.intake.clock.now_us();
        daemon.limits.each(daemon, |watch| {
            if !matches!(watch.config.kind, LimitKind::EndOfDischarge | LimitKind::Target) {
                return None;
            }
            let value = watch.of_session(&snapshot)?;
            let about = About {
                session: Some(session.id),
                pack: session.pack.clone(),
                sentence: Some(snapshot.sentence.clone()),
                is_lost: is_lost(&snapshot),
            };
            Some((watch.look(session.id, now_us, value)?, about))
        });
    }
}
