//! A batch that is given again, because its confirmation was lost: what is on
//! disk already must be the same, value for value, sealed or not.

use rusqlite::{Connection, OptionalExtension, params};

use crate::append::NumberedSample;
use crate::chunk::Columns;
use crate::error::{Fault, Refusal};
use crate::readings;

/// Refuses samples whose number stands for another one.
pub(crate) fn check(
    db: &Connection,
    samples: &[NumberedSample],
    groups: &[i64],
) -> Result<(), Fault> {
    let mut chunk = None;
    let mut bytes = Vec::new();
    for (given, group) in samples.iter().zip(groups) {
        readings::write(&given.sample.values, &mut bytes);
        if !is_in_tail(db, given, *group, &bytes)? && !is_in_chunk(db, given, *group, &mut chunk)? {
            return Err(Refusal::NumberTaken { seq: given.seq }.into());
        }
    }
    Ok(())
}

fn is_in_tail(
    db: &Connection,
    given: &NumberedSample,
    group: i64,
    bytes: &[u8],
) -> rusqlite::Result<bool> {
    let (seq, sample) = (given.seq.cast_signed(), &given.sample);
    db.prepare_cached(
        "SELECT 1 FROM tail WHERE seq = ?1 AND run = ?2 AND channel_group = ?3 \
         AND t_us = ?4 AND instrument_t_us IS ?5 AND readings = ?6",
    )?
    .exists(params![seq, given.run.0, group, sample.t_us, sample.instrument_t_us, bytes])
}

/// Looks into the chunk that has the number; `read` is the one looked into last.
fn is_in_chunk(
    db: &Connection,
    given: &NumberedSample,
    group: i64,
    read: &mut Option<(i64, Columns)>,
) -> Result<bool, Fault> {
    let (seq, sample) = (given.seq.cast_signed(), &given.sample);
    let find = "SELECT id FROM chunk WHERE last_seq >= ?1 AND first_seq <= ?1 \
                AND channel_group = ?2 AND run = ?3";
    let id = db
        .prepare_cached(find)?
        .query_row(params![seq, group, given.run.0], |row| row.get(0))
        .optional()?;
    let Some(id) = id else { return Ok(false) };
    if read.as_ref().is_none_or(|(known, _)| *known != id) {
        *read = Some((id, content(db, id)?));
    }
    let Some((_, columns)) = read else { return Ok(false) };
    let Ok(at) = columns.seqs.binary_search(&seq) else { return Ok(false) };
    let values = columns.values.iter().map(|column| column[at].to_bits());
    Ok(columns.t_us[at] == sample.t_us
        && columns.instrument_t_us[at] == sample.instrument_t_us
        && values.eq(sample.values.iter().map(|v| v.to_bits())))
}

fn content(db: &Connection, id: i64) -> Result<Columns, Fault> {
    let find = "SELECT data FROM chunk_data WHERE chunk = ?1";
    let bytes: Vec<u8> = db.prepare_cached(find)?.query_row([id], |row| row.get(0))?;
    Columns::from_bytes(&bytes).map_err(|why| Fault::Damaged(format!("chunk {id}: {why}")))
}
