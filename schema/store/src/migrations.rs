//! Brings a store to the newest format, step by numbered step, all steps in
//! one transaction. An older store is copied first; a newer one is left alone.

use std::fs::File;
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use crate::error::{Fault, OpenError, io};
use crate::open::put_in_place;
use crate::path::beside;

/// The steps; the first makes format 1. A step that has been released is
/// never changed.
pub(crate) const STEPS: &[&str] = &[include_str!("migrations/0001_first.sql")];

/// `application_id` of every store: the letters AMPL.
pub(crate) const APPLICATION_ID: i32 = i32::from_be_bytes(*b"AMPL");

/// The format that a list of steps leads to.
pub(crate) fn newest(steps: &[&str]) -> i64 {
    i64::try_from(steps.len()).unwrap_or(i64::MAX)
}

/// The format the store has; 0 for a file that was just made.
pub(crate) fn format(db: &Connection) -> rusqlite::Result<i64> {
    db.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// Applies the steps that are missing.
pub(crate) fn bring_up(db: &mut Connection, path: &Path, steps: &[&str]) -> Result<(), OpenError> {
    let at = |e: rusqlite::Error| OpenError::from(Fault::from(e).at(path));
    let (found, known) = (format(db).map_err(at)?, newest(steps));
    if found > known {
        return Err(OpenError::Newer { path: path.to_owned(), found, known });
    }
    let missing = usize::try_from(found).ok().and_then(|n| steps.get(n..)).unwrap_or_default();
    if missing.is_empty() {
        return Ok(());
    }
    if found > 0 {
        back_up(db, path, found)?;
    }
    apply(db, missing, found == 0, known).map_err(at)
}

fn apply(db: &mut Connection, missing: &[&str], is_new: bool, known: i64) -> rusqlite::Result<()> {
    let tx = db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    for step in missing {
        tx.execute_batch(step)?;
    }
    if is_new {
        tx.pragma_update(None, "application_id", APPLICATION_ID)?;
        let uuid = uuid::Uuid::new_v4().to_string();
        tx.execute("INSERT INTO store (id, uuid) VALUES (1, ?1)", [uuid])?;
    }
    tx.pragma_update(None, "user_version", known)?;
    tx.commit()
}

/// Where the copy of a store of an older format lies.
pub(crate) fn backup_path(path: &Path, format: i64) -> PathBuf {
    beside(path, &format!(".format-{format}"))
}

/// Copies the store beside itself. The copy gets its name only once it is
/// whole and on disk; one that has its name already is from an earlier try of
/// the same migration, and is as good.
fn back_up(db: &Connection, path: &Path, format: i64) -> Result<(), OpenError> {
    let done = backup_path(path, format);
    if done.exists() {
        return Ok(());
    }
    let partial = beside(&done, ".partial");
    let failed = |e: std::io::Error| OpenError::Store(io(&partial, &e));
    if partial.exists() {
        std::fs::remove_file(&partial).map_err(failed)?;
    }
    let name = partial.to_str().ok_or_else(|| {
        let why = "the path is not valid UTF-8, so no backup can be made";
        failed(std::io::Error::other(why))
    })?;
    db.execute("VACUUM INTO ?1", [name]).map_err(|e| Fault::from(e).at(&partial))?;
    File::open(&partial).and_then(|f| f.sync_all()).map_err(failed)?;
    put_in_place(&partial, &done)
}
