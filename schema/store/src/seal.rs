//! Sealing: samples leave the tail for a chunk once there are enough of them.
//! A sample is always in one of the two, never in both.

use std::collections::BTreeMap;

use rusqlite::{CachedStatement, Connection, params};

use crate::append::NumberedSample;
use crate::chunk::{Columns, FULL, Lying};
use crate::columns::Block;
use crate::error::{Fault, StoreError};
use crate::open::Store;
use crate::readings;

/// Groups with this many samples are sealed along with one that is full: what
/// is deleted of the tail then lies together.
const ALONG: usize = FULL / 2;
/// A chunk is sealed early once it spans this long, if it has a few samples.
const LONG_US: i64 = 3_600_000_000;
/// How many those are.
const FEW: usize = 128;

/// A run and a group: what lies in one chunk.
pub(crate) type Key = (i64, i64);

/// How much of what lies in the tail.
#[derive(Debug, Default)]
pub(crate) struct Tails {
    known: BTreeMap<Key, Tail>,
    is_loaded: bool,
}

#[derive(Clone, Copy, Debug)]
struct Tail {
    samples: usize,
    earliest_us: i64,
    latest_us: i64,
}

impl Tails {
    /// Looks what there is, once.
    pub(crate) fn load(&mut self, db: &Connection) -> rusqlite::Result<()> {
        if self.is_loaded {
            return Ok(());
        }
        let mut find = db.prepare_cached(
            "SELECT run, channel_group, count(*), min(t_us), max(t_us) FROM tail \
             GROUP BY run, channel_group",
        )?;
        let rows = find.query_map([], |row| {
            let samples = row.get::<_, i64>(2)?.unsigned_abs() as usize;
            let tail = Tail { samples, earliest_us: row.get(3)?, latest_us: row.get(4)? };
            Ok(((row.get(0)?, row.get(1)?), tail))
        })?;
        self.known = rows.collect::<Result<_, _>>()?;
        self.is_loaded = true;
        Ok(())
    }

    pub(crate) fn is_empty(&self, key: Key) -> bool {
        !self.known.contains_key(&key)
    }

    fn note(&mut self, key: Key, t_us: i64) {
        let tail = self.known.entry(key).or_insert(Tail {
            samples: 0,
            earliest_us: t_us,
            latest_us: t_us,
        });
        tail.samples += 1;
        tail.earliest_us = tail.earliest_us.min(t_us);
        tail.latest_us = tail.latest_us.max(t_us);
    }

    /// Seals what is due.
    pub(crate) fn seal_due(&mut self, db: &Connection) -> Result<(), Fault> {
        let is_full = |tail: &Tail| tail.samples >= FULL;
        while self.known.values().any(is_full) {
            self.seal_those(db, |_, tail| tail.samples >= ALONG)?;
        }
        self.seal_those(db, |_, tail| {
            tail.samples >= FEW && tail.latest_us.saturating_sub(tail.earliest_us) >= LONG_US
        })
    }

    /// Seals what is left of runs that are over.
    pub(crate) fn seal_before(&mut self, db: &Connection, run: i64) -> Result<(), Fault> {
        self.load(db)?;
        let is_over = |key: &Key, _: &Tail| key.0 < run;
        while self.known.keys().any(|key| key.0 < run) {
            self.seal_those(db, is_over)?;
        }
        Ok(())
    }

    /// Seals a chunk of each tail that is chosen.
    fn seal_those(
        &mut self,
        db: &Connection,
        chosen: impl Fn(&Key, &Tail) -> bool,
    ) -> Result<(), Fault> {
        let due: Vec<Key> =
            self.known.iter().filter(|(key, tail)| chosen(key, tail)).map(|(k, _)| *k).collect();
        for key in due {
            let left = seal(db, key)?;
            match left {
                0 => self.known.remove(&key),
                _ => self.known.insert(key, rest(db, key, left)?),
            };
        }
        Ok(())
    }
}

impl Store {
    /// Seals all samples that are in the tail, few as they may be.
    pub fn seal(&mut self) -> Result<(), StoreError> {
        self.write(|tx, working| working.tails.seal_before(tx, i64::MAX))
    }
}

/// What a tail is like after a part of it was sealed.
fn rest(db: &Connection, (run, group): Key, samples: usize) -> rusqlite::Result<Tail> {
    let find = "SELECT min(t_us), max(t_us) FROM tail WHERE run = ?1 AND channel_group = ?2";
    db.prepare_cached(find)?.query_row([run, group], |row| {
        Ok(Tail { samples, earliest_us: row.get(0)?, latest_us: row.get(1)? })
    })
}

/// Seals the first samples of a tail; gives back how many are left.
fn seal(db: &Connection, (run, group): Key) -> Result<usize, Fault> {
    let mut find = db.prepare_cached(
        "SELECT seq, t_us, instrument_t_us, readings FROM tail \
         WHERE run = ?1 AND channel_group = ?2 ORDER BY seq",
    )?;
    let mut rows = find.query([run, group])?;
    let (mut columns, mut left) = (None, 0);
    while let Some(row) = rows.next()? {
        let bytes = row.get_ref(3)?.as_blob().map_err(|e| Fault::Damaged(e.to_string()))?;
        let columns = columns.get_or_insert_with(|| Columns::of(bytes.len() / 8));
        if columns.len() == FULL {
            left += 1;
            continue;
        }
        let seq = row.get(0)?;
        let values = readings::read(bytes, columns.values.len())
            .ok_or_else(|| Fault::Damaged(format!("the readings of sample {seq} do not fit")))?;
        columns.push(seq, row.get(1)?, row.get(2)?, &values);
    }
    let Some(columns) = columns else { return Ok(0) };
    write_chunk(db, (run, group), &columns.lying())?;
    let last = columns.seqs.last().copied().unwrap_or(0);
    db.prepare_cached("DELETE FROM tail WHERE run = ?1 AND channel_group = ?2 AND seq <= ?3")?
        .execute([run, group, last])?;
    Ok(left)
}

/// Writes a chunk; gives back its number.
pub(crate) fn write_chunk(
    db: &Connection,
    (run, group): Key,
    columns: &Lying<'_>,
) -> Result<i64, Fault> {
    let id = db
        .prepare_cached(
            "INSERT INTO chunk \
             (channel_group, run, first_seq, last_seq, samples, t_min_us, t_max_us) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )?
        .insert(params![
            group,
            run,
            columns.seqs.first(),
            columns.seqs.last(),
            columns.seqs.len() as i64,
            columns.t_us.iter().min(),
            columns.t_us.iter().max(),
        ])?;
    db.prepare_cached("INSERT INTO chunk_data (chunk, data) VALUES (?1, ?2)")?
        .execute(params![id, columns.to_bytes()])?;
    Ok(id)
}

/// Puts samples into the tail, or straight into chunks where they fill them:
/// `group` gives the number of a sample's group.
pub(crate) fn write(
    db: &Connection,
    tails: &mut Tails,
    new: &[NumberedSample],
    groups: &[i64],
) -> Result<(), Fault> {
    tails.load(db)?;
    let mut rest = 0;
    if let (Some(first), Some(group)) = (new.first(), groups.first()) {
        let key = (first.run.0, *group);
        let alike = new.iter().zip(groups).all(|(s, g)| (s.run.0, *g) == key);
        if alike && tails.is_empty(key) {
            for full in new.chunks_exact(FULL) {
                write_chunk(db, key, &columns(full).lying())?;
                rest += FULL;
            }
        }
    }
    let mut insert = db.prepare_cached(INSERT)?;
    let mut bytes = Vec::new();
    for (sample, group) in new[rest..].iter().zip(&groups[rest..]) {
        insert_row(&mut insert, sample, *group, &mut bytes)?;
        tails.note((sample.run.0, *group), sample.sample.t_us);
    }
    tails.seal_due(db)
}

/// As [`write`], with samples that lie in columns already.
pub(crate) fn write_block(
    db: &Connection,
    tails: &mut Tails,
    block: &Block,
    group: i64,
) -> Result<(), Fault> {
    tails.load(db)?;
    let key = (block.run.0, group);
    let mut rest = 0;
    while tails.is_empty(key) && block.seqs.len() - rest >= FULL {
        let full = rest..rest + FULL;
        let seqs: Vec<i64> = block.seqs[full.clone()].iter().map(|s| s.cast_signed()).collect();
        let lying = Lying {
            seqs: &seqs,
            t_us: &block.t_us[full.clone()],
            instrument_t_us: &block.instrument_t_us[full.clone()],
            values: block.values.iter().map(|column| &column[full.clone()]).collect(),
        };
        write_chunk(db, key, &lying)?;
        rest += FULL;
    }
    let samples: Vec<NumberedSample> = block.samples_from(rest).collect();
    write(db, tails, &samples, &vec![group; samples.len()])
}

const INSERT: &str = "INSERT INTO tail (seq, run, channel_group, t_us, instrument_t_us, readings) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6)";

fn insert_row(
    insert: &mut CachedStatement<'_>,
    given: &NumberedSample,
    group: i64,
    bytes: &mut Vec<u8>,
) -> rusqlite::Result<()> {
    let sample = &given.sample;
    readings::write(&sample.values, bytes);
    let seq = given.seq.cast_signed();
    insert.execute(params![
        seq,
        given.run.0,
        group,
        sample.t_us,
        sample.instrument_t_us,
        &*bytes
    ])?;
    Ok(())
}

fn columns(samples: &[NumberedSample]) -> Columns {
    let channels = samples.first().map_or(0, |s| s.sample.values.len());
    let mut columns = Columns::of(channels);
    for given in samples {
        let sample = &given.sample;
        let seq = given.seq.cast_signed();
        columns.push(seq, sample.t_us, sample.instrument_t_us, &sample.values);
    }
    columns
}
