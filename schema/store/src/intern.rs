//! Decode sets and groups are written once and named by number from then on.
//! The writer remembers the numbers, the reader the things.

use std::cell::RefCell;
use std::collections::HashMap;
use std::sync::Arc;

use ampledger_types::{Channel, DecodeSet, Group};
use rusqlite::{Connection, OptionalExtension, params};

use crate::error::Fault;

/// How many pairs the writer remembers; with more it begins anew.
const REMEMBERED: usize = 64;

/// What the writer remembers. Pairs are told apart by address, which is sound
/// because they are kept alive here, and costs no comparing of text for each
/// sample.
#[derive(Debug, Default)]
pub(crate) struct Interned {
    pairs: Vec<(Arc<DecodeSet>, Arc<Group>, i64)>,
    runs: Vec<i64>,
}

impl Interned {
    /// Number of the group as this decode set makes it.
    pub(crate) fn group(
        &mut self,
        db: &Connection,
        set: &Arc<DecodeSet>,
        group: &Arc<Group>,
    ) -> Result<i64, Fault> {
        let is_it = |(s, g, _): &&(_, _, _)| Arc::ptr_eq(s, set) && Arc::ptr_eq(g, group);
        if let Some((_, _, id)) = self.pairs.iter().find(is_it) {
            return Ok(*id);
        }
        let id = write_group(db, decode_set(db, set)?, group)?;
        if self.pairs.len() >= REMEMBERED {
            self.pairs.clear();
        }
        self.pairs.push((set.clone(), group.clone(), id));
        Ok(id)
    }
}

impl Interned {
    /// Makes sure that the run has begun: no row of the tail is checked for it.
    pub(crate) fn run(&mut self, db: &Connection, run: i64) -> Result<(), Fault> {
        if self.runs.contains(&run) {
            return Ok(());
        }
        if !db.prepare_cached("SELECT 1 FROM run WHERE id = ?1")?.exists([run])? {
            return Err(crate::error::unknown_reference().into());
        }
        self.runs.push(run);
        Ok(())
    }
}

/// Number of the decode set, which is written if it is new.
pub(crate) fn decode_set(db: &Connection, set: &DecodeSet) -> rusqlite::Result<i64> {
    let DecodeSet { source, decoder, decoder_version, config_digest, identity } = set;
    let all = params![source, decoder, decoder_version, config_digest, identity];
    let find = "SELECT id FROM decode_set WHERE source = ?1 AND decoder = ?2 \
                AND decoder_version = ?3 AND config_digest = ?4 AND identity IS ?5";
    let insert = "INSERT INTO decode_set \
                  (source, decoder, decoder_version, config_digest, identity) \
                  VALUES (?1, ?2, ?3, ?4, ?5)";
    find_or_insert(db, find, insert, all)
}

fn write_group(db: &Connection, set: i64, group: &Group) -> Result<i64, Fault> {
    let channels = crate::records::to_json("the group", &group.channels)?;
    let all = params![set, group.name, channels];
    let find = "SELECT id FROM channel_group WHERE decode_set = ?1 AND name = ?2 AND channels = ?3";
    if let Some(id) = db.prepare_cached(find)?.query_row(all, |row| row.get(0)).optional()? {
        return Ok(id);
    }
    let insert = "INSERT INTO channel_group (decode_set, name, channels) VALUES (?1, ?2, ?3)";
    let id = db.prepare_cached(insert)?.insert(all)?;
    let mut insert = db.prepare_cached(
        "INSERT INTO channel (channel_group, position, instrument, name, quantity, unit) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    )?;
    for (position, channel) in (0i64..).zip(&group.channels) {
        let Channel { instrument, name, quantity } = channel;
        let unit = quantity.unit().symbol();
        insert.execute(params![id, position, instrument, name, quantity.name(), unit])?;
    }
    Ok(id)
}

fn find_or_insert(
    db: &Connection,
    find: &str,
    insert: &str,
    all: &[&dyn rusqlite::ToSql],
) -> rusqlite::Result<i64> {
    let found = db.prepare_cached(find)?.query_row(all, |row| row.get(0)).optional()?;
    match found {
        Some(id) => Ok(id),
        None => db.prepare_cached(insert)?.insert(all),
    }
}

/// Where a sample comes from.
#[derive(Clone, Debug)]
pub(crate) struct Origin {
    pub(crate) decode_set: Arc<DecodeSet>,
    pub(crate) group: Arc<Group>,
}

/// What the reader remembers; as many as there are in the store.
#[derive(Debug, Default)]
pub(crate) struct Origins {
    sets: RefCell<HashMap<i64, Arc<DecodeSet>>>,
    groups: RefCell<HashMap<i64, Origin>>,
}

impl Origins {
    /// All groups there are, by number.
    pub(crate) fn all(&self, db: &Connection) -> Result<Vec<(i64, Origin)>, Fault> {
        let mut find = db.prepare_cached("SELECT id FROM channel_group ORDER BY id")?;
        let ids: Vec<i64> = find.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
        ids.into_iter().map(|id| Ok((id, self.group(db, id)?))).collect()
    }

    /// What the number of a group stands for.
    pub(crate) fn group(&self, db: &Connection, id: i64) -> Result<Origin, Fault> {
        if let Some(known) = self.groups.borrow().get(&id) {
            return Ok(known.clone());
        }
        let find = "SELECT decode_set, name, channels FROM channel_group WHERE id = ?1";
        let (set, name, channels): (i64, String, String) = db
            .prepare_cached(find)?
            .query_row([id], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
        let channels = crate::records::from_json("channel_group", &channels)?;
        let decode_set = self.set(db, set)?;
        let origin = Origin { decode_set, group: Arc::new(Group { name, channels }) };
        self.groups.borrow_mut().insert(id, origin.clone());
        Ok(origin)
    }

    /// What the number of a decode set stands for.
    pub(crate) fn set(&self, db: &Connection, id: i64) -> rusqlite::Result<Arc<DecodeSet>> {
        if let Some(known) = self.sets.borrow().get(&id) {
            return Ok(known.clone());
        }
        let find = "SELECT source, decoder, decoder_version, config_digest, identity \
                    FROM decode_set WHERE id = ?1";
        let set = db.prepare_cached(find)?.query_row([id], |row| {
            Ok(DecodeSet {
                source: row.get(0)?,
                decoder: row.get(1)?,
                decoder_version: row.get(2)?,
                config_digest: row.get(3)?,
                identity: row.get(4)?,
            })
        })?;
        let set = Arc::new(set);
        self.sets.borrow_mut().insert(id, set.clone());
        Ok(set)
    }
}
