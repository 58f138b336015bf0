//! Watches every live source for packs that come and go, and begins and ends
//! sessions by the bench's rules where nobody did. A person always goes first:
//! what one began is not ended, and where one ended something nothing begins
//! until the pack is gone.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use ampledger_methods::{PackRule, Rules};
use ampledger_report::{PackFeed, PackNews, sentences, unnamed};
use ampledger_store::{NewSession, NumberedSample, Range, Reader};
use ampledger_types::result::PhaseKind;
use ampledger_types::session::OpenedBy;
use ampledger_types::{Bound, Instrument, Marker, MarkerKind, Run, RunId, Session};
use tokio::sync::broadcast::error::RecvError;
use tokio_util::sync::CancellationToken;

use crate::api::{ApiError, Daemon};
use crate::intake::News;
use crate::opening::{self, Wanted};
use crate::source::Source;

/// How often silence is looked at, real time.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// How much of the record is looked at again at the start, beyond the rest that
/// ends a session.
const LOOK_BACK_US: i64 = 900_000_000;

/// The sources that are watched.
#[derive(Default)]
pub struct Attendant {
    wards: Mutex<BTreeMap<String, Ward>>,
}

struct Ward {
    feed: PackFeed,
    /// A person ended a session while the pack was there.
    is_left_alone: bool,
}

impl Attendant {
    /// Begins nothing on these sources until their pack is gone.
    pub fn leave_alone(&self, sources: &[String]) {
        let mut wards = self.lock();
        for source in sources {
            if let Some(ward) = wards.get_mut(source) {
                ward.is_left_alone = ward.feed.is_present();
            }
        }
    }

    /// The meter of a source is described otherwise: what counts as a load and
    /// as rest follows.
    pub fn describe(&self, source: &str, meter: &Instrument) {
        if let Some(ward) = self.lock().get_mut(source) {
            ward.feed.describe(unnamed(meter));
        }
    }

    fn sample(&self, daemon: &Daemon, run: &Run, sample: &NumberedSample) -> Vec<PackNews> {
        let name = &sample.decode_set.source;
        let mut wards = self.lock();
        if !wards.contains_key(name) {
            let Some(config) = daemon.roster.config(name) else {
                return Vec::new();
            };
            let feed = PackFeed::new(name, unnamed(&config.instrument));
            wards.insert(name.clone(), Ward { feed, is_left_alone: false });
        }
        wards.get_mut(name).map_or(Vec::new(), |ward| ward.feed.sample(run, &sample.sample))
    }

    fn time(&self, t_us: i64) -> Vec<(String, Vec<PackNews>)> {
        let mut wards = self.lock();
        wards.iter_mut().map(|(name, ward)| (name.clone(), ward.feed.time(t_us))).collect()
    }

    /// Whether a rule may begin something on the source. Once the pack is gone
    /// the next one is nobody's yet.
    fn may_begin(&self, source: &str) -> bool {
        self.lock().get(source).is_some_and(|ward| !ward.is_left_alone)
    }

    fn settle(&self, source: &str) {
        if let Some(ward) = self.lock().get_mut(source) {
            ward.is_left_alone &= ward.feed.is_present();
        }
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<String, Ward>> {
        self.wards.lock().unwrap_or_else(|e| e.into_inner())
    }
}

/// Watches until the process stops.
pub async fn attend(daemon: Arc<Daemon>, stop: CancellationToken) {
    let mut news = daemon.intake.listen();
    let run = match look_back(&daemon).await {
        Ok(run) => run,
        Err(error) => {
            tracing::error!("no session will begin or end by itself: {error}");
            return;
        }
    };
    let mut every = tokio::time::interval(LOOK_EVERY);
    loop {
        let told = tokio::select! {
            () = stop.cancelled() => return,
            _ = every.tick() => {
                let clock = &daemon.intake.clock;
                daemon.attendant.time(clock.now_us() - clock.slack_us())
            }
            heard = news.recv() => match heard {
                // A replay is no bench: nobody connects anything to it.
                Ok(News::Sample(sample)) if sample.run == run.id => {
                    let told = daemon.attendant.sample(&daemon, &run, &sample);
                    vec![(sample.decode_set.source.clone(), told)]
                }
                Ok(_) => continue,
                Err(RecvError::Lagged(missed)) => {
                    tracing::warn!(missed, "the rules did not see some readings");
                    continue;
                }
                Err(RecvError::Closed) => return,
            },
        };
        for (source, told) in told {
            for news in told {
                if let Err(error) = act(&daemon, &source, &news).await {
                    tracing::error!(source, "what a rule decided was not done: {error}");
                }
            }
            daemon.attendant.settle(&source);
        }
    }
}

async fn act(daemon: &Daemon, name: &str, news: &PackNews) -> Result<(), ApiError> {
    let Some(source) = daemon.roster.find(name) else {
        return Ok(());
    };
    let open = open_session(daemon, name).await?;
    let powered_by = source.config.instrument.powered_by;
    let decided = sentences::decided(&news.event, name, powered_by);
    let is_seen =
        matches!(news.event.rule, PackRule::Tripped | PackRule::WentDark | PackRule::CameBack);
    if is_seen {
        tracing::info!(source = name, "{decided}");
        daemon.intake.put_marker(Marker {
            source: Some(name.to_owned()),
            session: open.as_ref().map(|session| session.id),
            ..Marker::new(news.since, MarkerKind::Rule, decided.clone())
        });
    }
    if let (Some(start), None) = (news.opens, &open)
        && source.config.opens_sessions()
        && daemon.attendant.may_begin(name)
    {
        let new = by_rule(&source, start);
        opening::begin(daemon, Wanted { new, end: None, why: Some(decided.clone()) }).await?;
    }
    if let (Some(end), Some(mut session)) = (news.closes, open)
        && source.config.sessions.close
        && session.opened_by != OpenedBy::Person
        && session.sources.first().is_some_and(|first| first == name)
    {
        opening::end(daemon, &mut session, end, Some(decided)).await?;
    }
    Ok(())
}

fn by_rule(source: &Source, start: Bound) -> NewSession {
    let with = source.config.sessions.with.iter();
    NewSession {
        pack: None,
        sources: std::iter::once(&source.name).chain(with).cloned().collect(),
        opened_by: OpenedBy::Rule,
        start,
        cutoff_voltage_volt: None,
        cutoff_rule: Default::default(),
        tags: Vec::new(),
    }
}

async fn open_session(daemon: &Daemon, source: &str) -> Result<Option<Session>, ApiError> {
    let source = source.to_owned();
    daemon
        .read(move |reader| {
            let mut all = reader.sessions()?.into_iter();
            Ok(all.find(|session| session.is_open() && session.sources.contains(&source)))
        })
        .await
}

/// Takes up what was there before the process began, so that a restart neither
/// begins a session nor counts as a pack that was gone. Gives the present run.
async fn look_back(daemon: &Daemon) -> Result<Run, ApiError> {
    let (own, now_us) = (daemon.intake.run, daemon.intake.clock.now_us());
    let running = daemon.roster.all();
    let live = running.iter().filter(|source| source.config.replay.is_none());
    let settings: Vec<_> = live.map(|s| (s.name.clone(), unnamed(&s.config.instrument))).collect();
    let read = daemon.read(move |reader| {
        let feeds = settings.into_iter().map(|(name, setting)| {
            let feed = PackFeed::new(&name, setting);
            (name, feed)
        });
        replay_last(reader, feeds.collect(), own, now_us)
    });
    let (run, feeds) = read.await?;
    for (name, mut feed) in feeds {
        let session = open_session(daemon, &name).await?;
        if session.is_some() || feed.is_present() {
            let gave = match &session {
                Some(session) => has_discharged(daemon, session).await?,
                None => false,
            };
            feed.take_up(&run, now_us, gave);
        }
        daemon.attendant.lock().insert(name, Ward { feed, is_left_alone: false });
    }
    Ok(run)
}

async fn has_discharged(daemon: &Daemon, session: &Session) -> Result<bool, ApiError> {
    let snapshot = daemon.intake.keeper.snapshot(&daemon.intake, session).await?;
    Ok(snapshot.report.phases.iter().any(|phase| phase.kind == PhaseKind::Discharge))
}

type Feeds = BTreeMap<String, PackFeed>;

/// The last minutes of this boot, as if they arrived now; what the rules would
/// say to them was said then.
fn replay_last(
    reader: &Reader,
    mut feeds: Feeds,
    own: RunId,
    now_us: i64,
) -> Result<(Run, Feeds), ApiError> {
    let runs = reader.runs()?;
    let run = runs.iter().find(|run| run.id == own).cloned().ok_or_else(ApiError::inside)?;
    let rest_us = (Rules::default().close_rest_second * 1e6) as i64;
    let from_us = now_us - rest_us - LOOK_BACK_US;
    let same = |r: &&Run| r.boot_id == run.boot_id && r.replay_of.is_none();
    let first = runs.iter().rev().filter(same).find(|r| r.started_t_us <= from_us);
    let first = first.or(runs.iter().find(same)).map_or(own, |run| run.id);
    let from = Bound { run: first, t_us: from_us };
    let sources = feeds.keys().cloned().collect();
    reader.samples(&Range { sources, from, to: None, up_to: None }, |stored| {
        let before = runs.iter().find(|r| r.id == stored.run).filter(same);
        let feed = feeds.get_mut(&stored.decode_set.source);
        if let (Some(before), Some(feed)) = (before, feed) {
            feed.sample(before, &stored.sample);
        }
        ControlFlow::Continue(())
    })?;
    Ok((run, feeds))
}
