//! What the jobs do. They read beside the recorder, on connections of their
//! own; where the store itself is to be changed, its writer does it.

use std::ops::ControlFlow;
use std::path::Path;

use ampledger_report::damage;
use ampledger_store::{OpenError, Reader, Store, StoreError, salvage};
use ampledger_types::maintenance::{JobOutcome, MaintenanceRequest};

use super::{Doing, Place, Trouble, failed, plan};

/// Pages given back at once.
const PAGES: u32 = 256;
/// Bytes in a page.
const PAGE_BYTES: u64 = 4096;

/// In what its progress is told.
pub(super) fn unit(request: &MaintenanceRequest) -> &'static str {
    match request {
        MaintenanceRequest::Backup { .. } | MaintenanceRequest::Restore { .. } => "bytes",
        MaintenanceRequest::Check | MaintenanceRequest::RestorePlan { .. } => "chunks",
        MaintenanceRequest::Compact => "pages",
        MaintenanceRequest::Salvage { .. } => "tables",
    }
}

/// Does a job.
pub(super) fn of(doing: &Doing, place: &Place) -> Result<JobOutcome, Trouble> {
    match &doing.request {
        MaintenanceRequest::Backup { to } => back_up(doing, place, Path::new(to)),
        MaintenanceRequest::Check => check(doing, place),
        MaintenanceRequest::Compact => compact(doing, place),
        MaintenanceRequest::Salvage { from, to } => save(doing, Path::new(from), Path::new(to)),
        MaintenanceRequest::RestorePlan { backup } => plan::plan(doing, place, Path::new(backup)),
        MaintenanceRequest::Restore { .. } => Err(Trouble::GivenUp),
    }
}

fn back_up(doing: &Doing, place: &Place, to: &Path) -> Result<JobOutcome, Trouble> {
    absolute(to)?;
    let reader = Reader::open(&place.store)?;
    if !reader.back_up(to, |done, all| doing.progress(done, all))? {
        return Err(Trouble::GivenUp);
    }
    let copy = Reader::open(to)?;
    let file = copy.path().display().to_string();
    Ok(JobOutcome::Backup { file, recorded_up_to: copy.recorded_up_to()? })
}

fn check(doing: &Doing, place: &Place) -> Result<JobOutcome, Trouble> {
    let reader = Reader::open(&place.store)?;
    Ok(JobOutcome::Check(damage::checked(&reader, &through(doing, &reader)?)))
}

/// Reads everything through.
pub(super) fn through(doing: &Doing, reader: &Reader) -> Result<ampledger_store::Checked, Trouble> {
    let mut is_given_up = false;
    let checked = reader.check(|done, all| {
        let step = doing.progress(done, all);
        is_given_up = step.is_break();
        step
    })?;
    if is_given_up { Err(Trouble::GivenUp) } else { Ok(checked) }
}

fn compact(doing: &Doing, place: &Place) -> Result<JobOutcome, Trouble> {
    let write = |act: fn(&mut Store) -> Result<u64, StoreError>| {
        let written = place.recorder.with_store(act);
        match place.runtime.block_on(written) {
            Ok(done) => Ok(done?),
            Err(why) => Err(failed("store", why.to_string())),
        }
    };
    let repeat = |act: fn(&mut Store) -> Result<u64, StoreError>| {
        let mut all = 0;
        loop {
            match write(act)? {
                0 => return Ok::<u64, Trouble>(all),
                some => all += some,
            }
            going_on(doing.progress(0, 0))?;
        }
    };
    let frame_chunks = repeat(|store| store.compact_frames().map(|n| n as u64))?;
    let chunks = repeat(|store| store.compact().map(|n| n as u64))?;
    let first = write(|store| store.shrink(1))?;
    let mut left = first;
    while left > 0 {
        going_on(doing.progress(first - left, first))?;
        let next = write(|store| store.shrink(PAGES))?;
        if next >= left {
            break;
        }
        left = next;
    }
    let _ = doing.progress(first - left, first);
    Ok(JobOutcome::Compact { chunks, frame_chunks, freed_bytes: (first - left) * PAGE_BYTES })
}

fn save(doing: &Doing, from: &Path, to: &Path) -> Result<JobOutcome, Trouble> {
    absolute(from)?;
    absolute(to)?;
    let saved = salvage(from, to, |done, all| doing.progress(done, all))?;
    let saved = saved.ok_or(Trouble::GivenUp)?;
    Ok(JobOutcome::Salvage {
        file: to.display().to_string(),
        samples: saved.samples,
        lost_chunks: saved.lost_chunks,
        lost_frame_chunks: saved.lost_frames,
        damaged_tables: saved.damaged_tables,
    })
}

fn going_on(step: ControlFlow<()>) -> Result<(), Trouble> {
    if step.is_break() { Err(Trouble::GivenUp) } else { Ok(()) }
}

/// Whose folder a path is relative to would be anybody's guess.
pub(super) fn absolute(path: &Path) -> Result<(), Trouble> {
    match path.is_absolute() {
        true => Ok(()),
        false => {
            let message = format!("{} is no absolute path; name the whole path", path.display());
            Err(failed("bad_path", message))
        }
    }
}

impl From<OpenError> for Trouble {
    fn from(error: OpenError) -> Self {
        failed(error.code(), error.to_string())
    }
}

impl From<StoreError> for Trouble {
    fn from(error: StoreError) -> Self {
        failed(error.code(), error.to_string())
    }
}
