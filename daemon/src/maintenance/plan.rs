//! What restoring a backup would take and cost. It is not restored here: the
//! store that is recorded into is never put aside under the recorder.

use std::path::Path;

use ampledger_report::damage;
use ampledger_store::Reader;
use ampledger_types::maintenance::{CheckedRecord, JobOutcome, RestorePlan};

use super::{Doing, Place, Trouble, failed, work};

/// Checks a backup, and says what to do.
pub(super) fn plan(doing: &Doing, place: &Place, backup: &Path) -> Result<JobOutcome, Trouble> {
    work::absolute(backup)?;
    let (copy, live) = (Reader::open(backup)?, Reader::open(&place.store)?);
    if copy.path() == live.path() {
        let message = format!("{} is what is recorded into, no backup of it", backup.display());
        return Err(failed("daemon_records", message));
    }
    let checked = damage::checked(&copy, &work::through(doing, &copy)?);
    let is_of_this_store = copy.uuid() == live.uuid();
    let recorded_up_to = copy.recorded_up_to()?;
    let samples_since = place.newest.saturating_sub(recorded_up_to);
    let bytes = std::fs::metadata(copy.path()).map_or(0, |file| file.len());
    let free_bytes = free_bytes(&place.store);
    let mut plan = RestorePlan {
        backup: copy.path().display().to_string(),
        is_of_this_store,
        recorded_up_to,
        samples_since: if is_of_this_store { samples_since } else { place.newest },
        bytes,
        free_bytes,
        checked,
        steps: Vec::new(),
    };
    plan.steps = steps(&plan, &place.store.display().to_string());
    Ok(JobOutcome::RestorePlan(plan))
}

fn steps(plan: &RestorePlan, store: &str) -> Vec<String> {
    let RestorePlan { backup, checked, bytes, free_bytes, .. } = plan;
    let is_damaged = |checked: &CheckedRecord| !checked.damage.is_empty();
    let mut steps = Vec::new();
    if is_damaged(checked) {
        steps.push(format!(
            "the backup is damaged: first `ampledger salvage {backup} SAVED`, and restore SAVED"
        ));
    }
    if bytes > free_bytes {
        steps.push(format!("make room: it takes {bytes} bytes and {free_bytes} are free"));
    }
    steps.extend([
        "stop the daemon: systemctl stop ampledgerd".to_owned(),
        format!("move {store} and {store}-wal away; keep them, they hold what came since"),
        format!("ampledger restore {backup} {store}"),
        "start the daemon: systemctl start ampledgerd".to_owned(),
    ]);
    steps
}

/// What is left on the disk for whoever is not root.
fn free_bytes(store: &Path) -> u64 {
    let folder = store.parent().unwrap_or(store);
    rustix::fs::statvfs(folder).map_or(0, |seen| seen.f_bavail.saturating_mul(seen.f_frsize))
}
