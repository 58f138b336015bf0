//! Reading samples back. No transaction is open while anybody looks at what it
//! gave, so that a slow reader never holds the write-ahead log open.

use std::ops::ControlFlow;

use ampledger_types::{Bound, RunId, Seq};

use crate::append::NumberedSample;
use crate::error::StoreError;
use crate::head::DamagedChunk;
use crate::merge;
use crate::reader::Reader;
use crate::walk::Access;

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

    pub(crate) fn covers(&self, at: Bound) -> bool {
        self.from <= at && self.to.is_none_or(|to| at <= to)
    }

    pub(crate) fn names(&self, source: &str) -> bool {
        self.sources.is_empty() || self.sources.iter().any(|s| s == source)
    }
}

impl Reader {
    /// Calls `take` with every sample of the range, in order of number, until
    /// it breaks. What was decoded again comes in place of what it stands in
    /// for, in order of time. Memory does not grow with the range. A chunk that
    /// is damaged is passed over; [`Reader::damaged_chunks`] names it.
    pub fn samples(
        &self,
        range: &Range,
        take: impl FnMut(NumberedSample) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        let redecodings = self.redecodings(range)?;
        merge::samples(&Access::Reader(self), range, &redecodings, take)
    }

    /// The damaged chunks that this reader has come upon so far.
    pub fn damaged_chunks(&self) -> Vec<DamagedChunk> {
        self.damaged.borrow().clone()
    }
}

/// The end of a range in numbers.
pub(crate) fn end(to: Option<Bound>) -> Bound {
    to.unwrap_or(Bound { run: RunId(i64::MAX), t_us: i64::MAX })
}
