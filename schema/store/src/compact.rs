//! Compaction: small chunks next to each other become one, and pages that are
//! free leave the file. A little at a time, while recording goes on.

use rusqlite::Connection;

use crate::chunk::{Columns, FULL};
use crate::error::{Fault, StoreError};
use crate::head::{self, Head};
use crate::intern::Origins;
use crate::open::Store;
use crate::seal::write_chunk;

/// A chunk below this is small.
const SMALL: i64 = FULL as i64 / 2;
/// So many small ones make it worth while.
const SEVERAL: usize = 4;

impl Store {
    /// Puts some small chunks together, if there are any; gives back how many
    /// became one.
    pub fn compact(&mut self) -> Result<usize, StoreError> {
        self.write(|tx, _| {
            let Some((group, heads)) = several_small(tx)? else { return Ok(0) };
            let Some(first) = heads.first() else { return Ok(0) };
            let mut all = Columns::of(first.origin.group.channels.len());
            for head in &heads {
                match head::load(tx, head, &|_| true)? {
                    Ok(columns) => all.extend(&columns),
                    // Damage is for the doctor; nothing is put on top of it.
                    Err(_) => return Ok(0),
                }
            }
            write_chunk(tx, (first.run.0, group), &all.lying())?;
            heads.iter().try_for_each(|head| head::delete(tx, head.id))?;
            Ok(heads.len())
        })
    }

    /// Gives back to the disk up to so many pages that are free; how many are
    /// left after that.
    pub fn shrink(&mut self, pages: u32) -> Result<u64, StoreError> {
        let path = self.path().to_owned();
        let shrunk = || -> rusqlite::Result<i64> {
            let db = self.connection();
            let mut shrink = db.prepare(&format!("PRAGMA incremental_vacuum({})", pages.max(1)))?;
            // A page a step.
            let mut freed = shrink.query([])?;
            while freed.next()?.is_some() {}
            db.pragma_query_value(None, "freelist_count", |row| row.get(0))
        };
        shrunk().map(i64::unsigned_abs).map_err(|error| Fault::from(error).at(&path))
    }
}

/// Small chunks next to each other, of one group and run, that fit into one.
fn several_small(db: &Connection) -> Result<Option<(i64, Vec<Head>)>, Fault> {
    let mut find = db.prepare_cached(
        "SELECT channel_group, run FROM chunk WHERE samples < ?1 \
         GROUP BY channel_group, run HAVING count(*) >= ?2",
    )?;
    let keys: Vec<(i64, i64)> = find
        .query_map((SMALL, SEVERAL as i64), |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<Result<_, _>>()?;
    let origins = Origins::default();
    for (group, run) in keys {
        let mut heads = Vec::new();
        head::of_group(db, &origins, group, &mut heads)?;
        heads.retain(|head| head.run.0 == run);
        heads.sort_by_key(|head| head.first_seq);
        if let Some(several) = next_to_each_other(heads) {
            return Ok(Some((group, several)));
        }
    }
    Ok(None)
}

fn next_to_each_other(heads: Vec<Head>) -> Option<Vec<Head>> {
    let (mut taken, mut samples) = (Vec::new(), 0);
    for head in heads {
        let fits = head.samples < SMALL && samples + head.samples <= FULL as i64;
        if !fits && taken.len() >= SEVERAL {
            break;
        }
        if !fits {
            taken.clear();
            samples = 0;
        }
        if head.samples < SMALL {
            samples += head.samples;
            taken.push(head);
        }
    }
    (taken.len() >= SEVERAL).then_some(taken)
}
