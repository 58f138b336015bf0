//! Tables and lists of terms. On a phone a row becomes a card: each cell then
//! carries its column's name, but for sentences, which speak for themselves.

use super::markup::Html;

/// A column: its name, and the class of its cells.
#[derive(Clone, Copy, Debug)]
pub(super) struct Column {
    name: &'static str,
    class: &'static str,
}

/// A column of a word or two.
pub(super) const fn words(name: &'static str) -> Column {
    Column { name, class: "words" }
}

/// A column of sentences: a line of its own on a phone.
pub(super) const fn prose(name: &'static str) -> Column {
    Column { name, class: "words long" }
}

/// A column of figures.
pub(super) const fn figures(name: &'static str) -> Column {
    Column { name, class: "figure" }
}

/// A table of text. Cells beyond the columns are not shown.
pub(super) fn table(out: &mut Html, columns: &[Column], rows: &[Vec<String>]) {
    out.tag("table", &[], |table| {
        table.tag("thead", &[], |head| {
            head.tag("tr", &[], |row| {
                for column in columns {
                    row.said("th", &[("class", column.class), ("scope", "col")], column.name);
                }
            });
        });
        table.tag("tbody", &[], |body| {
            for cells in rows {
                body.tag("tr", &[], |row| {
                    for (column, cell) in columns.iter().zip(cells) {
                        let attributes = [("class", column.class), ("data-name", column.name)];
                        row.said("td", &attributes, cell);
                    }
                });
            }
        });
    });
}

/// Terms with what is known of each; what is not known is left out.
pub(super) fn terms(out: &mut Html, terms: &[(&str, Option<String>)]) {
    out.tag("dl", &[], |list| {
        for (term, known) in terms {
            if let Some(known) = known {
                list.said("dt", &[], term);
                list.said("dd", &[], known);
            }
        }
    });
}

/// A heading with what belongs to it.
pub(super) fn section(out: &mut Html, title: &str, inside: impl FnOnce(&mut Html)) {
    out.tag("section", &[], |section| {
        section.said("h2", &[], title);
        inside(section);
    });
}

/// The same, closed until somebody opens it.
pub(super) fn folded(out: &mut Html, title: &str, inside: impl FnOnce(&mut Html)) {
    out.tag("details", &[], |details| {
        details.said("summary", &[], title);
        inside(details);
    });
}
