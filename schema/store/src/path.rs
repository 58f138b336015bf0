//! The store's path: made absolute with links followed, so that two names of
//! one file meet the same lock, and checked before anything is opened.
//!
//! Never opens the store file itself: closing any descriptor of it would drop
//! the locks that SQLite holds on it in this process
//! (<https://www.sqlite.org/howtocorrupt.html>, section 2.2).

use std::ffi::OsString;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::error::{OpenError, io};

/// The real path of a file that may not exist yet.
pub(crate) fn resolve(path: &Path) -> Result<PathBuf, OpenError> {
    match resolve_existing(path) {
        Err(OpenError::Missing { .. }) => {}
        other => return other,
    }
    let name = path.file_name().ok_or_else(|| OpenError::NotAFile { path: path.to_owned() })?;
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    match folder.canonicalize() {
        Ok(real) if real.is_dir() => Ok(real.join(name)),
        Ok(_) => Err(OpenError::NoFolder { path: path.to_owned(), folder: folder.to_owned() }),
        Err(e) if e.kind() == ErrorKind::NotFound => {
            Err(OpenError::NoFolder { path: path.to_owned(), folder: folder.to_owned() })
        }
        Err(e) => Err(io(path, &e).into()),
    }
}

/// The real path of a file that must exist.
pub(crate) fn resolve_existing(path: &Path) -> Result<PathBuf, OpenError> {
    let real = match path.canonicalize() {
        Ok(real) => real,
        Err(e) if e.kind() == ErrorKind::NotFound => {
            return Err(OpenError::Missing { path: path.to_owned() });
        }
        Err(e) => return Err(io(path, &e).into()),
    };
    let kind = real.metadata().map_err(|e| io(&real, &e))?;
    if kind.is_file() { Ok(real) } else { Err(OpenError::NotAFile { path: real }) }
}

/// A file that lies beside the store, named after it.
pub(crate) fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = OsString::from(path);
    name.push(suffix);
    PathBuf::from(name)
}

/// Bytes in a file; 0 if there is none.
pub(crate) fn length(path: &Path) -> u64 {
    path.metadata().map_or(0, |m| m.len())
}
