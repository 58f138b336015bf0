//! What docs/methods.md says, to compare examples with.

/// The page's text with its line breaks taken out.
fn page() -> String {
    let text = include_str!("../../../../docs/methods.md").replace("\n> ", " ");
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

pub fn says(sentence: &str) {
    assert!(page().contains(sentence), "docs/methods.md does not say: {sentence}");
}
