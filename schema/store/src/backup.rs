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
        let is_whole = self.copy(&partial, progress)?;
        if !is_whole {
            remove(&partial)?;
            return Ok(false);
        }
        let failed = |e: std::io::Error| OpenError::Store(io(&partial, &e));
        File::open(&partial).and_then(|file| file.sync_all()).map_err(failed)?;
        put_in_place(&partial, &to)?;
        Ok(true)
    }

    fn copy(
        &self,
        to: &Path,
        mut progress: impl FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<bool, StoreError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
        let failed = |e: rusqlite::Error| Fault::from(e).at(to);
        let mut copy = Connection::open_with_flags(to, flags).map_err(failed)?;
        let is_whole = self.read(|db| {
            // One state throughout: commits made meanwhile are not in it.
            let _one_state = db.unchecked_transaction()?;
            db.query_row("SELECT count(*) FROM store", [], |_| Ok(()))?;
            let page: i64 = db.pragma_query_value(None, "page_size", |row| row.get(0))?;
            let backup = Backup::new(db, &mut copy)?;
            loop {
                let step = backup.step(STEP)?;
                let pages = backup.progress();
                let bytes = |pages: i32| u64::from(pages.unsigned_abs()) * page.unsigned_abs();
                if progress(bytes(pages.pagecount - pages.remaining), bytes(pages.pagecount))
                    .is_break()
                {
                    return Ok(false);
                }
                if step == StepResult::Done {
                    return Ok(true);
                }
            }
        })?;
        copy.close().map_err(|(_, e)| failed(e))?;
        Ok(is_whole)
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
