//! Looks for the charge that proves a pack full in a record before a session, and
//! for nothing else: days of rows at a fraction of what an analysis costs. What
//! it finds is what an analysis of the same rows would.

use crate::axis::Row;
use crate::feed::{Fed, Feed};
use crate::full::{Bounds, Broken, FullWatch};
use crate::rules::Setting;

/// Streaming, in bounded memory.
#[derive(Clone, Debug)]
pub struct FullSearch {
    feed: Feed,
    full: FullWatch,
}

impl FullSearch {
    /// Nothing seen yet.
    pub fn new(setting: &Setting) -> FullSearch {
        FullSearch { feed: Feed::new(setting), full: FullWatch::new(setting) }
    }

    /// Takes the next row, in order of sequence number.
    pub fn push(&mut self, row: &Row) {
        match self.feed.push(row) {
            Fed::Start(point) => {
                let bounds = self.bounds(0.0);
                self.full.start(&point, bounds);
            }
            Fed::Interval(interval) => {
                let bounds = self.bounds(interval.seconds);
                self.full.interval(&interval, bounds);
            }
            Fed::Nothing | Fed::Repeated(_) => {}
        }
    }

    /// The clock broke off before the next row, and for how long is unknown.
    pub fn break_of_unknown_length(&mut self) {
        self.feed.break_of_unknown_length();
        if let Some(last_us) = self.feed.last_row_us() {
            self.full.break_custody(last_us, Broken::DarkUnknown);
        }
    }

    /// From here on another instrument is on the line.
    pub fn other_instrument(&mut self, t_us: i64) {
        self.full.break_custody(t_us, Broken::OtherInstrument);
    }

    /// What was seen of a charge, for the session after this record.
    pub fn full_watch(&self) -> FullWatch {
        self.full
    }

    fn bounds(&self, seconds: f64) -> Bounds {
        Bounds { rest_ampere: self.feed.threshold.ampere(), is_dark: self.feed.is_dark(seconds) }
    }
}
