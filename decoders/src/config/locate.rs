//! From a key back to the line of the file it stands on. A key is dotted and
//! counts places in lists, as in `sources.load.options.queries[1].send`; a name
//! in it may have dots of its own, as `32.7.0` has.

use std::ops::Range;

use toml_edit::{Array, ArrayOfTables, Document, Item, TableLike, Value};

/// The line, from 1, on which `key` stands; of the nearest table around it if
/// the key itself is not in the file.
pub fn line_of(text: &str, key: &str) -> Option<usize> {
    let document = Document::parse(text).ok()?;
    let (mut node, mut rest, mut found) = (Node::Table(document.as_table()), key, None);
    while let Some(step) = node.step(rest) {
        found = step.span.or(found);
        (node, rest) = (step.node, step.rest);
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

/// Something that keys can lie in.
enum Node<'a> {
    Table(&'a dyn TableLike),
    Tables(&'a ArrayOfTables),
    List(&'a Array),
    Leaf,
}

/// One name or place of a key.
struct Step<'a, 'k> {
    node: Node<'a>,
    span: Option<Range<usize>>,
    rest: &'k str,
}

impl<'a> Node<'a> {
    fn step<'k>(&self, rest: &'k str) -> Option<Step<'a, 'k>> {
        match self {
            Node::Table(table) => {
                let (name, rest) = first_name(rest, table.iter().map(|(name, _)| name))?;
                let (key, item) = table.get_key_value(name)?;
                Some(Step { node: Node::of(item), span: key.span().or(item.span()), rest })
            }
            Node::Tables(tables) => {
                let (place, rest) = first_place(rest)?;
                let table = tables.get(place)?;
                Some(Step { node: Node::Table(table), span: table.span(), rest })
            }
            Node::List(list) => {
                let (place, rest) = first_place(rest)?;
                let value = list.get(place)?;
                Some(Step { node: Node::of_value(value), span: value.span(), rest })
            }
            Node::Leaf => None,
        }
    }

    fn of(item: &'a Item) -> Node<'a> {
        match item {
            Item::Table(table) => Node::Table(table),
            Item::ArrayOfTables(tables) => Node::Tables(tables),
            Item::Value(value) => Node::of_value(value),
            Item::None => Node::Leaf,
        }
    }

    fn of_value(value: &'a Value) -> Node<'a> {
        match value {
            Value::InlineTable(table) => Node::Table(table),
            Value::Array(list) => Node::List(list),
            _ => Node::Leaf,
        }
    }
}

/// The longest of the names that the key begins with, and what follows it.
pub(super) fn first_name<'n, 'k>(
    key: &'k str,
    names: impl Iterator<Item = &'n str>,
) -> Option<(&'n str, &'k str)> {
    let follows = |name: &'n str| {
        let rest = key.strip_prefix(name)?;
        let ends = rest.is_empty() || rest.starts_with(['.', '[']);
        ends.then(|| (name, rest.strip_prefix('.').unwrap_or(rest)))
    };
    names.filter(|name| !name.is_empty()).filter_map(follows).max_by_key(|(name, _)| name.len())
}

/// The place in a list that the key begins with, and what follows it.
pub(super) fn first_place(key: &str) -> Option<(usize, &str)> {
    let (place, rest) = key.strip_prefix('[')?.split_once(']')?;
    Some((place.parse().ok()?, rest.strip_prefix('.').unwrap_or(rest)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = r#"
[sources.quay.options]
framing = "sync"

[[sources.quay.options.frames]]
name = "live"
fields = [
  { name = "U", at = 3 },
  { name = "I",
    at = 5 },
]

[[sources.quay.options.frames]]
name = "slow"

[sources.quay.fields."32.7.0"]
quantity = "voltage_volt"
"#;

    #[test]
    fn keys_are_found_through_tables_lists_and_names_with_dots() {
        for (key, line) in [
            ("sources.quay.options.framing", 3),
            ("sources.quay.options.frames[0]", 5),
            ("sources.quay.options.frames[0].name", 6),
            ("sources.quay.options.frames[0].fields[0].at", 8),
            ("sources.quay.options.frames[0].fields[1].at", 10),
            ("sources.quay.options.frames[1].name", 14),
            ("sources.quay.fields.32.7.0.quantity", 17),
            // Not there: the nearest around it.
            ("sources.quay.options.frames[0].fields[1].type", 9),
            ("sources.quay.options.frames[2].name", 5),
            ("sources.quay.fields.32.7.0.unit", 16),
        ] {
            assert_eq!(line_of(TEXT, key), Some(line), "{key}");
        }
        assert_eq!(line_of(TEXT, "store.path"), None);
    }

    #[test]
    fn what_is_no_toml_is_told_with_its_line() {
        assert_eq!(syntax_error("[a]\nb = = 1\n").map(|(line, _)| line), Some(2));
        assert_eq!(syntax_error("[a]\n"), None);
    }
}
