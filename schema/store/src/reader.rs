//! A connection for reading only, whether somebody writes to the store or
//! not. It never writes, never creates a store, and holds no lock between
//! two calls.

use std::cell::RefCell;
use std::fmt::Write;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use ampledger_types::Seq;
use rusqlite::{Connection, ErrorCode, OpenFlags};

use crate::error::{Fault, OpenError, StoreError};
use crate::frame_log::DamagedFrames;
use crate::head::DamagedChunk;
use crate::intern::Origins;
use crate::log_index;
use crate::migrations::{self, STEPS};
use crate::open::{CACHE, PATIENCE, make_sure, refuse_foreign};
use crate::path::{beside, length, resolve_existing};

/// A store, open for reading.
#[derive(Debug)]
pub struct Reader {
    db: Connection,
    path: PathBuf,
    uuid: String,
    pub(crate) origins: Origins,
    pub(crate) damaged: RefCell<Vec<DamagedChunk>>,
    pub(crate) damaged_frames: RefCell<Vec<DamagedFrames>>,
    still: Option<Still>,
}

impl Reader {
    /// Opens a store file for reading only. Never creates or migrates one.
    pub fn open(path: &Path) -> Result<Reader, OpenError> {
        let path = resolve_existing(path)?;
        refuse_foreign(&path)?;
        let at = |e: rusqlite::Error| OpenError::from(Fault::from(e).at(&path));
        log_index::check_room(&path)?;
        let (db, still) = match connect(&path) {
            Ok(db) => (db, None),
            Err(e) if cannot_share(&e) => open_still(&path)?,
            Err(e) => return Err(at(e)),
        };
        make_sure(&db, &path)?;
        let (found, known) = (migrations::format(&db).map_err(at)?, migrations::newest(STEPS));
        if found > known {
            return Err(OpenError::Newer { path, found, known });
        }
        if found < known {
            return Err(OpenError::Older { path, found, known });
        }
        let uuid = uuid(&db).map_err(at)?;
        let (damaged, damaged_frames) = (RefCell::default(), RefCell::default());
        Ok(Reader { db, path, uuid, origins: Origins::default(), damaged, damaged_frames, still })
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
    pub fn recorded_up_to(&self) -> Result<Seq, StoreError> {
        self.read(newest)
    }

    /// Reads something. What is read counts only if the file stayed as it was
    /// where that is a condition.
    pub(crate) fn read<T>(
        &self,
        act: impl FnOnce(&Connection) -> Result<T, Fault>,
    ) -> Result<T, StoreError> {
        let found = act(&self.db);
        match &self.still {
            Some(still) if *still != Still::now(&self.path) => {
                Err(StoreError::Changed { path: self.path.clone() })
            }
            _ => found.map_err(|fault| fault.at(&self.path)),
        }
    }
}

fn connect(path: &Path) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let db = Connection::open_with_flags(path, flags)?;
    db.busy_timeout(PATIENCE)?;
    db.pragma_update(None, "trusted_schema", false)?;
    db.pragma_update(None, "cache_size", CACHE)?;
    // The first real read: only now is it known whether the file can be shared.
    migrations::format(&db)?;
    Ok(db)
}

/// How a file looks from outside, where it is read without any lock. A writer
/// shows itself by a log with something in it, or by a changed file.
#[derive(Debug, PartialEq, Eq)]
struct Still {
    log_bytes: u64,
    bytes: u64,
    modified: Option<SystemTime>,
}

impl Still {
    fn now(path: &Path) -> Still {
        Still {
            log_bytes: length(&beside(path, "-wal")),
            bytes: length(path),
            modified: path.metadata().and_then(|m| m.modified()).ok(),
        }
    }
}

/// Whether SQLite failed for want of the shared-memory file, which it cannot
/// make where the folder may not be written.
fn cannot_share(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly))
}

/// Opens a file that nobody has open, in a folder that may not be written. It
/// must have been closed in order: with a log beside it that holds something,
/// the file alone is not the whole store.
fn open_still(path: &Path) -> Result<(Connection, Option<Still>), OpenError> {
    let still = Still::now(path);
    if still.log_bytes > 0 {
        return Err(OpenError::UnreadLog { path: path.to_owned() });
    }
    let db = connect_immutable(path).map_err(|e| Fault::from(e).at(path))?;
    Ok((db, Some(still)))
}

/// A connection that takes no lock, makes no file and does not see the log.
pub(crate) fn connect_immutable(path: &Path) -> rusqlite::Result<Connection> {
    let mut uri = String::from("file:");
    for byte in path.as_os_str().as_bytes() {
        match byte {
            b'/' | b'.' | b'-' | b'_' | b'0'..=b'9' | b'a'..=b'z' | b'A'..=b'Z' => {
                uri.push(char::from(*byte));
            }
            other => {
                let _ = write!(uri, "%{other:02X}");
            }
        }
    }
    uri.push_str("?immutable=1");
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_URI
        | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    Connection::open_with_flags(uri, flags)
}

/// The store's name.
pub(crate) fn uuid(db: &Connection) -> rusqlite::Result<String> {
    db.query_row("SELECT uuid FROM store", [], |row| row.get(0))
}

/// Finds the number of the newest sample.
pub(crate) const NEWEST: &str = "SELECT max(ifnull((SELECT max(seq) FROM tail), 0), \
                                 ifnull((SELECT max(last_seq) FROM chunk), 0), \
                                 ifnull((SELECT max(last_seq) FROM thinned), 0))";

/// Number of the newest sample.
pub(crate) fn newest(db: &Connection) -> Result<Seq, Fault> {
    let newest: i64 = db.prepare_cached(NEWEST)?.query_row([], |row| row.get(0))?;
    Seq::try_from(newest).map_err(|_| Fault::Damaged(format!("sample number {newest}")))
}
