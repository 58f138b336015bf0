//! Reading samples and frames back, page by page: each page is a transaction
//! of its own, closed before anybody looks at what it gave, so that a slow
//! reader never holds the write-ahead log open.

use std::ops::ControlFlow;

use ampledger_types::{Bound, RunId, Sample, Seq};
use rusqlite::{Connection, Row, params};

use crate::append::NumberedSample;
use crate::error::{Fault, StoreError};
use crate::intern::Origins;
use crate::reader::{self, Reader};
use crate::readings;
use crate::redecode::{self, Merged};

/// Rows looked at in one transaction.
const PAGE: i64 = 4096;

/// Which samples.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Range {
    /// Of these sources; none named means of every source.
    pub sources: Vec<String>,
    /// First moment, itself included.
    pub from: Bound,
    /// Last moment, itself included; `None` for no end.
    pub to: Option<Bound>,
    /// Last number, itself included; `None` for what is on disk as the reading
    /// begins.
    pub up_to: Option<Seq>,
}

impl Range {
    /// All samples of every source.
    pub fn everything() -> Range {
        let from = Bound { run: RunId(i64::MIN), t_us: i64::MIN };
        Range { sources: Vec::new(), from, to: None, up_to: None }
    }

    fn covers(&self, at: Bound) -> bool {
        self.from <= at && self.to.is_none_or(|to| at <= to)
    }

    pub(crate) fn names(&self, source: &str) -> bool {
        self.sources.is_empty() || self.sources.iter().any(|s| s == source)
    }
}

impl Reader {
    /// Calls `take` with every sample of the range, in order of number, until
    /// it breaks. What was decoded again comes in place of what it stands in
    /// for, in order of time. Memory does not grow with the range.
    pub fn samples(
        &self,
        range: &Range,
        mut take: impl FnMut(NumberedSample) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let (spans, redecodings) =
            self.read(|db| Ok((spans(db, range)?, redecode::redecodings(db, range)?)))?;
        let read_page = |numbers| self.read(|db| page(db, &self.origins, range, numbers));
        if !redecodings.is_empty() {
            return Merged::new(&redecodings, &spans).read(read_page, take);
        }
        let mut after = 0;
        for (first, last) in spans {
            after = after.max(first - 1);
            while after < last {
                let page = read_page(after..last)?;
                after = page.reached;
                for sample in page.samples {
                    if take(sample).is_break() {
                        return Ok(());
                    }
                }
            }
        }
        Ok(())
    }
}

/// Between which numbers to look, in order; they may overlap where two runs
/// were recorded at once.
fn spans(db: &Connection, range: &Range) -> Result<Vec<(i64, i64)>, Fault> {
    let up_to = reader::newest(db)?.min(range.up_to.unwrap_or(Seq::MAX)).cast_signed();
    let (from, to) = (range.from, end(range.to));
    let mut find = db.prepare_cached(
        "SELECT first_seq, min(last_seq, ?5) FROM sample_span \
         WHERE (run, t_max_us) >= (?1, ?2) AND (run, t_min_us) <= (?3, ?4) AND first_seq <= ?5 \
         ORDER BY first_seq",
    )?;
    let rows = find.query_map(params![from.run.0, from.t_us, to.run.0, to.t_us, up_to], |row| {
        Ok((row.get(0)?, row.get(1)?))
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The end of a range in numbers.
pub(crate) fn end(to: Option<Bound>) -> Bound {
    to.unwrap_or(Bound { run: RunId(i64::MAX), t_us: i64::MAX })
}

/// Samples of a range, and up to which number they were looked for.
pub(crate) struct Page {
    pub(crate) samples: Vec<NumberedSample>,
    pub(crate) reached: i64,
}

fn page(
    db: &Connection,
    origins: &Origins,
    range: &Range,
    numbers: std::ops::Range<i64>,
) -> Result<Page, Fault> {
    let mut find = db.prepare_cached(
        "SELECT seq, run, channel_group, t_us, instrument_t_us, readings FROM sample \
         WHERE seq > ?1 AND seq <= ?2 ORDER BY seq LIMIT ?3",
    )?;
    let mut rows = find.query(params![numbers.start, numbers.end, PAGE])?;
    let mut page = Page { samples: Vec::new(), reached: numbers.end };
    let mut seen = 0;
    while let Some(row) = rows.next()? {
        seen += 1;
        if seen == PAGE {
            page.reached = row.get(0)?;
        }
        page.samples.extend(sample(db, origins, range, row)?);
    }
    Ok(page)
}

/// The sample of a row, if it is in the range.
fn sample(
    db: &Connection,
    origins: &Origins,
    range: &Range,
    row: &Row<'_>,
) -> Result<Option<NumberedSample>, Fault> {
    let at = Bound { run: RunId(row.get(1)?), t_us: row.get(3)? };
    if !range.covers(at) {
        return Ok(None);
    }
    let origin = origins.group(db, row.get(2)?)?;
    if !range.names(&origin.decode_set.source) {
        return Ok(None);
    }
    let seq = row.get::<_, i64>(0)?.cast_unsigned();
    let bytes = row.get_ref(5)?.as_blob().map_err(|e| Fault::Damaged(e.to_string()))?;
    let values = readings::read(bytes, origin.group.channels.len())
        .ok_or_else(|| Fault::Damaged(format!("the readings of sample {seq} do not fit")))?;
    let sample =
        Sample { group: origin.group, t_us: at.t_us, instrument_t_us: row.get(4)?, values };
    Ok(Some(NumberedSample { seq, run: at.run, decode_set: origin.decode_set, sample }))
}
