//! What a check of the record found, in words: what cannot be read, of whom and
//! of when.

use ampledger_store::{Checked, DamagedChunk, DamagedFrames, Reader};
use ampledger_types::Bound;
use ampledger_types::maintenance::CheckedRecord;

/// What a check found, for people.
pub fn checked(reader: &Reader, found: &Checked) -> CheckedRecord {
    let file = reader.path().display().to_string();
    let mut damage: Vec<String> = found.damaged.iter().map(|chunk| lost(reader, chunk)).collect();
    damage.extend(found.damaged_frames.iter().map(|chunk| lost_frames(reader, chunk)));
    if !found.structure.is_empty() {
        damage.push(format!("{file}: {}", found.structure.join("; ")));
    }
    if !damage.is_empty() {
        damage.push(format!("what can be read is saved by `ampledger salvage {file} NEW`"));
    }
    let Checked { sound_chunks, sound_samples, .. } = *found;
    CheckedRecord { file, sound_chunks, sound_samples, damage }
}

fn lost(reader: &Reader, chunk: &DamagedChunk) -> String {
    let DamagedChunk { id, source, from, to, samples, detail } = chunk;
    let what = format!("chunk {id}, {samples} samples of {source}");
    cannot_be_read(reader, &what, [*from, *to], detail)
}

fn lost_frames(reader: &Reader, chunk: &DamagedFrames) -> String {
    let DamagedFrames { id, source, from, to, frames, detail } = chunk;
    let what = format!("chunk {id} of the frame log, {frames} frames of {source}");
    cannot_be_read(reader, &what, [*from, *to], detail)
}

fn cannot_be_read(reader: &Reader, what: &str, when: [Bound; 2], detail: &str) -> String {
    let runs = reader.runs().unwrap_or_default();
    let boot = runs.iter().find(|run| run.id == when[0].run).map(|run| run.boot_id.as_str());
    let clock = boot.and_then(|boot| reader.clock_map(boot).ok());
    let [from, to] = when.map(|at| {
        let dated = clock.as_ref().and_then(|clock| clock.date(at.t_us));
        let date = dated.and_then(|d| jiff::Timestamp::from_microsecond(d.unix_us).ok());
        date.map_or_else(|| "an unknown time".to_owned(), |date| format!("{date:.0}"))
    });
    format!("{what} from {from} to {to}, cannot be read: {detail}; all others can")
}
