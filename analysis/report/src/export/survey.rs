//! First look at a session's samples before a file's header can be written:
//! which channels there are, in which groups, and what decoded them.

use std::sync::Arc;

use ampledger_store::NumberedSample;
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
    groups: Vec<(String, Arc<Group>)>,
}

impl Survey {
    pub(crate) fn note(&mut self, stored: &NumberedSample) {
        if !self.decode_sets.iter().any(|known| same(known, &stored.decode_set)) {
            self.decode_sets.push(Arc::clone(&stored.decode_set));
        }
        let source = &stored.decode_set.source;
        let group = self.group(source, &stored.sample.group);
        for (channel, value) in stored.sample.group.channels.iter().zip(&stored.sample.values) {
            let known = |h: &Heard| h.source == *source && h.channel == *channel;
            if value.is_finite() && !self.heard.iter().any(known) {
                let (source, channel) = (source.clone(), channel.clone());
                self.heard.push(Heard { source, channel, group });
            }
        }
    }

    fn group(&mut self, source: &str, group: &Arc<Group>) -> usize {
        let known = |(s, g): &(String, Arc<Group>)| s == source && same(g, group);
        self.groups.iter().position(known).unwrap_or_else(|| {
            self.groups.push((source.to_owned(), Arc::clone(group)));
            self.groups.len() - 1
        })
    }
}

/// Equal; quick where they are one and the same.
pub(super) fn same<T: PartialEq>(a: &Arc<T>, b: &Arc<T>) -> bool {
    Arc::ptr_eq(a, b) || a == b
}
