//! Checking the whole record: every chunk is decoded, each in a transaction of
//! its own, so that recording goes on meanwhile. Changes nothing.

use std::ops::ControlFlow;

use rusqlite::Connection;

use crate::error::{Fault, StoreError};
use crate::frames;
use crate::reader::Reader;
use crate::walk::{self, DamagedChunk, Head};

/// Faults of the file's structure that are listed at most.
const LISTED: i64 = 20;

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Checked {
    /// Chunks of samples that are sound.
    pub sound_chunks: u64,
    /// Samples in them.
    pub sound_samples: u64,
    /// Chunks that cannot be read.
    pub damaged: Vec<DamagedChunk>,
    /// Chunks of the frame log that cannot be read, by number.
    pub damaged_frames: Vec<i64>,
    /// What SQLite says of the file's structure, if anything is wrong with it.
    pub structure: Vec<String>,
}

impl Checked {
    /// Whether nothing was found.
    pub fn is_sound(&self) -> bool {
        self.damaged.is_empty() && self.damaged_frames.is_empty() && self.structure.is_empty()
    }
}

impl Reader {
    /// Checks everything there is now. `progress` is told how many chunks were
    /// looked at, of how many, and may end it.
    pub fn check(
        &self,
        mut progress: impl FnMut(u64, u64) -> ControlFlow<()>,
    ) -> Result<Checked, StoreError> {
        let mut checked =
            Checked { structure: self.read(|db| Ok(structure(db)?))?, ..Checked::default() };
        let heads = self.read(|db| walk::all_heads(db, &self.origins))?;
        let frames = self.read(|db| {
            let mut find = db.prepare("SELECT id FROM frame_chunk ORDER BY id")?;
            let ids = find.query_map([], |row| row.get(0))?;
            Ok(ids.collect::<Result<Vec<i64>, _>>()?)
        })?;
        let (mut done, all) = (0, (heads.len() + frames.len()) as u64);
        for head in heads {
            self.check_chunk(&head, &mut checked)?;
            done += 1;
            if progress(done, all).is_break() {
                return Ok(checked);
            }
        }
        for id in frames {
            if !self.read(|db| frames_are_sound(db, id))? {
                checked.damaged_frames.push(id);
            }
            done += 1;
            if progress(done, all).is_break() {
                break;
            }
        }
        Ok(checked)
    }

    fn check_chunk(&self, head: &Head, checked: &mut Checked) -> Result<(), StoreError> {
        match self.read(|db| walk::load(db, head, &|_| true))? {
            Ok(columns) => {
                checked.sound_chunks += 1;
                checked.sound_samples += columns.len() as u64;
            }
            // Put together with others meanwhile.
            Err(None) if !self.read(|db| walk::is_there(db, head.id))? => {}
            Err(damage) => {
                let damage = damage.unwrap_or_else(|| "what it holds is missing".to_owned());
                checked.damaged.push(head.damaged(damage));
            }
        }
        Ok(())
    }
}

fn structure(db: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut find = db.prepare(&format!("PRAGMA quick_check({LISTED})"))?;
    let said = find.query_map([], |row| row.get(0))?;
    let said: Vec<String> = said.collect::<Result<_, _>>()?;
    Ok(if said == ["ok"] { Vec::new() } else { said })
}

/// Frames that were dropped meanwhile are sound.
fn frames_are_sound(db: &Connection, id: i64) -> Result<bool, Fault> {
    let find = "SELECT frames FROM frame_chunk WHERE id = ?1";
    let read = db.prepare_cached(find)?.query_row([id], |row| {
        Ok(row.get_ref(0)?.as_blob().is_ok_and(|bytes| frames::read(bytes).is_some()))
    });
    match read {
        Ok(is_sound) => Ok(is_sound),
        Err(rusqlite::Error::QueryReturnedNoRows) => Ok(true),
        Err(e) if walk::is_damage(&e) => Ok(false),
        Err(other) => Err(other.into()),
    }
}
