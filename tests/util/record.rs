//! What is in a store's file, read as a program of its own would, once the
//! daemon has ended.

use std::ops::ControlFlow;
use std::path::Path;

use ampledger_store::{Range, Reader};
use ampledger_types::{Bound, Marker, RunId};

/// The first moment of the first run.
const BEGIN: Bound = Bound { run: RunId(1), t_us: 0 };

/// The numbers that [`numbered`](crate::peers::numbered) frames of a source
/// had, each with the time it was recorded at, in order of arrival.
pub fn numbers(store: &Path, source: &str) -> Vec<(u32, i64)> {
    let reader = Reader::open(store).expect("the store");
    let range = Range { sources: vec![source.to_owned()], from: BEGIN, to: None, up_to: None };
    let mut numbers = Vec::new();
    let read = reader.samples(&range, |stored| {
        numbers.push(((stored.sample.values[0] * 1000.0).round() as u32, stored.sample.t_us));
        ControlFlow::Continue(())
    });
    read.expect("the samples");
    numbers
}

/// The markers of a source.
pub fn markers(store: &Path, source: &str) -> Vec<Marker> {
    let reader = Reader::open(store).expect("the store");
    let mut all = reader.markers(BEGIN, None).expect("the markers");
    all.retain(|marker| marker.source.as_deref() == Some(source));
    all
}
