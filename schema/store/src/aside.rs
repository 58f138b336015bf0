//! Setting a damaged store aside, whole and under another name, so that
//! recording goes on in a new one, which is told what the old one knew. One of
//! a newer program is left where it is, and recording goes on beside it.

use std::path::{Path, PathBuf};

use crate::error::{Fault, OpenError, StoreError, io};
use crate::open::{Store, connect, put_in_place};
use crate::path::{beside, resolve_existing};
use crate::salvage::hand_on;

/// Stores that are set aside before somebody has to look at them.
const MOST: usize = 3;

impl Store {
    /// Opens the store at `path`, or creates it. One that is damaged is set
    /// aside first; then it is also told where that one lies now.
    pub fn open_or_set_aside(path: &Path) -> Result<(Store, Option<PathBuf>), OpenError> {
        match Store::open(path) {
            Err(OpenError::Store(StoreError::Damaged { .. })) => {
                let (store, aside) = Store::set_aside(path)?;
                Ok((store, Some(aside)))
            }
            other => Ok((other?, None)),
        }
    }

    /// Sets the store at `path` aside whole, which nobody may have open for
    /// writing, and begins a new one in its place; also told is where the old
    /// one lies now.
    pub fn set_aside(path: &Path) -> Result<(Store, PathBuf), OpenError> {
        let aside = set_aside(path)?;
        let store = Store::open(path)?;
        if let Ok(old) = connect(&aside) {
            // What cannot be read of it is no reason not to record.
            let _ = hand_on(&old, store.connection());
        }
        Ok((store, aside))
    }
}

/// Where a program that knows formats up to `known` records while the store at
/// `path` is a newer program's.
pub fn beside_newer(path: &Path, known: i64) -> PathBuf {
    beside(path, &format!(".beside-format-{known}"))
}

/// Gives the store and its log a name that says what they are.
fn set_aside(path: &Path) -> Result<PathBuf, OpenError> {
    let path = resolve_existing(path)?;
    let failed = |e: std::io::Error| OpenError::Store(io(&path, &e));
    let free = |n: &usize| !beside(&path, &format!(".damaged-{n}")).exists();
    let Some(number) = (1..=MOST).find(free) else {
        let detail = format!(
            "it is damaged, and {MOST} damaged ones lie beside it already; \
             look at them with `ampledger salvage`, and move them away"
        );
        return Err(Fault::Damaged(detail).at(&path).into());
    };
    let aside = beside(&path, &format!(".damaged-{number}"));
    // The log first: without its file it is nothing, the file without it is old.
    for suffix in ["-wal", "-shm"] {
        let file = beside(&path, suffix);
        if file.exists() {
            std::fs::rename(&file, beside(&aside, suffix)).map_err(failed)?;
        }
    }
    put_in_place(&path, &aside)?;
    Ok(aside)
}
