//! A copy of the record as it is at one moment, made while recording goes on,
//! and putting one back.

use std::fs::File;
use std::ops::ControlFlow;
use std::path::Path;

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};

use crate::error::{Fault, OpenError, StoreError, io};
use crate::lock;
use crate::open::put_in_place;
use crate::path::{beside, length, resolve};
use crate::reader::Reader;

/// Pages copied before anybody is told.
const STEP: std::ffi::c_int = 128;

impl Reader {
    /// Copies the store to `to`, which must not exist and gets its name when it
    /// is whole and on disk. `progress` is told how many bytes were copied, of
    /// how many, and may end it; then nothing is left of it.
    pub fn back_up(
        &self,
        to: &Path,
        progress: impl FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<bool, OpenError> {
        let to = resolve(to)?;
        if length(&to) > 0 {
            return Err(OpenError::Exists { path: to });
        }
        let partial = beside(&to, ".partial");
        remove(&partial)?;
        let made = self.copy(&partial, &to, progress);
        if !matches!(made, Ok(true)) {
            remove(&partial)?;
        }
        made
    }

    /// Copies into `partial`, and gives that its name.
    fn copy(
        &self,
        partial: &Path,
        to: &Path,
        progress: impl FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<bool, OpenError> {
        let failed = |e: rusqlite::Error| Fault::from(e).at(to);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
        let mut copy = Connection::open_with_flags(partial, flags).map_err(failed)?;
        match self.read(|db| Ok(pages(db, &mut copy, progress)))? {
            Ok(true) => {}
            Ok(false) => return Ok(false),
            Err(error) => {
                // It is the copy that grows; the store was only read.
                let error = Fault::from(error);
                return Err(match error.at(to) {
                    StoreError::Damaged { detail, .. } => {
                        StoreError::Damaged { path: self.path().to_owned(), detail }
                    }
                    other => other,
                }
                .into());
            }
        }
        copy.close().map_err(|(_, e)| failed(e))?;
        let synced = File::open(partial).and_then(|file| file.sync_all());
        synced.map_err(|e| OpenError::Store(io(to, &e)))?;
        put_in_place(partial, to)?;
        Ok(true)
    }
}

/// Copies all pages; whether it was not ended before.
fn pages(
    db: &Connection,
    copy: &mut Connection,
    mut progress: impl FnMut(u64, u64) -> ControlFlow<()>,
) -> rusqlite::Result<bool> {
    // One state throughout: commits made meanwhile are not in it.
    let _one_state = db.unchecked_transaction()?;
    db.query_row("SELECT count(*) FROM store", [], |_| Ok(()))?;
    let page: i64 = db.pragma_query_value(None, "page_size", |row| row.get(0))?;
    let backup = Backup::new(db, copy)?;
    loop {
        let step = backup.step(STEP)?;
        let pages = backup.progress();
        let bytes = |pages: i32| u64::from(pages.unsigned_abs()) * page.unsigned_abs();
        if progress(bytes(pages.pagecount - pages.remaining), bytes(pages.pagecount)).is_break() {
            return Ok(false);
        }
        if step == StepResult::Done {
            return Ok(true);
        }
    }
}

/// Puts a backup in the place of a store that is not there, after checking it.
/// A store that is there has to be moved away first: nothing is overwritten.
pub fn restore(
    backup: &Path,
    to: &Path,
    progress: impl FnMut(u64, u64) -> ControlFlow<()>,
) -> Result<bool, OpenError> {
    let reader = Reader::open(backup)?;
    let to = resolve(to)?;
    let _lock = lock::take(&to)?;
    let checked = reader.check(|_, _| ControlFlow::Continue(()))?;
    if !checked.structure.is_empty() {
        let detail = checked.structure.join("; ");
        return Err(StoreError::Damaged { path: reader.path().to_owned(), detail }.into());
    }
    reader.back_up(&to, progress)
}

fn remove(file: &Path) -> Result<(), OpenError> {
    for file in [file.to_owned(), beside(file, "-journal")] {
        match std::fs::remove_file(&file) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(io(&file, &e).into()),
            _ => {}
        }
    }
    Ok(())
}
