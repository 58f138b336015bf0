//! Decoding a session again from its frames: what would change, and making it
//! so. What was decoded before stays in the record.

mod compare;
mod plan;
mod player;
mod replay;

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_decoders::DecoderConfig;
use ampledger_decoders::config::PluginConfig;
use ampledger_store::{Range, Reader, Redecoder, Store};
use ampledger_types::api::{ConfigText, RedecodeResponse, RedecodedSource};
use ampledger_types::{Bound, DecodeSet, Marker, MarkerKind, Seq, Session};

use crate::api::{ApiError, Daemon};
use crate::config;
use crate::reading::warn_of_frames;
use plan::Piece;
use replay::Replay;

/// How one source's frames are to be read.
#[derive(Clone, Debug)]
pub struct Reading {
    decoder: String,
    config: DecoderConfig,
    plugin: Option<PluginConfig>,
}

/// What decoding a session again comes to.
#[derive(Clone, Debug)]
pub struct Redecoding {
    found: Vec<Found>,
    sessions: Vec<i64>,
}

#[derive(Clone, Debug)]
struct Found {
    replay: Replay,
    pieces: Vec<Piece>,
    told: RedecodedSource,
}

/// How each source of a session is to be read: as the configuration given
/// says, or as the daemon's own.
pub fn readings(
    daemon: &Daemon,
    session: &Session,
    with: Option<&ConfigText>,
) -> Result<BTreeMap<String, Reading>, ApiError> {
    let given = match with {
        Some(with) => given(with)?,
        None => configured(daemon),
    };
    let chosen: BTreeMap<String, Reading> = session
        .sources
        .iter()
        .filter_map(|name| Some((name.clone(), given.get(name)?.clone())))
        .collect();
    match (chosen.is_empty(), with) {
        (false, _) => Ok(chosen),
        (true, Some(with)) => Err(ApiError::bad(
            "no_such_source",
            format!(
                "{} has no table for {}, which session {} is about",
                with.file,
                session.sources.join(" or "),
                session.id
            ),
        )),
        (true, None) => Err(ApiError::bad(
            "no_such_source",
            format!(
                "{} is not in the daemon's configuration any more; give one with `--with`",
                session.sources.join(", ")
            ),
        )),
    }
}

fn configured(daemon: &Daemon) -> BTreeMap<String, Reading> {
    let reading = |source: &Arc<crate::source::Source>| {
        let config = &source.config;
        let reading = Reading {
            decoder: config.decoder.clone(),
            config: config.decoder_config(),
            plugin: config.plugin.clone(),
        };
        (source.name.clone(), reading)
    };
    daemon.roster.all().iter().map(reading).collect()
}

fn given(with: &ConfigText) -> Result<BTreeMap<String, Reading>, ApiError> {
    let tables = config::decoder_tables(&with.file, &with.text)
        .map_err(|problems| ApiError::bad("bad_configuration", problems))?;
    let reading = |(name, (decoder, config, plugin))| (name, Reading { decoder, config, plugin });
    Ok(tables.into_iter().map(reading).collect())
}

/// Finds out what decoding a session again comes to; changes nothing.
pub fn find(
    reader: &Reader,
    session: &Session,
    readings: BTreeMap<String, Reading>,
) -> Result<Redecoding, ApiError> {
    let mut found = Vec::new();
    for (source, reading) in readings {
        let replay = Replay::new(&source, &reading)?;
        let mut pieces = sound_pieces(reader, session, replay.decode_set())?;
        let told = compare::compare(reader, session, &replay, &mut pieces)?;
        found.push(Found { replay, pieces, told });
    }
    if found.iter().all(|f| f.pieces.is_empty()) {
        let message = format!(
            "no frames of session {} are kept, so it cannot be decoded again; the oldest \
             outside sessions are dropped (`frame_log_mebibyte` under `[store]`), and an \
             imported file has none",
            session.id
        );
        return Err(ApiError::conflict("no_frames", message));
    }
    let sessions = touched(&reader.sessions()?, &found);
    Ok(Redecoding { found, sessions })
}

/// The pieces of a session; a damaged chunk is a hole between two of them.
fn sound_pieces(
    reader: &Reader,
    session: &Session,
    set: &DecodeSet,
) -> Result<Vec<Piece>, ApiError> {
    let mut heads = reader.chunks(&set.source)?;
    loop {
        let pieces = plan::pieces(&heads, session, set);
        let mut unreadable = Vec::new();
        for head in pieces.iter().flat_map(|piece| &piece.chunks) {
            if reader.chunk(head)?.is_none() {
                unreadable.push(head.id);
            }
        }
        if unreadable.is_empty() {
            return Ok(pieces);
        }
        warn_of_frames(reader);
        heads.retain(|head| !unreadable.contains(&head.id));
    }
}

/// The sessions in whose stretch something is decoded otherwise.
fn touched(sessions: &[Session], found: &[Found]) -> Vec<i64> {
    let touches = |session: &&Session| {
        found.iter().filter(|f| f.told.differs).flat_map(|f| &f.pieces).any(|piece| {
            let at = |t_us| Bound { run: piece.stretch.run, t_us };
            let is_of =
                session.sources.is_empty() || session.sources.contains(&piece.stretch.source);
            is_of
                && session.start <= at(piece.stretch.to_t_us)
                && session.end.is_none_or(|end| end >= at(piece.stretch.from_t_us))
        })
    };
    sessions.iter().filter(touches).map(|session| session.id).collect()
}

impl Redecoding {
    /// How many new samples it makes; 0 if nothing would change.
    pub fn new_samples(&self) -> u64 {
        self.changed().flat_map(|f| &f.pieces).map(|piece| piece.samples).sum()
    }

    /// Why it cannot be applied, if it cannot.
    pub fn refusal(&self) -> Option<ApiError> {
        let reads_nothing = |f: &&Found| !f.pieces.is_empty() && f.told.samples[1] == 0;
        if let Some(found) = self.found.iter().find(reads_nothing) {
            let why = found.told.first_complaint.as_ref();
            let message = format!(
                "with this configuration {} gives no sample at all, so nothing was applied{}",
                found.told.source,
                why.map_or(String::new(), |why| format!(": {why}"))
            );
            return Some(ApiError::conflict("no_samples", message));
        }
        if self.changed().next().is_some() {
            return None;
        }
        let message = "nothing would change, so nothing was applied: every sample is decoded as \
                       it was, to the last bit";
        Some(ApiError::conflict("nothing_changes", message))
    }

    fn changed(&self) -> impl Iterator<Item = &Found> {
        self.found.iter().filter(|f| f.told.differs)
    }

    /// Makes it so, in one transaction; `now` is when.
    pub fn apply(&self, store: &mut Store, first_seq: Seq, now: Bound) -> Result<(), ApiError> {
        let reader = Reader::open(store.path())?;
        store.redecode(first_seq, |to| {
            for found in self.changed() {
                for piece in found.pieces.iter().filter(|piece| piece.samples > 0) {
                    write(&reader, &found.replay, piece, to)?;
                }
            }
            for id in &self.sessions {
                to.marker(&self.marker(*id, now))?;
                to.grow(*id)?;
            }
            Ok::<_, ApiError>(())
        })?;
        Ok(())
    }

    fn marker(&self, session: i64, at: Bound) -> Marker {
        let with: Vec<String> = self.changed().map(|f| named(f.replay.decode_set())).collect();
        let text = format!("decoded again from its frames: {}", with.join("; "));
        Marker { session: Some(session), ..Marker::new(at, MarkerKind::Session, text) }
    }

    /// The sessions whose revision grows with it.
    pub fn sessions(&self) -> &[i64] {
        &self.sessions
    }

    /// What is told of it.
    pub fn told(self, session: Session, applied: bool) -> RedecodeResponse {
        let sources = self.found.into_iter().map(|f| f.told).collect();
        RedecodeResponse { session, sources, applied, sessions: self.sessions }
    }
}

/// `bench-shunt with text-lines 3, configuration 1a2b3c4d5e6f`
fn named(set: &DecodeSet) -> String {
    let digest = set.config_digest.get(..12).unwrap_or(&set.config_digest);
    format!("{} with {} {}, configuration {digest}", set.source, set.decoder, set.decoder_version)
}

fn write(
    reader: &Reader,
    replay: &Replay,
    piece: &Piece,
    to: &mut Redecoder<'_>,
) -> Result<(), ApiError> {
    to.stretch(piece.stretch.clone())?;
    let mut failed = None;
    replay.play(reader, piece, |said| {
        let replay::Said::Sample(sample) = said else { return ControlFlow::Continue(()) };
        match to.sample(sample) {
            Ok(()) => ControlFlow::Continue(()),
            Err(error) => {
                failed = Some(error);
                ControlFlow::Break(())
            }
        }
    })?;
    failed.map_or(Ok(()), |error| Err(error.into()))
}

/// All samples of one source in a stretch of a session.
fn range(source: &str, from: Bound, to: Option<Bound>) -> Range {
    Range { sources: vec![source.to_owned()], from, to, up_to: None }
}
