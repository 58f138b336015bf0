//! The order in which samples are read where some were decoded again: of each
//! stretch what was decoded last, where its time puts it.

use std::ops::ControlFlow;

use ampledger_types::Bound;

use crate::append::NumberedSample;
use crate::error::StoreError;
use crate::read::Range;
use crate::redecode::Redecoding;
use crate::walk::{Access, Numbers, Walk};

/// Calls `take` with the samples of a range until it breaks.
pub(crate) fn samples(
    access: &Access<'_>,
    range: &Range,
    redecodings: &[Redecoding],
    mut take: impl FnMut(NumberedSample) -> ControlFlow<()>,
) -> Result<(), StoreError> {
    let mut walk = Walk::everything(access, range)?;
    if !redecodings.is_empty() {
        return Merged::new(access, range, redecodings, walk).read(take);
    }
    while let Some(sample) = walk.next()? {
        if take(sample).is_break() {
            break;
        }
    }
    Ok(())
}

struct Merged<'a> {
    redecodings: &'a [Redecoding],
    streams: Vec<Stream<'a>>,
}

/// A walk, and its next sample.
struct Stream<'a> {
    walk: Walk<'a>,
    next: Option<NumberedSample>,
}

impl<'a> Merged<'a> {
    fn new(
        access: &'a Access<'a>,
        range: &'a Range,
        redecodings: &'a [Redecoding],
        mut recorded: Walk<'a>,
    ) -> Merged<'a> {
        let mut streams = Vec::new();
        for redecoding in redecodings {
            let own = (redecoding.first_seq.cast_signed(), redecoding.last_seq.cast_signed());
            recorded.without(own);
            let numbers = Numbers { after: own.0 - 1, last: own.1, but: Vec::new() };
            streams.push(Stream { walk: Walk::new(access, range, numbers), next: None });
        }
        streams.push(Stream { walk: recorded, next: None });
        Merged { redecodings, streams }
    }

    fn read(
        mut self,
        mut take: impl FnMut(NumberedSample) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        for stream in &mut self.streams {
            stream.next = stream.walk.next()?;
        }
        loop {
            // Of equals the one decoded first, the recorded ones last.
            let heads = self.streams.iter_mut().filter_map(|s| Some((s.at()?, s)));
            let Some((_, stream)) = heads.min_by_key(|(at, _)| *at) else { return Ok(()) };
            let following = stream.walk.next()?;
            let Some(sample) = std::mem::replace(&mut stream.next, following) else { continue };
            if self.counts(&sample) && take(sample).is_break() {
                return Ok(());
            }
        }
    }

    /// Whether nothing that was decoded later stands in for the sample.
    fn counts(&self, sample: &NumberedSample) -> bool {
        let mut later = self.redecodings.iter().filter(|r| r.first_seq > sample.seq);
        !later.any(|r| r.stretch.covers(sample))
    }
}

impl Stream<'_> {
    /// The moment of its next sample.
    fn at(&self) -> Option<Bound> {
        self.next.as_ref().map(|next| Bound { run: next.run, t_us: next.sample.t_us })
    }
}
