//! The lock that makes one process the writer: a file beside the store, held
//! for as long as the store is open. Its text says who holds it and decides
//! nothing: the kernel lets go of the lock when a process ends, however it ends.

use std::fs::{File, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::Path;

use crate::error::{OpenError, io};
use crate::path::beside;

/// The lock; let go when dropped.
#[derive(Debug)]
pub(crate) struct Lock {
    file: File,
}

impl Drop for Lock {
    fn drop(&mut self) {
        // Closing alone would not do while this process starts another: until
        // its exec, the child has the same open file, and the lock with it.
        let _ = self.file.unlock();
    }
}

/// Takes the lock of the store at `path`, or says who has it.
pub(crate) fn take(path: &Path) -> Result<Lock, OpenError> {
    let beside = beside(path, ".lock");
    let failed = |e: std::io::Error| OpenError::Store(io(&beside, &e));
    let mut file = File::options()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(&beside)
        .map_err(failed)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            return Err(OpenError::Held { path: path.to_owned(), holder: holder(&mut file) });
        }
        Err(TryLockError::Error(e)) => return Err(failed(e)),
    }
    // A full disk must not keep the store closed: the text is a courtesy.
    let _ = file.set_len(0).and_then(|()| file.rewind()).and_then(|()| {
        writeln!(file, "{}, process {}, since {}", program(), std::process::id(), now())
    });
    Ok(Lock { file })
}

fn holder(file: &mut File) -> String {
    let mut text = String::new();
    let _ = file.take(200).read_to_string(&mut text);
    match text.lines().next() {
        Some(line) if !line.trim().is_empty() => line.trim().to_owned(),
        _ => "another process".to_owned(),
    }
}

fn program() -> String {
    let exe = std::env::current_exe().ok();
    let name = exe.as_deref().and_then(Path::file_name);
    name.map_or_else(|| "a program".to_owned(), |name| name.to_string_lossy().into_owned())
}

fn now() -> String {
    format!("{:.0}", jiff::Timestamp::now())
}
