//! Chunks without what is in them: finding those of a range, opening one, and
//! telling what is damaged.

use ampledger_types::{Bound, RunId};
use rusqlite::{Connection, ErrorCode, OptionalExtension, params};

use crate::chunk::Columns;
use crate::error::Fault;
use crate::intern::{Origin, Origins};
use crate::read::{Range, end};

/// A chunk that cannot be read. The rest of the record can.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DamagedChunk {
    /// Its number in the store.
    pub id: i64,
    /// Whose samples it holds.
    pub source: String,
    /// First moment, microseconds, of `run`.
    pub from: Bound,
    /// Last moment.
    pub to: Bound,
    /// How many samples it holds.
    pub samples: u64,
    /// What was seen.
    pub detail: String,
}

/// A chunk without what is in it.
#[derive(Clone, Debug)]
pub(crate) struct Head {
    pub(crate) id: i64,
    pub(crate) origin: Origin,
    pub(crate) run: RunId,
    pub(crate) first_seq: i64,
    pub(crate) last_seq: i64,
    pub(crate) samples: i64,
    pub(crate) t_min_us: i64,
    pub(crate) t_max_us: i64,
}

impl Head {
    pub(crate) fn damaged(&self, detail: String) -> DamagedChunk {
        let at = |t_us| Bound { run: self.run, t_us };
        DamagedChunk {
            id: self.id,
            source: self.origin.decode_set.source.clone(),
            from: at(self.t_min_us),
            to: at(self.t_max_us),
            samples: self.samples.unsigned_abs(),
            detail,
        }
    }
}

/// What is in a chunk; otherwise how it is damaged, or nothing if it is gone.
pub(crate) fn load(
    db: &Connection,
    head: &Head,
    wanted: &dyn Fn(usize) -> bool,
) -> Result<Result<Columns, Option<String>>, Fault> {
    let find = "SELECT data FROM chunk_data WHERE chunk = ?1";
    let read = db.prepare_cached(find)?.query_row([head.id], |row| {
        Ok(row.get_ref(0)?.as_blob().map(|bytes| Columns::some_from_bytes(bytes, wanted)))
    });
    match read.optional() {
        Ok(Some(Ok(Ok(columns)))) if head.fits(&columns) => Ok(Ok(columns)),
        Ok(Some(Ok(Ok(_)))) => Ok(Err(Some("it is not what its row says".to_owned()))),
        Ok(Some(Ok(Err(unreadable)))) => Ok(Err(Some(unreadable.to_string()))),
        Ok(Some(Err(other))) => Ok(Err(Some(other.to_string()))),
        Ok(None) => Ok(Err(None)),
        // A page of it is bad; those of others need not be.
        Err(e) if is_damage(&e) => Ok(Err(Some(e.to_string()))),
        Err(other) => Err(other.into()),
    }
}

/// Whether SQLite came upon a page that cannot be one of its own.
pub(crate) fn is_damage(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase | ErrorCode::SystemIoFailure)
    )
}

/// Whether the chunk is still listed.
pub(crate) fn is_there(db: &Connection, id: i64) -> Result<bool, Fault> {
    Ok(db.prepare_cached("SELECT 1 FROM chunk WHERE id = ?1")?.exists([id])?)
}

/// Takes a chunk out of the record.
pub(crate) fn delete(db: &Connection, id: i64) -> Result<(), Fault> {
    db.prepare_cached("DELETE FROM chunk_data WHERE chunk = ?1")?.execute([id])?;
    db.prepare_cached("DELETE FROM chunk WHERE id = ?1")?.execute([id])?;
    Ok(())
}

/// All chunks of a group.
pub(crate) fn of_group(
    db: &Connection,
    origins: &Origins,
    group: i64,
    out: &mut Vec<Head>,
) -> Result<(), Fault> {
    of_range(db, group, &origins.group(db, group)?, &Range::everything(), out)
}

/// All chunks there are.
pub(crate) fn all(db: &Connection, origins: &Origins) -> Result<Vec<Head>, Fault> {
    let (mut all, everything) = (Vec::new(), Range::everything());
    for (group, origin) in origins.all(db)? {
        of_range(db, group, &origin, &everything, &mut all)?;
    }
    Ok(all)
}

impl Head {
    fn fits(&self, columns: &Columns) -> bool {
        columns.len() as i64 == self.samples
            && columns.values.len() == self.origin.group.channels.len()
            && columns.seqs.first() == Some(&self.first_seq)
            && columns.seqs.last() == Some(&self.last_seq)
    }
}

/// The chunks of a group that reach into a range.
pub(crate) fn of_range(
    db: &Connection,
    group: i64,
    origin: &Origin,
    range: &Range,
    out: &mut Vec<Head>,
) -> Result<(), Fault> {
    let (from, to) = (range.from, end(range.to));
    let mut find = db.prepare_cached(
        "SELECT id, run, first_seq, last_seq, samples, t_min_us, t_max_us FROM chunk \
         WHERE channel_group = ?1 AND (run, t_max_us) >= (?2, ?3) AND (run, t_min_us) <= (?4, ?5)",
    )?;
    let rows = find.query_map(params![group, from.run.0, from.t_us, to.run.0, to.t_us], |row| {
        Ok(Head {
            id: row.get(0)?,
            origin: origin.clone(),
            run: RunId(row.get(1)?),
            first_seq: row.get(2)?,
            last_seq: row.get(3)?,
            samples: row.get(4)?,
            t_min_us: row.get(5)?,
            t_max_us: row.get(6)?,
        })
    })?;
    for head in rows {
        out.push(head?);
    }
    Ok(())
}
