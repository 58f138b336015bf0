//! Lines of text: how they end, what parts them, and which of their numbers move
//! with the load. Lines are parted as the decoders part them.

use std::collections::BTreeMap;

use serde::Serialize;

use super::Piece;
use super::load::Load;
use super::moves::{Move, Place, Watch};
use crate::builtin::text_lines::cells::{Delimiter, pairs, split};
use crate::framing::{Line, Lines};
use crate::number::{Cell, cell};

/// Columns that are looked at.
const MOST_COLUMNS: usize = 64;
/// Lines that are shown.
const SHOWN: usize = 3;
/// Lines that decide what form they have.
const DECIDING: usize = 200;
/// Fewer lines are no text.
const FEWEST_LINES: usize = 3;

/// Lines of text.
#[derive(Clone, Debug, Serialize)]
pub struct TextFound {
    /// How many there are.
    pub lines: u64,
    /// What ends them: `LF`, `CR LF` or `CR`.
    pub end: &'static str,
    /// What form they have.
    pub form: TextForm,
    /// The decimal mark.
    pub decimal: char,
    /// Some of them.
    pub shown: Vec<String>,
    /// Their numbers, in the order in which they come.
    pub columns: Vec<Column>,
    /// What moves with the load, the clearest first.
    pub moves: Vec<Move>,
}

/// What form lines have.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TextForm {
    /// A JSON object each.
    Json,
    /// `key=value` or `key: value`.
    Pairs,
    /// Cells.
    Columns,
}

/// Numbers that come again in every line.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Column {
    /// The key, or the column's number from 1.
    pub name: String,
    /// How many were read.
    pub count: u64,
    /// The lowest.
    pub lowest: f64,
    /// The highest.
    pub highest: f64,
}

/// Looks at the pieces; `None` where they are no text.
pub fn look(bytes: &[u8], pieces: &[Piece], load: &Load) -> Option<TextFound> {
    let all = || pieces.iter().flat_map(|p| &bytes[p.from..p.to]);
    let printable = all().filter(|b| matches!(b, b' '..=b'~' | b'\t' | b'\r' | b'\n')).count();
    if 100 * printable < 95 * all().count() {
        return None;
    }
    let lines = lines(bytes, pieces);
    if lines.len() < FEWEST_LINES {
        return None;
    }
    let first = &lines[..lines.len().min(DECIDING)];
    let decimal = decimal(first);
    let form = form(first, decimal);
    let mut columns = Columns::default();
    for (t_us, line) in &lines {
        let stretch = load.stretch(*t_us);
        for (name, value) in numbers(line, form, decimal) {
            columns.add(name, value, |watch| watch.add(Some(value), stretch));
        }
    }
    let (columns, moves) = columns.end(load);
    Some(TextFound {
        lines: lines.len() as u64,
        end: end(bytes, pieces),
        form,
        decimal,
        shown: lines.iter().rev().take(SHOWN).rev().map(|(_, line)| shown(line)).collect(),
        columns,
        moves,
    })
}

fn lines(bytes: &[u8], pieces: &[Piece]) -> Vec<(i64, String)> {
    let mut framer = Lines::default();
    framer.opened(false);
    let mut lines = Vec::new();
    for piece in pieces {
        framer.push(&bytes[piece.from..piece.to], |line| {
            if let Line::Whole(line) = line
                && !line.trim_ascii().is_empty()
            {
                lines.push((piece.t_us, String::from_utf8_lossy(line).into_owned()));
            }
        });
    }
    lines
}

fn end(bytes: &[u8], pieces: &[Piece]) -> &'static str {
    let all = || pieces.iter().flat_map(|p| &bytes[p.from..p.to]);
    let (cr, lf) = (all().filter(|b| **b == b'\r').count(), all().filter(|b| **b == b'\n').count());
    match (cr, lf) {
        (_, 0) => "CR",
        (cr, lf) if 2 * cr > lf => "CR LF",
        _ => "LF",
    }
}

/// Safe to print, and short.
fn shown(line: &str) -> String {
    const LONGEST: usize = 100;
    let mut shown: String = line.chars().take(LONGEST).filter(|c| !c.is_control()).collect();
    if line.chars().nth(LONGEST).is_some() {
        shown.push('…');
    }
    shown
}

/// A comma between digits is the decimal mark where something else parts the cells.
fn decimal(lines: &[(i64, String)]) -> char {
    let has_comma = |line: &str| {
        let bytes = line.as_bytes();
        let between = bytes
            .windows(3)
            .any(|w| w[1] == b',' && w[0].is_ascii_digit() && w[2].is_ascii_digit());
        between && !line.contains('.') && line.contains([';', '\t', ' '])
    };
    let count = lines.iter().filter(|(_, line)| has_comma(line)).count();
    if 2 * count > lines.len() { ',' } else { '.' }
}

fn form(lines: &[(i64, String)], decimal: char) -> TextForm {
    let most = |is: &dyn Fn(&str) -> bool| {
        2 * lines.iter().filter(|(_, line)| is(line)).count() > lines.len()
    };
    let is_object = |line: &str| {
        line.starts_with('{') && serde_json::from_str::<serde_json::Value>(line).is_ok()
    };
    match () {
        () if most(&is_object) => TextForm::Json,
        () if most(&|line| pairs(line, None, decimal).is_some()) => TextForm::Pairs,
        () => TextForm::Columns,
    }
}

/// The numbers of a line with their names.
fn numbers(line: &str, form: TextForm, decimal: char) -> Vec<(String, f64)> {
    let read = |text: &str| match cell(text, decimal) {
        Cell::Number { value, .. } => Some(value),
        _ => None,
    };
    match form {
        TextForm::Json => {
            let mut found = Vec::new();
            if let Ok(value) = serde_json::from_str::<serde_json::Value>(line) {
                leaves(&value, String::new(), &mut found);
            }
            found
        }
        TextForm::Pairs => {
            let found = pairs(line, None, decimal).map(|pairs| pairs.pairs).unwrap_or_default();
            found.into_iter().filter_map(|(key, value)| Some((key, read(&value)?))).collect()
        }
        TextForm::Columns => {
            let cells = split(line, Delimiter::of(line, decimal), decimal);
            let numbered = cells.iter().enumerate();
            numbered.filter_map(|(i, cell)| Some(((i + 1).to_string(), read(cell)?))).collect()
        }
    }
}

/// The numbers in a JSON object: a key at the top, a pointer (RFC 6901) below.
fn leaves(value: &serde_json::Value, name: String, found: &mut Vec<(String, f64)>) {
    use serde_json::Value;
    if found.len() >= MOST_COLUMNS {
        return;
    }
    let below = |key: &str| format!("{name}/{}", key.replace('~', "~0").replace('/', "~1"));
    match value {
        Value::Number(number) => {
            let plain = name.strip_prefix('/').filter(|n| !n.contains(['/', '~']));
            let name = plain.map_or(name.clone(), str::to_owned);
            found.extend(number.as_f64().map(|value| (name, value)));
        }
        Value::Object(table) => table.iter().for_each(|(k, v)| leaves(v, below(k), found)),
        Value::Array(list) => {
            list.iter().enumerate().for_each(|(i, v)| leaves(v, below(&i.to_string()), found));
        }
        _ => {}
    }
}

/// The columns so far, in the order in which they came. Bounded.
#[derive(Default)]
struct Columns {
    places: BTreeMap<String, usize>,
    all: Vec<(Column, Watch)>,
}

impl Columns {
    fn add(&mut self, name: String, value: f64, watch: impl FnOnce(&mut Watch)) {
        let place = match self.places.get(&name) {
            Some(place) => *place,
            None if self.all.len() >= MOST_COLUMNS => return,
            None => {
                let column = Column { name: name.clone(), count: 0, lowest: value, highest: value };
                self.all.push((column, Watch::default()));
                self.places.insert(name, self.all.len() - 1);
                self.all.len() - 1
            }
        };
        let (column, watched) = &mut self.all[place];
        column.count += 1;
        column.lowest = column.lowest.min(value);
        column.highest = column.highest.max(value);
        watch(watched);
    }

    fn end(self, load: &Load) -> (Vec<Column>, Vec<Move>) {
        let (mut columns, mut moves) = (Vec::new(), Vec::new());
        for (column, watch) in self.all {
            let moved = watch.end(Place::Column(column.name.clone()), 0.0);
            moves.extend(moved.filter(|_| load.is_known()));
            columns.push(column);
        }
        moves.sort_by(|a, b| b.spreads.total_cmp(&a.spreads));
        (columns, moves)
    }
}
