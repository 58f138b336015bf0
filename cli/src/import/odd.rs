//! What was wrong with a file: how often each kind of it, the first lines, and
//! the words of the first.

use std::collections::BTreeMap;

use ampledger_decoders::ComplaintKind;
use ampledger_types::{Bound, Marker, MarkerKind, RunId};

/// Lines listed of each kind of trouble.
const LISTED: usize = 20;

/// All of it.
#[derive(Debug, Default)]
pub struct Odd(BTreeMap<(MarkerKind, ComplaintKind), OfOneKind>);

/// Trouble of one kind.
#[derive(Debug)]
struct OfOneKind {
    count: u64,
    lines: Vec<u64>,
    latest_line: u64,
    first: String,
    at_us: i64,
}

impl Odd {
    /// Counts a line, once for each kind of trouble; `at_us` is how far the
    /// record reaches.
    pub fn note(&mut self, kind: (MarkerKind, ComplaintKind), line: u64, detail: &str, at_us: i64) {
        let odd = self.0.entry(kind).or_insert_with(|| OfOneKind {
            count: 0,
            lines: Vec::new(),
            latest_line: 0,
            first: detail.to_owned(),
            at_us,
        });
        if odd.latest_line == line {
            return;
        }
        (odd.latest_line, odd.count) = (line, odd.count + 1);
        if odd.lines.len() < LISTED {
            odd.lines.push(line);
        }
    }

    /// As the record keeps it.
    pub fn markers(self, run: RunId) -> impl Iterator<Item = Marker> {
        self.0.into_iter().map(move |((kind, _), odd)| {
            let at = Bound { run, t_us: odd.at_us };
            let text = odd.text(kind);
            Marker { count: odd.count, lines: odd.lines, ..Marker::new(at, kind, text) }
        })
    }
}

impl OfOneKind {
    fn text(&self, kind: MarkerKind) -> String {
        match kind {
            MarkerKind::TimeBackwards if self.count == 1 => {
                "1 row whose time is out of order; left out".to_owned()
            }
            MarkerKind::TimeBackwards => {
                format!("{} rows whose time is out of order; left out", self.count)
            }
            _ => format!("not understood: {}", self.first),
        }
    }
}
