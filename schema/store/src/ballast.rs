//! A file beside the store that holds nothing but room. It is given up when the
//! disk is full, so that what is on its way still lands, and taken again once
//! there is room.

use std::fs::File;
use std::path::{Path, PathBuf};

use rustix::fs::FallocateFlags;

use crate::log_index::free_bytes;
use crate::path::beside;

/// Bytes that must be free beyond it before it is taken.
const BESIDE: u64 = 16 << 20;

/// The reserve of one store.
#[derive(Debug)]
pub struct Ballast {
    path: PathBuf,
    store: PathBuf,
}

impl Ballast {
    /// Bytes of the file.
    pub const BYTES: u64 = 4 << 20;

    /// That of a store; nothing is taken yet.
    pub fn of(store: &Path) -> Ballast {
        Ballast { path: beside(store, ".ballast"), store: store.to_owned() }
    }

    /// Whether it is there, whole.
    pub fn is_held(&self) -> bool {
        self.path.metadata().is_ok_and(|file| file.len() >= Ballast::BYTES)
    }

    /// Takes it where there is room to spare. Returns whether it is there.
    pub fn take(&self) -> bool {
        if self.is_held() {
            return true;
        }
        let has_room = free_bytes(&self.store).is_some_and(|free| free >= Ballast::BYTES + BESIDE);
        let taken = has_room && self.make().is_ok();
        if !taken {
            self.give_up();
        }
        taken
    }

    /// Gives its room back. Returns whether there was any.
    pub fn give_up(&self) -> bool {
        std::fs::remove_file(&self.path).is_ok()
    }

    fn make(&self) -> std::io::Result<()> {
        let file = File::options().create(true).truncate(true).write(true).open(&self.path)?;
        // A file of zeros could be no room at all: the blocks themselves.
        if rustix::fs::fallocate(&file, FallocateFlags::empty(), 0, Ballast::BYTES).is_err() {
            use std::io::Write;
            let noise: Vec<u8> =
                (0..1u32 << 18).flat_map(|i| i.wrapping_mul(0x9e37_79b9).to_le_bytes()).collect();
            for _ in 0..Ballast::BYTES / noise.len() as u64 {
                (&file).write_all(&noise)?;
            }
        }
        file.sync_all()
    }
}
