//! First look at a session's samples before a file's header can be written:
//! which channels there are, in which groups, and what decoded them.

use std::sync::Arc;

use ampledger_store::{NumberedSample, Outline};
use ampledger_types::{Channel, DecodeSet, Group};

/// A channel of a source that gave at least one value.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Heard {
    pub source: String,
    pub channel: Channel,
    /// The group it was first heard in, numbered as they came.
    pub group: usize,
}

/// Which channels there are, in the order they were first heard.
#[derive(Debug, Default)]
pub(crate) struct Survey {
    pub(super) heard: Vec<Heard>,
    pub decode_sets: Vec<Arc<DecodeSet>>,
    groups: Vec<Known>,
}

/// A group of a source, and which of its channels have given a value.
#[derive(Debug)]
struct Known {
    source: String,
    group: Arc<Group>,
    heard: Vec<bool>,
}

impl Survey {
    pub(crate) fn note(&mut self, stored: &NumberedSample) {
        self.note_set(&stored.decode_set);
        let sample = &stored.sample;
        let group = self.group(&stored.decode_set.source, &sample.group);
        for (place, value) in sample.values.iter().enumerate() {
            // Each is looked for once, not in each of a million samples.
            if value.is_finite() && self.groups[group].heard.get(place) == Some(&false) {
                self.hear(group, place);
            }
        }
    }

    /// The same of all samples at once; they come in order of number.
    pub(super) fn note_outlines(&mut self, outlines: &[Outline]) {
        let mut heard = Vec::new();
        for outline in outlines {
            self.note_set(&outline.decode_set);
            let group = self.group(&outline.decode_set.source, &outline.group);
            let seqs = outline.heard.iter().enumerate();
            heard.extend(seqs.filter_map(|(place, seq)| Some(((*seq)?, place, group))));
        }
        heard.sort_unstable();
        for (_, place, group) in heard {
            if !self.groups[group].heard[place] {
                self.hear(group, place);
            }
        }
    }

    /// Whether all samples seen are of one group of one source.
    pub(super) fn is_one_group(&self) -> bool {
        self.groups.len() <= 1
    }

    fn note_set(&mut self, set: &Arc<DecodeSet>) {
        if !self.decode_sets.iter().any(|known| same(known, set)) {
            self.decode_sets.push(Arc::clone(set));
        }
    }

    fn hear(&mut self, group: usize, place: usize) {
        let known = &mut self.groups[group];
        known.heard[place] = true;
        let (source, channel) = (&known.source, &known.group.channels[place]);
        if !self.heard.iter().any(|h| h.source == *source && h.channel == *channel) {
            let (source, channel) = (source.clone(), channel.clone());
            self.heard.push(Heard { source, channel, group });
        }
    }

    fn group(&mut self, source: &str, group: &Arc<Group>) -> usize {
        let known = |k: &Known| same(&k.group, group) && k.source == source;
        self.groups.iter().position(known).unwrap_or_else(|| {
            let heard = vec![false; group.channels.len()];
            let (source, group) = (source.to_owned(), Arc::clone(group));
            self.groups.push(Known { source, group, heard });
            self.groups.len() - 1
        })
    }
}

/// Equal; quick where they are one and the same.
fn same<T: PartialEq>(a: &Arc<T>, b: &Arc<T>) -> bool {
    Arc::ptr_eq(a, b) || a == b
}
