//! Who the instruments of one line said they are.

use std::collections::BTreeMap;

/// The latest identity of each instrument on a line.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Identities(BTreeMap<String, String>);

impl Identities {
    /// An instrument said who it is; its name is empty where there is only
    /// one. Returns what it said before, if it was something else.
    pub fn note(&mut self, instrument: &str, text: &str) -> Option<String> {
        let before = self.0.insert(instrument.to_owned(), text.to_owned());
        before.filter(|before| before != text)
    }

    /// All of them in one line; `None` if none said anything.
    pub fn text(&self) -> Option<String> {
        let one = |(instrument, text): (&String, &String)| match instrument.as_str() {
            "" => text.clone(),
            instrument => format!("{instrument}: {text}"),
        };
        let all: Vec<String> = self.0.iter().map(one).collect();
        (!all.is_empty()).then(|| all.join("; "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn several_instruments_on_a_line_are_not_taken_for_one_that_changes() {
        let mut identities = Identities::default();
        assert_eq!(identities.text(), None);
        for _ in 0..2 {
            assert_eq!(identities.note("charger", "meter A"), None);
            assert_eq!(identities.note("load", "meter B"), None);
        }
        assert_eq!(identities.text().unwrap(), "charger: meter A; load: meter B");
        assert_eq!(identities.note("load", "meter C").unwrap(), "meter B");
    }

    #[test]
    fn the_only_instrument_needs_no_name() {
        let mut identities = Identities::default();
        identities.note("", "meter A");
        assert_eq!(identities.text().unwrap(), "meter A");
    }
}
