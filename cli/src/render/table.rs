//! Columns of text. Knows no units and no meaning.

use super::style;

/// On which side a column's cells stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// A table with its head. Cells are plain text without styles; a row may be
/// shorter than the head.
pub fn table(head: &[(&str, Side)], rows: &[Vec<String>]) -> String {
    let width = |column: usize| {
        let cells = rows.iter().filter_map(|row| row.get(column)).map(|cell| length(cell));
        cells.chain([length(head[column].0)]).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..head.len()).map(width).collect();
    let line = |cells: &[&str]| {
        let padded: Vec<String> = cells
            .iter()
            .zip(head)
            .zip(&widths)
            .map(|((cell, (_, side)), width)| pad(cell, *side, *width))
            .collect();
        padded.join("  ").trim_end().to_owned()
    };
    let names: Vec<&str> = head.iter().map(|(name, _)| *name).collect();
    let mut text = format!("{}\n", style::faint(&line(&names)));
    for row in rows {
        let cells: Vec<&str> = row.iter().map(String::as_str).collect();
        text.push_str(&line(&cells));
        text.push('\n');
    }
    text
}

fn pad(cell: &str, side: Side, width: usize) -> String {
    let space = " ".repeat(width.saturating_sub(length(cell)));
    match side {
        Side::Left => format!("{cell}{space}"),
        Side::Right => format!("{space}{cell}"),
    }
}

fn length(text: &str) -> usize {
    text.chars().count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_stand_left_and_numbers_right() {
        let rows = [vec!["rest".to_owned(), "0.1".to_owned()], vec!["−".to_owned(), "57.4".into()]];
        let text = table(&[("kind", Side::Left), ("Ah", Side::Right)], &rows);
        let plain = anstream::adapter::strip_str(&text).to_string();
        assert_eq!(plain, "kind    Ah\nrest   0.1\n−     57.4\n");
    }
}
