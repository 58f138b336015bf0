//! What can go wrong with a store, in words a person can act on. Nothing here
//! retries or mends.

use std::path::{Path, PathBuf};

use ampledger_types::Seq;
use rusqlite::ErrorCode;
use rusqlite::ffi;

/// Why a store could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// There is no such file (readers only; a writer makes it).
    #[error("there is no store at {path}; check the path")]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// The folder it should lie in does not exist.
    #[error("{path} cannot be made: there is no folder {folder}; create it, or name another path", folder = folder.display())]
    NoFolder {
        /// The store's path.
        path: PathBuf,
        /// The folder.
        folder: PathBuf,
    },
    /// It is a folder, a device or the like.
    #[error("{path} is no file; name the store file itself")]
    NotAFile {
        /// What it is called.
        path: PathBuf,
    },
    /// It is a file of something else.
    #[error("{path} is not an Ampledger store; it was left as it is; name another path")]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// Something is there already, and is not written over.
    #[error("{path} is there already and was left as it is; name another path")]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// A newer program has written it.
    #[error(
        "{path} has store format {found} and this program knows formats up to {known}; \
         it was left as it is; use the newer program"
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// The newest format known here.
        known: i64,
    },
    /// An older program has written it, and readers migrate nothing.
    #[error(
        "{path} has the older store format {found}; start the daemon on it once, \
         which makes a backup and brings it to format {known}"
    )]
    Older {
        /// The file.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// The format needed.
        known: i64,
    },
    /// It was not closed in order, and its log cannot be read where it lies.
    #[error(
        "{path} was not closed in order and its folder may not be written, so its newest part \
         cannot be read; copy it and the file {path}-wal into a folder of yours and read it there"
    )]
    UnreadLog {
        /// The file.
        path: PathBuf,
    },
    /// Another process writes to it.
    #[error("{path} is held by {holder}; stop that one first, or use another store")]
    Held {
        /// The file.
        path: PathBuf,
        /// Who: program, process id, since when.
        holder: String,
    },
    /// Anything that can also happen later.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl OpenError {
    /// A word that programs can rely on.
    pub const fn code(&self) -> &'static str {
        match self {
            OpenError::Missing { .. } => "no_such_store",
            OpenError::NoFolder { .. } => "no_folder",
            OpenError::NotAFile { .. } => "not_a_file",
            OpenError::Foreign { .. } => "not_a_store",
            OpenError::Exists { .. } => "file_exists",
            OpenError::Newer { .. } => "store_newer",
            OpenError::Older { .. } => "store_older",
            OpenError::UnreadLog { .. } => "store_log_unread",
            OpenError::Held { .. } => "store_held",
            OpenError::Store(error) => error.code(),
        }
    }
}

/// Why a store could not be read or written. After a failed write nothing of
/// it is there.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StoreError {
    /// No room on the disk.
    #[error("the disk is full, {path} cannot grow; make room on that disk")]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// The file or its folder may not be written.
    #[error(
        "{path} may not be written; check who owns it and its folder, \
         and whether the disk is mounted read-only"
    )]
    ReadOnly {
        /// The file.
        path: PathBuf,
    },
    /// Another program holds SQLite's own lock for too long.
    #[error("{path} is locked by {holder}; end what that program does with the file")]
    Locked {
        /// The file.
        path: PathBuf,
        /// Who, where it can be told.
        holder: String,
    },
    /// The content contradicts itself.
    #[error(
        "{path} is damaged: {detail}; keep a copy of it and of its -wal file \
         before doing anything else with it"
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was seen.
        detail: String,
    },
    /// The operating system refused or failed.
    #[error("{path} cannot be used: {detail}; check the disk and the system's log")]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        detail: String,
    },
    /// A file that nobody wrote to has been written to while it was read.
    #[error("{path} was changed while it was read; read it again")]
    Changed {
        /// The file.
        path: PathBuf,
    },
    /// What was given cannot be kept.
    #[error("{0}")]
    Refused(#[from] Refusal),
}

/// What was given to the store and cannot be kept. It is the caller's mistake,
/// and giving it again will not help.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Samples must be numbered upwards from 1.
    #[error("sample {seq} follows sample {after}: numbers must grow")]
    OutOfOrder {
        /// Its number.
        seq: Seq,
        /// The number before it.
        after: Seq,
    },
    /// The number belongs to another sample.
    #[error("sample number {seq} is taken by another sample")]
    NumberTaken {
        /// The number.
        seq: Seq,
    },
    /// A sample has one value for each channel of its group.
    #[error("sample {seq} has {values} values for {channels} channels")]
    ValueCount {
        /// Its number.
        seq: Seq,
        /// Values it has.
        values: usize,
        /// Channels its group has.
        channels: usize,
    },
    /// The columns of a block are of one length, one for each channel.
    #[error("the columns of the block that begins with sample {seq} are not of one length")]
    Uneven {
        /// Number of its first sample.
        seq: Seq,
    },
    /// There is no session of this number.
    #[error("there is no session {id}")]
    NoSuchSession {
        /// The number.
        id: i64,
    },
    /// A report on an ended session is kept for ever.
    #[error("revision {revision} of session {session} has been issued and is never changed")]
    ReportIssued {
        /// The session.
        session: i64,
        /// The revision.
        revision: u32,
    },
    /// A sample that was decoded again must lie in the stretch it stands in.
    #[error("sample {seq} lies outside the stretch that is decoded again")]
    OutsideStretch {
        /// Its number.
        seq: Seq,
    },
    /// Decoding again must leave something.
    #[error("decoding {source_name} again gives no sample, so what is there stays")]
    EmptyStretch {
        /// The source.
        source_name: String,
    },
    /// Whoever was writing gave it up.
    #[error("it was given up half-way, and nothing of it was written")]
    GivenUp,
    /// It could not be read back as it is, for instance a figure that is no
    /// number.
    #[error("{what} cannot be kept: {detail}")]
    Unkeepable {
        /// What it is.
        what: String,
        /// Why not.
        detail: String,
    },
}

impl StoreError {
    /// A word that programs can rely on.
    pub const fn code(&self) -> &'static str {
        match self {
            StoreError::Full { .. } => "store_full",
            StoreError::ReadOnly { .. } => "store_read_only",
            StoreError::Locked { .. } => "store_locked",
            StoreError::Damaged { .. } => "store_damaged",
            StoreError::Io { .. } => "store_io",
            StoreError::Changed { .. } => "store_changed",
            StoreError::Refused(_) => "store_refused",
        }
    }
}

/// A failure before it is known which file it concerns.
#[derive(Debug)]
pub(crate) enum Fault {
    Sql(rusqlite::Error),
    Damaged(String),
    Refused(Refusal),
    /// Found while reading inside a write, with its file known.
    Found(StoreError),
}

impl From<rusqlite::Error> for Fault {
    fn from(error: rusqlite::Error) -> Self {
        Fault::Sql(error)
    }
}

impl From<Refusal> for Fault {
    fn from(refusal: Refusal) -> Self {
        Fault::Refused(refusal)
    }
}

impl Fault {
    /// Says which file.
    pub(crate) fn at(self, path: &Path) -> StoreError {
        match self {
            Fault::Sql(error) => sql(path, &error),
            Fault::Damaged(detail) => StoreError::Damaged { path: path.to_owned(), detail },
            Fault::Refused(refusal) => StoreError::Refused(refusal),
            Fault::Found(error) => error,
        }
    }
}

/// It names what is not there.
pub(crate) fn unknown_reference() -> Refusal {
    Refusal::Unkeepable {
        what: "the record".to_owned(),
        detail: "it names a run or session that is not in this store".to_owned(),
    }
}

fn sql(path: &Path, error: &rusqlite::Error) -> StoreError {
    let owned = || path.to_owned();
    let detail = error.to_string();
    let extended = error.sqlite_error().map_or(0, |e| e.extended_code);
    match (error.sqlite_error_code(), extended) {
        (Some(ErrorCode::DiskFull), _) | (_, ffi::SQLITE_IOERR_SHMSIZE) => {
            StoreError::Full { path: owned() }
        }
        (Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied), _) => {
            StoreError::ReadOnly { path: owned() }
        }
        (Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked), _) => {
            StoreError::Locked { path: owned(), holder: crate::holder::name(path) }
        }
        (Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase), _) => {
            StoreError::Damaged { path: owned(), detail }
        }
        (_, ffi::SQLITE_CONSTRAINT_FOREIGNKEY) => StoreError::Refused(unknown_reference()),
        (_, ffi::SQLITE_CONSTRAINT_PRIMARYKEY) => {
            StoreError::Damaged { path: owned(), detail: "somebody else wrote to it".to_owned() }
        }
        // Without a result code it is rusqlite's own: a column of another type
        // or a row that must be there and is not.
        (None, _) => StoreError::Damaged { path: owned(), detail },
        _ => StoreError::Io { path: owned(), detail },
    }
}

/// A failure of the file system itself.
pub(crate) fn io(path: &Path, error: &std::io::Error) -> StoreError {
    use std::io::ErrorKind;
    let owned = path.to_owned();
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => StoreError::Full { path: owned },
        ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
            StoreError::ReadOnly { path: owned }
        }
        _ => StoreError::Io { path: owned, detail: error.to_string() },
    }
}
