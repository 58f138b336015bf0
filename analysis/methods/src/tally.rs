//! Counts what is odd, by kind, with the first twenty times of each.

use std::collections::BTreeMap;

use ampledger_types::result::AnomalyKind;

use crate::findings::FoundAnomaly;

/// Times kept of each kind.
const TIMES: usize = 20;

#[derive(Clone, Debug, Default)]
struct Entry {
    count: u64,
    times_us: Vec<i64>,
    longest_second: f64,
    text: Option<String>,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Tally {
    entries: BTreeMap<AnomalyKind, Entry>,
    total: u64,
}

impl Tally {
    pub(crate) fn count(&mut self, kind: AnomalyKind, t_us: i64) {
        self.count_lasting(kind, t_us, 0.0);
    }

    pub(crate) fn count_lasting(&mut self, kind: AnomalyKind, t_us: i64, seconds: f64) {
        let entry = self.entries.entry(kind).or_default();
        entry.count += 1;
        self.total += 1;
        entry.longest_second = entry.longest_second.max(seconds);
        if entry.times_us.len() < TIMES {
            entry.times_us.push(t_us);
        }
    }

    /// Counts something that has its own words.
    pub(crate) fn tell(&mut self, kind: AnomalyKind, t_us: i64, text: String) {
        self.count(kind, t_us);
        self.entries.entry(kind).or_default().text = Some(text);
    }

    /// Everything counted so far.
    pub(crate) fn total(&self) -> u64 {
        self.total
    }

    /// How often each kind was counted.
    pub(crate) fn counts(&self) -> impl Iterator<Item = (AnomalyKind, u64)> {
        self.entries.iter().map(|(kind, entry)| (*kind, entry.count))
    }

    /// Says that something already counted lasts longer.
    pub(crate) fn lengthen(&mut self, kind: AnomalyKind, seconds: f64) {
        let entry = self.entries.entry(kind).or_default();
        entry.longest_second = entry.longest_second.max(seconds);
    }

    pub(crate) fn absorb(&mut self, other: &Tally) {
        for (kind, theirs) in &other.entries {
            let ours = self.entries.entry(*kind).or_default();
            ours.count += theirs.count;
            ours.times_us.extend(&theirs.times_us);
            ours.times_us.truncate(TIMES);
            ours.longest_second = ours.longest_second.max(theirs.longest_second);
            ours.text = theirs.text.clone().or(ours.text.take());
        }
    }

    pub(crate) fn found(&self) -> Vec<FoundAnomaly> {
        let found = |(kind, entry): (&AnomalyKind, &Entry)| FoundAnomaly {
            kind: *kind,
            count: entry.count,
            times_us: entry.times_us.clone(),
            text: entry.text.clone().unwrap_or_else(|| text(*kind, entry)),
        };
        self.entries.iter().map(found).collect()
    }
}

fn text(kind: AnomalyKind, entry: &Entry) -> String {
    let (n, s) = (entry.count, if entry.count == 1 { "" } else { "s" });
    let longest = entry.longest_second;
    match kind {
        AnomalyKind::TimeBackwards => {
            format!("{n} reading{s} with a time before one already seen; not counted")
        }
        AnomalyKind::TimeRepeated => {
            format!("{n} reading{s} with the same time as the one before; no width, nothing added")
        }
        AnomalyKind::ValueMissing => format!("{n} reading{s} without a usable value"),
        AnomalyKind::Gap => format!("{n} silence{s}, the longest {longest:.0} s"),
        AnomalyKind::ChannelStuck => format!(
            "{n} time{s} voltage and current did not move at all under load, the longest for \
             {longest:.0} s; listed as gap{s}"
        ),
        AnomalyKind::GapLengthUnknown => {
            format!("{n} break{s} of unknown length in the record; nothing counted across")
        }
        AnomalyKind::CurrentImplausible => format!(
            "{n} reading{s} of a current that no pack of this rating carries, left out; see \
             whether it is written in mA"
        ),
        AnomalyKind::CurrentClipped => {
            format!("{n} reading{s} at the end of the meter's range: the current may be higher")
        }
        AnomalyKind::SecondRun => {
            format!("{n} time{s} the pack gave current again after its end; that is not capacity")
        }
        other => format!("{n} time{s}: {other:?}"),
    }
}
