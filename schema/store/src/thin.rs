//! Retention: samples that are older than a day that a person names, and that
//! nothing needs, go; their minutes and hours stay. What any session may need
//! is never touched.

use std::collections::BTreeMap;

use ampledger_types::{Bound, ClockMap, ClockObservation, Session};
use rusqlite::Connection;

use crate::error::{Fault, StoreError};
use crate::head::{self, Head};
use crate::intern::Origins;
use crate::open::Store;
use crate::pin;
use crate::read::end;
use crate::reader::Reader;
use crate::redecode::Stretch;

/// What comes before a session may prove that its pack was full, or who had
/// it: this much of it stays, microseconds.
const BEFORE_SESSION_US: i64 = 3 * 86_400_000_000;

/// What thinning takes, or took.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Thinning {
    /// By source: samples, and bytes they take.
    pub sources: BTreeMap<String, (u64, u64)>,
    /// Whether more is left to be taken.
    pub is_more: bool,
}

impl Thinning {
    /// All samples of it.
    pub fn samples(&self) -> u64 {
        self.sources.values().map(|(samples, _)| samples).sum()
    }

    /// All bytes of it.
    pub fn bytes(&self) -> u64 {
        self.sources.values().map(|(_, bytes)| bytes).sum()
    }

    /// Takes in what was taken next.
    pub fn join(&mut self, next: &Thinning) {
        for (source, (samples, bytes)) in &next.sources {
            let of_source = self.sources.entry(source.clone()).or_default();
            *of_source = (of_source.0 + samples, of_source.1 + bytes);
        }
        self.is_more = next.is_more;
    }

    fn add(&mut self, source: &str, samples: i64, bytes: i64) {
        let of_source = self.sources.entry(source.to_owned()).or_default();
        of_source.0 += samples.unsigned_abs();
        of_source.1 += bytes.unsigned_abs();
    }
}

impl Reader {
    /// What thinning would take that is older than this moment, microseconds
    /// since 1970-01-01 UTC.
    pub fn thinning(&self, before_unix_us: i64) -> Result<Thinning, StoreError> {
        self.read(|db| {
            let mut thinning = Thinning::default();
            for head in unneeded(db, before_unix_us)? {
                let bytes = bytes(db, head.id)?;
                thinning.add(&head.origin.decode_set.source, head.samples, bytes);
            }
            Ok(thinning)
        })
    }
}

impl Store {
    /// Takes the samples that [`Reader::thinning`] names, the oldest first, but
    /// no more chunks than `most` at once, so that recording goes on meanwhile.
    pub fn thin(&mut self, before_unix_us: i64, most: usize) -> Result<Thinning, StoreError> {
        self.write(|tx, _| {
            let mut thinning = Thinning::default();
            // Looked for here again: a session may have begun in the past.
            let unneeded = unneeded(tx, before_unix_us)?;
            thinning.is_more = unneeded.len() > most;
            for head in unneeded.into_iter().take(most) {
                let bytes = bytes(tx, head.id)?;
                tx.prepare_cached(
                    "INSERT INTO thinned (channel_group, run, first_seq, last_seq, samples, \
                     t_min_us, t_max_us) SELECT channel_group, run, first_seq, last_seq, samples, \
                     t_min_us, t_max_us FROM chunk WHERE id = ?1",
                )?
                .execute([head.id])?;
                head::delete(tx, head.id)?;
                thinning.add(&head.origin.decode_set.source, head.samples, bytes);
            }
            Ok(thinning)
        })
    }
}

fn bytes(db: &Connection, chunk: i64) -> rusqlite::Result<i64> {
    let find = "SELECT ifnull((SELECT length(data) FROM chunk_data WHERE chunk = ?1), 0)";
    db.prepare_cached(find)?.query_row([chunk], |row| row.get(0))
}

/// The chunks that are old enough and that nothing needs, the oldest first.
fn unneeded(db: &Connection, before_unix_us: i64) -> Result<Vec<Head>, Fault> {
    let (clocks, pins) = (clocks(db)?, pin::pins(db)?);
    let mut sessions = crate::records::sessions(db, None)?;
    // What a rule opened and nobody took up keeps nothing.
    sessions.retain(Session::is_adopted);
    let summed = "SELECT up_to_seq FROM summed WHERE what = 'minute'";
    let summed: i64 = db.query_row(summed, [], |row| row.get(0))?;
    let is_unneeded = |head: &Head| {
        head.last_seq <= summed
            && is_older(head, &clocks, before_unix_us)
            && !sessions.iter().any(|session| may_need(session, head))
            && !pins.iter().any(|pin| holds(pin, head))
    };
    let mut heads = head::all(db, &Origins::default())?;
    heads.retain(is_unneeded);
    heads.sort_by_key(|head| (head.run, head.t_min_us));
    Ok(heads)
}

/// Whether all of it certainly is: what has no date that can be trusted is not.
fn is_older(head: &Head, clocks: &BTreeMap<i64, ClockMap>, before_unix_us: i64) -> bool {
    let dated = clocks.get(&head.run.0).and_then(|clock| clock.date(head.t_max_us));
    dated.is_some_and(|dated| dated.synchronised && dated.unix_us < before_unix_us)
}

fn may_need(session: &Session, head: &Head) -> bool {
    // Whatever the source: another one may say who had the pack.
    let from_us = session.start.t_us.saturating_sub(BEFORE_SESSION_US);
    let from = Bound { run: session.start.run, t_us: from_us };
    let at = |t_us| Bound { run: head.run, t_us };
    // The run before may be that of yesterday.
    let run_before = head.run.0 == session.start.run.0 - 1;
    run_before || (at(head.t_max_us) >= from && at(head.t_min_us) <= end(session.end))
}

fn holds(pin: &Stretch, head: &Head) -> bool {
    pin.source == head.origin.decode_set.source
        && pin.run == head.run
        && pin.from_t_us <= head.t_max_us
        && pin.to_t_us >= head.t_min_us
}

/// What dates the times of each run.
fn clocks(db: &Connection) -> Result<BTreeMap<i64, ClockMap>, Fault> {
    let mut find = db.prepare_cached(
        "SELECT id, t_us, unix_us, synchronised FROM run \
         JOIN clock_observation ON clock_observation.boot_id = run.boot_id ORDER BY id",
    )?;
    let mut rows = find.query([])?;
    let mut seen: BTreeMap<i64, Vec<ClockObservation>> = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let (t_us, unix_us, synchronised) = (row.get(1)?, row.get(2)?, row.get(3)?);
        let observation = ClockObservation { t_us, unix_us, synchronised };
        seen.entry(row.get(0)?).or_default().push(observation);
    }
    Ok(seen.into_iter().map(|(run, seen)| (run, ClockMap::new(seen))).collect())
}
