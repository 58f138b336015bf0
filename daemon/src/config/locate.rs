//! From a key back to the line of the file it stands on.

use toml_edit::{Document, Item, TableLike};

/// The line, from 1, on which `key` (dotted) stands; of the nearest table
/// around it if the key itself is not in the file.
pub fn line_of(text: &str, key: &str) -> Option<usize> {
    let document = Document::parse(text).ok()?;
    let mut table: &dyn TableLike = document.as_table();
    let mut found = None;
    for name in key.split('.') {
        let Some((key, item)) = table.get_key_value(name) else { break };
        found = key.span().or(item.span()).or(found);
        match item {
            Item::Table(inner) => table = inner,
            Item::Value(value) => match value.as_inline_table() {
                Some(inner) => table = inner,
                None => break,
            },
            _ => break,
        }
    }
    found.map(|span| line_at(text, span.start))
}

/// Line and message of the first place where the text is no TOML.
pub fn syntax_error(text: &str) -> Option<(usize, String)> {
    let error = Document::parse(text).err()?;
    let line = line_at(text, error.span().map_or(0, |span| span.start));
    Some((line, error.message().to_owned()))
}

fn line_at(text: &str, offset: usize) -> usize {
    1 + text.as_bytes().iter().take(offset).filter(|b| **b == b'\n').count()
}
