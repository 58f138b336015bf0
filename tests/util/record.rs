//! What is in a store's file, read as a program of its own would, once the
//! daemon has ended.

use std::ops::ControlFlow;
use std::path::Path;

use ampledger_store::{Range, Reader};
use ampledger_types::{Bound, Marker, Quantity, RunId};

/// The first moment of the first run.
const BEGIN: Bound = Bound { run: RunId(1), t_us: 0 };

/// The voltages of a source, each with the time it was recorded at, in order of
/// arrival.
pub fn volts(store: &Path, source: &str) -> Vec<(f64, i64)> {
    let reader = Reader::open(store).expect("the store");
    let range = Range { sources: vec![source.to_owned()], from: BEGIN, to: None, up_to: None };
    let mut volts = Vec::new();
    let read = reader.samples(&range, |stored| {
        let sample = &stored.sample;
        let place = sample.group.position(Quantity::Voltage);
        volts.extend(place.map(|place| (sample.values[place], sample.t_us)));
        ControlFlow::Continue(())
    });
    read.expect("the samples");
    volts
}

/// The numbers of a source that counts in millivolts, as
/// [`numbered`](crate::peers::numbered) frames do, each with its time.
pub fn numbers(store: &Path, source: &str) -> Vec<(u32, i64)> {
    let number = |(volt, t_us): (f64, i64)| ((volt * 1000.0).round() as u32, t_us);
    volts(store, source).into_iter().map(number).collect()
}

/// The markers of a source.
pub fn markers(store: &Path, source: &str) -> Vec<Marker> {
    let reader = Reader::open(store).expect("the store");
    let mut all = reader.markers(BEGIN, None).expect("the markers");
    all.retain(|marker| marker.source.as_deref() == Some(source));
    all
}
