//! Checking the whole record: every chunk is decoded, each in a transaction of
//! its own, so that recording goes on meanwhile. Changes nothing.

use std::ops::ControlFlow;

use rusqlite::Connection;

use crate::error::StoreError;
use crate::frame_log::{self, DamagedFrames};
use crate::head::{self, DamagedChunk, Head};
use crate::reader::Reader;

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
    /// Chunks of the frame log that cannot be read.
    pub damaged_frames: Vec<DamagedFrames>,
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
        let heads = self.read(|db| head::all(db, &self.origins))?;
        let frames = self.read(|db| {
            let mut all = Vec::new();
            for source in frame_log::sources(db)? {
                all.extend(frame_log::heads(db, &self.origins, &source)?);
            }
            Ok(all)
        })?;
        let (mut done, all) = (0, (heads.len() + frames.len()) as u64);
        for head in heads {
            self.check_chunk(&head, &mut checked)?;
            done += 1;
            if progress(done, all).is_break() {
                return Ok(checked);
            }
        }
        for head in frames {
            // Frames that were dropped meanwhile are sound.
            if let Err(Some(detail)) = self.read(|db| frame_log::load(db, &head))? {
                checked.damaged_frames.push(head.damaged(detail));
            }
            done += 1;
            if progress(done, all).is_break() {
                break;
            }
        }
        Ok(checked)
    }

    fn check_chunk(&self, head: &Head, checked: &mut Checked) -> Result<(), StoreError> {
        match self.read(|db| head::load(db, head, &|_| true))? {
            Ok(columns) => {
                checked.sound_chunks += 1;
                checked.sound_samples += columns.len() as u64;
            }
            // Put together with others meanwhile.
            Err(None) if !self.read(|db| head::is_there(db, head.id))? => {}
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
