//! Who the instruments said they are: another answer on the same line means
//! that another meter may have taken over.

use std::collections::BTreeMap;

use ampledger_types::DecodeSet;

/// The latest answer on each source's line.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Answers(BTreeMap<String, String>);

impl Answers {
    /// Takes what made a sample; whether an instrument on its line is another
    /// one than before. An answer that only adds an instrument is no change.
    pub(crate) fn changed(&mut self, set: &DecodeSet) -> bool {
        let Some(now) = &set.identity else { return false };
        let Some(before) = self.0.get_mut(&set.source) else {
            self.0.insert(set.source.clone(), now.clone());
            return false;
        };
        if before == now {
            return false;
        }
        let is_other = is_another(before, now);
        before.clone_from(now);
        is_other
    }
}

/// Whether an instrument that answered before is not among those that answer
/// now.
pub(crate) fn is_another(before: &str, now: &str) -> bool {
    before.split("; ").any(|part| !now.split("; ").any(|new| new == part))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn another_answer_is_another_instrument_and_one_more_is_not() {
        let set = |identity: Option<&str>| DecodeSet {
            source: "load".to_owned(),
            decoder: "scpi".to_owned(),
            decoder_version: "1".to_owned(),
            config_digest: String::new(),
            identity: identity.map(str::to_owned),
        };
        let mut answers = Answers::default();
        for (identity, is_other) in [
            (None, false),
            (Some("a: meter 1"), false),
            (Some("a: meter 1; b: meter 2"), false),
            (None, false),
            (Some("a: meter 1; b: meter 2"), false),
            (Some("a: meter 3; b: meter 2"), true),
        ] {
            assert_eq!(answers.changed(&set(identity)), is_other, "{identity:?}");
        }
    }
}
