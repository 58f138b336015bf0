//! The index of the write-ahead log, the `-shm` file, which SQLite maps into
//! memory. Where a disk is full and its blocks are smaller than a page, the file
//! has holes that cannot be filled, and touching one kills the process (SIGBUS).
//! So it is made only where there is room, and filled at once.

use std::fs::File;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::sync::Mutex;

use rustix::fs::{FallocateFlags, StatVfs};
use rustix::io::Errno;

use crate::error::{StoreError, io};
use crate::path::{beside, length};

/// Bytes of a page of memory: blocks of the disk that large leave no holes in it.
const PAGE: u64 = 4096;
/// Bytes of a part of the index; each is for some 16 MiB of the log.
const PART: u64 = 32 << 10;
/// Bytes of the log that the index has a part for.
const LOG_OF_PART: u64 = 4096 * (4096 + 24);
/// Parts that are filled beforehand: enough for a log of 128 MiB.
const PARTS: u64 = 8;

/// Bytes free on a disk from which that is no matter.
const PLENTY: u64 = 4 << 20;

/// The files that were filled. Closing one would drop the locks that SQLite has
/// on it in this process, so it stays open until it is nobody's any more.
static FILLED: Mutex<Vec<File>> = Mutex::new(Vec::new());

/// Refuses where the index could not be made whole.
pub(crate) fn check_room(store: &Path) -> Result<(), StoreError> {
    let Some(seen) = disk(store).filter(|seen| seen.f_frsize < PAGE) else { return Ok(()) };
    let needed = PART * (1 + length(&beside(store, "-wal")) / LOG_OF_PART);
    let there = beside(store, "-shm").metadata().map_or(0, |file| file.blocks() * 512);
    if there < needed && free(&seen) + there < 2 * needed {
        return Err(StoreError::Full { path: store.to_owned() });
    }
    Ok(())
}

/// Fills it, once SQLite has made it.
pub(crate) fn fill(store: &Path) -> Result<(), StoreError> {
    let path = beside(store, "-shm");
    let failed = |e: &std::io::Error| io(&path, e);
    let Ok(there) = path.metadata() else { return Ok(()) };
    let mut filled = FILLED.lock().unwrap_or_else(|e| e.into_inner());
    filled.retain(|file| file.metadata().is_ok_and(|file| file.nlink() > 0));
    let is_it = |file: &File| {
        file.metadata().is_ok_and(|m| (m.dev(), m.ino()) == (there.dev(), there.ino()))
    };
    if filled.iter().any(is_it) {
        return Ok(());
    }
    let file = File::options().read(true).write(true).open(&path).map_err(|e| failed(&e))?;
    let mut done = allocate(&file, PART);
    if free_bytes(store).is_none_or(|free| free > PLENTY) {
        done = done.and_then(|()| allocate(&file, PARTS * PART));
    }
    // Even where it failed: closing it would drop SQLite's locks.
    filled.push(file);
    done.map_err(|e| failed(&e.into()))
}

/// Gives the file its blocks; nothing in it changes.
fn allocate(file: &File, bytes: u64) -> Result<(), Errno> {
    match rustix::fs::fallocate(file, FallocateFlags::empty(), 0, bytes) {
        // Not every file system can; those that cannot are not known to fail so.
        Err(Errno::OPNOTSUPP | Errno::NOSYS | Errno::INVAL) => Ok(()),
        other => other,
    }
}

/// What can still be filled of the disk; `None` where it cannot be told.
pub(crate) fn free_bytes(store: &Path) -> Option<u64> {
    disk(store).map(|seen| free(&seen))
}

fn disk(store: &Path) -> Option<StatVfs> {
    rustix::fs::statvfs(store.parent()?).ok()
}

/// What is kept for root is left out: ext4 counts there what nobody can have.
fn free(seen: &StatVfs) -> u64 {
    seen.f_bavail.saturating_mul(seen.f_frsize)
}
