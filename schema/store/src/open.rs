//! Opening a store for writing: check, lock, create or migrate, and set what
//! makes a commit durable. Never touches a file that is not a store.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::time::Duration;

use ampledger_types::Seq;
use rusqlite::{Connection, OpenFlags, TransactionBehavior};

use crate::error::{Fault, OpenError, StoreError, io};
use crate::lock::{self, Lock};
use crate::log_index;
use crate::migrations::{self, APPLICATION_ID, STEPS};
use crate::path::{beside, length, resolve};
use crate::reader::{self, Reader};
use crate::working::Working;

/// How long somebody else's lock is waited for.
pub(crate) const PATIENCE: Duration = Duration::from_secs(2);

/// Pages kept in memory by a connection; below 0 it is KiB (SQLite's
/// documentation, PRAGMA cache_size). What is appended and what is sealed lie
/// together, and the system keeps the file's pages anyway.
pub(crate) const CACHE: i64 = -512;

/// After a checkpoint the write-ahead log is cut to at most this many bytes.
const LOG_BYTES: i64 = 16 << 20;

/// The store, open for writing. There is one in the world for each file.
///
/// After [`StoreError::Io`] or [`StoreError::Damaged`] drop it and open it
/// again: only then is it certain what is on disk. What was not confirmed can
/// be given again, whether it got there or not.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    path: PathBuf,
    uuid: String,
    pub(crate) recorded_up_to: Seq,
    working: Working,
    _lock: Lock,
}

impl Store {
    /// Opens the store at `path`, or creates it.
    pub fn open(path: &Path) -> Result<Store, OpenError> {
        Store::open_with(path, STEPS)
    }

    fn open_with(path: &Path, steps: &[&str]) -> Result<Store, OpenError> {
        let path = resolve(path)?;
        if length(&path) > 0 {
            refuse_foreign(&path)?;
        }
        let lock = lock::take(&path)?;
        if length(&path) == 0 {
            create(&path, steps)?;
        }
        let at = |e: rusqlite::Error| Fault::from(e).at(&path);
        log_index::check_room(&path)?;
        let mut db = connect(&path).map_err(at)?;
        make_sure(&db, &path)?;
        migrations::bring_up(&mut db, &path, steps)?;
        use_log(&db).map_err(|e| e.at(&path))?;
        let uuid = reader::uuid(&db).map_err(at)?;
        log_index::fill(&path)?;
        let recorded_up_to = reader::newest(&db).map_err(|e| e.at(&path))?;
        let working = Working::default();
        Ok(Store { db, uuid, recorded_up_to, working, _lock: lock, path })
    }

    /// The file, with links followed.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The store's name, unique everywhere.
    pub fn uuid(&self) -> &str {
        &self.uuid
    }

    /// Number of the newest sample on disk; 0 if there is none.
    pub fn recorded_up_to(&self) -> Seq {
        self.recorded_up_to
    }

    pub(crate) fn connection(&self) -> &Connection {
        &self.db
    }

    /// A reader of the same file, with a connection of its own.
    pub fn reader(&self) -> Result<Reader, OpenError> {
        Reader::open(&self.path)
    }

    /// Begins something that is to be written whole or not at all, however
    /// much it is: nobody sees any of it, and no power cut leaves any of it,
    /// before [`Store::finish_whole`]. Dropping the store gives it up.
    pub fn begin_whole(&mut self) -> Result<(), StoreError> {
        // Each part of it can be taken back by itself: the pages for that, a few
        // dozen, would go through a file (SQLite's documentation, Temporary Files).
        let begun = self.db.execute_batch("PRAGMA temp_store = MEMORY; BEGIN IMMEDIATE");
        begun.map_err(|error| Fault::from(error).at(&self.path))
    }

    /// Makes what was begun part of the record, fully synchronised.
    pub fn finish_whole(&mut self) -> Result<(), StoreError> {
        let done = self.db.execute_batch("COMMIT; PRAGMA temp_store = DEFAULT");
        done.map_err(|error| Fault::from(error).at(&self.path))
    }

    /// Does `act` in one transaction. If anything fails, nothing was done.
    pub(crate) fn write<T>(
        &mut self,
        act: impl FnOnce(&Connection, &mut Working) -> Result<T, Fault>,
    ) -> Result<T, StoreError> {
        let working = &mut self.working;
        let done = if self.db.is_autocommit() {
            let begin = TransactionBehavior::Immediate;
            let tx = self.db.transaction_with_behavior(begin);
            tx.map_err(Fault::from).and_then(|tx| {
                let made = act(&tx, working)?;
                tx.commit()?;
                Ok(made)
            })
        } else {
            self.db.savepoint().map_err(Fault::from).and_then(|part| {
                let made = act(&part, working)?;
                part.commit()?;
                Ok(made)
            })
        };
        done.map_err(|fault| {
            // What it remembers may have been rolled back.
            self.working = Working::default();
            fault.at(&self.path)
        })
    }
}

pub(crate) fn connect(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
        | OpenFlags::SQLITE_OPEN_CREATE
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags)?;
    db.busy_timeout(PATIENCE)?;
    db.pragma_update(None, "page_size", 4096)?;
    db.pragma_update(None, "synchronous", "FULL")?;
    db.pragma_update(None, "foreign_keys", true)?;
    db.pragma_update(None, "trusted_schema", false)?;
    db.pragma_update(None, "cache_size", CACHE)?;
    Ok(db)
}

/// Makes a store under another name and renames it once it is whole, so that
/// a power cut leaves a store or none.
fn create(path: &Path, steps: &[&str]) -> Result<(), OpenError> {
    let new = beside(path, ".new");
    for left_over in [&new, &beside(&new, "-journal")] {
        if left_over.exists() {
            std::fs::remove_file(left_over).map_err(|e| io(&new, &e))?;
        }
    }
    let at = |e: rusqlite::Error| Fault::from(e).at(&new);
    let mut db = connect(&new).map_err(at)?;
    // Only before there is any table: free pages can be given back later.
    db.pragma_update(None, "auto_vacuum", "INCREMENTAL").map_err(at)?;
    migrations::bring_up(&mut db, &new, steps)?;
    db.close().map_err(|(_, e)| at(e))?;
    put_in_place(&new, path)
}

/// Gives a file that is on disk its lasting name.
pub(crate) fn put_in_place(from: &Path, to: &Path) -> Result<(), OpenError> {
    let failed = |e: std::io::Error| OpenError::Store(io(to, &e));
    std::fs::rename(from, to).map_err(failed)?;
    match to.parent() {
        Some(folder) => File::open(folder).and_then(|f| f.sync_all()).map_err(failed),
        None => Ok(()),
    }
}

/// Turns the write-ahead log on.
fn use_log(db: &Connection) -> Result<(), Fault> {
    let mode: String = db.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0))?;
    if mode != "wal" {
        let what = format!("its journal is '{mode}' and cannot be changed to a write-ahead log");
        return Err(Fault::Damaged(what));
    }
    db.pragma_update_and_check(None, "journal_size_limit", LOG_BYTES, |_| Ok(()))?;
    Ok(())
}

/// Looks at the header, taking no lock, making no file, writing nothing.
pub(crate) fn refuse_foreign(path: &Path) -> Result<(), OpenError> {
    let foreign = || Err(OpenError::Foreign { path: path.to_owned() });
    let id = reader::connect_immutable(path)
        .and_then(|db| db.pragma_query_value(None, "application_id", |row| row.get(0)));
    match id {
        Ok(APPLICATION_ID) => Ok(()),
        Ok(_) => foreign(),
        Err(e) if e.sqlite_error_code() == Some(rusqlite::ErrorCode::NotADatabase) => foreign(),
        // Its log was being emptied into it when that broke off: without the
        // log, which is not looked at here, its header says more than it holds.
        Err(e) if e.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseCorrupt) => Ok(()),
        Err(e) => Err(Fault::from(e).at(path).into()),
    }
}

/// Looks again, now with the log.
pub(crate) fn make_sure(db: &Connection, path: &Path) -> Result<(), OpenError> {
    match db.pragma_query_value(None, "application_id", |row| row.get(0)) {
        Ok(APPLICATION_ID) => Ok(()),
        Ok(_) => Err(OpenError::Foreign { path: path.to_owned() }),
        Err(e) => Err(Fault::from(e).at(path).into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::append::Batch;
    use crate::read::Range;
    use crate::runs::NewRun;

    const NEXT: &str = "ALTER TABLE run ADD COLUMN place TEXT";

    fn new_run() -> NewRun {
        NewRun {
            boot_id: "boot".to_owned(),
            started_t_us: 0,
            clock_rate: 1.0,
            recorded_by: "test".to_owned(),
            replay_of: None,
        }
    }

    #[test]
    fn an_older_store_is_copied_and_then_migrated() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("shed.db");
        let mut old = Store::open(&path).unwrap();
        let (uuid, run) = (old.uuid().to_owned(), old.begin_run(&new_run()).unwrap());
        drop(old);

        let new = Store::open_with(&path, &[STEPS[0], NEXT]).unwrap();
        assert_eq!(new.uuid(), uuid);
        assert_eq!(migrations::format(&new.db).unwrap(), 2);
        drop(new);

        let backup = Reader::open(&migrations::backup_path(&path, 1)).unwrap();
        assert_eq!(backup.uuid(), uuid);
        assert_eq!(backup.runs().unwrap(), [run]);
    }

    #[test]
    fn a_migration_that_fails_leaves_the_store_as_it_was() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("shed.db");
        drop(Store::open(&path).unwrap());
        let half = "CREATE TABLE half (x); INSERT INTO nowhere VALUES (1)";
        Store::open_with(&path, &[STEPS[0], half]).unwrap_err();
        let store = Store::open(&path).unwrap();
        let tables: i64 = store
            .db
            .query_row("SELECT count(*) FROM sqlite_schema WHERE name = 'half'", [], |r| r.get(0))
            .unwrap();
        assert_eq!((migrations::format(&store.db).unwrap(), tables), (1, 0));
    }

    #[test]
    fn a_newer_store_is_refused_and_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("shed.db");
        drop(Store::open_with(&path, &[STEPS[0], NEXT]).unwrap());
        let before = std::fs::read(&path).unwrap();
        let error = Store::open(&path).unwrap_err();
        assert!(matches!(error, OpenError::Newer { found: 2, known: 1, .. }), "{error}");
        let error = Reader::open(&path).unwrap_err();
        assert!(matches!(error, OpenError::Newer { found: 2, known: 1, .. }), "{error}");
        assert_eq!(std::fs::read(&path).unwrap(), before);
    }

    #[test]
    fn a_commit_is_written_with_full_synchronisation_to_a_bounded_log() {
        let dir = tempfile::tempdir().unwrap();
        let store = Store::open(&dir.path().join("shed.db")).unwrap();
        let number =
            |name| store.db.pragma_query_value(None, name, |r| r.get::<_, i64>(0)).unwrap();
        assert_eq!(number("synchronous"), 2);
        assert_eq!(number("wal_autocheckpoint"), 1000);
        assert_eq!(number("journal_size_limit"), LOG_BYTES);
        assert_eq!(number("foreign_keys"), 1);
        assert_eq!(number("page_size"), 4096);
        assert_eq!(number("cache_size"), CACHE);
    }

    #[test]
    fn a_full_disk_takes_nothing_and_the_same_batch_fits_once_there_is_room() {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open(&dir.path().join("shed.db")).unwrap();
        let run = store.begin_run(&new_run()).unwrap().id;
        let batch =
            Batch { samples: crate::append::testing::samples(run, 1..=2_000), ..Batch::default() };
        let pages: i64 = store.db.pragma_query_value(None, "page_count", |r| r.get(0)).unwrap();
        let limit = |store: &Store, n: i64| {
            let set = store.db.pragma_update_and_check(None, "max_page_count", n, |_| Ok(()));
            set.unwrap();
        };

        limit(&store, pages + 2);
        let error = store.append(&batch).unwrap_err();
        assert!(matches!(error, StoreError::Full { .. }), "{error}");
        assert_eq!(store.recorded_up_to(), 0);
        let reader = store.reader().unwrap();
        assert_eq!(reader.recorded_up_to().unwrap(), 0);
        assert_eq!(reader.sources().unwrap(), Vec::<String>::new());

        limit(&store, 1 << 20);
        assert_eq!(store.append(&batch).unwrap(), 2_000);
        let mut read = Vec::new();
        let done = reader.samples(&Range::everything(), |sample| {
            read.push(sample);
            std::ops::ControlFlow::Continue(())
        });
        done.unwrap();
        assert_eq!(read, batch.samples);
    }
}
