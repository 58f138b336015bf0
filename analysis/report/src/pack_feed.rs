//! Samples of one source into the watch over its pack, live or from the store;
//! what the watch tells comes out as moments of the record.

use ampledger_methods::{Axis, PackEvent, PackWatch, RunOffset, Setting};
use ampledger_types::{Bound, Run, RunId, Sample};

/// What the watch told, with its moments.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PackNews {
    /// What.
    pub event: PackEvent,
    /// Since when it holds.
    pub since: Bound,
    /// If it begins a test: from when on.
    pub opens: Option<Bound>,
    /// If it ends a test: up to when.
    pub closes: Option<Bound>,
}

/// The watch over one source.
#[derive(Clone, Debug)]
pub struct PackFeed {
    source: String,
    watch: PackWatch,
    axis: Axis,
    /// The runs of the boot that is being fed, each with its first time here.
    runs: Vec<(RunId, i64)>,
    boot_id: String,
}

impl PackFeed {
    /// Nothing seen yet.
    pub fn new(source: &str, setting: Setting) -> PackFeed {
        PackFeed {
            source: source.to_owned(),
            watch: PackWatch::new(setting),
            axis: Axis::new(&[source.to_owned()], Vec::new()),
            runs: Vec::new(),
            boot_id: String::new(),
        }
    }

    /// The meter is described otherwise from here on.
    pub fn describe(&mut self, setting: Setting) {
        self.watch.describe(setting);
    }

    /// Whether a pack is there.
    pub fn is_present(&self) -> bool {
        self.watch.is_present()
    }

    /// Takes it that a pack is there, as an open session says; `closes`: there
    /// was a discharge in it that a rest will end.
    pub fn take_up(&mut self, run: &Run, t_us: i64, closes: bool) {
        self.enter(run, t_us);
        self.watch.take_up(t_us, closes);
    }

    /// Takes a sample of the source.
    pub fn sample(&mut self, run: &Run, sample: &Sample) -> Vec<PackNews> {
        self.enter(run, sample.t_us);
        let Some(placed) = self.axis.row(&self.source, run.id, sample) else { return Vec::new() };
        let events = self.watch.push(&placed.row);
        self.dated(events)
    }

    /// Is told that it is `t_us` on the clock of the run fed last, and nothing
    /// more was heard.
    pub fn time(&mut self, t_us: i64) -> Vec<PackNews> {
        let events = self.watch.time(t_us);
        self.dated(events)
    }

    /// The same on the clock of a run, if it is that of the boot fed last.
    pub fn time_in(&mut self, run: &Run, t_us: i64) -> Vec<PackNews> {
        if self.boot_id == run.boot_id { self.time(t_us) } else { Vec::new() }
    }

    fn enter(&mut self, run: &Run, t_us: i64) {
        if self.runs.last().is_some_and(|(id, _)| *id == run.id) {
            return;
        }
        if self.boot_id != run.boot_id {
            self.boot_id.clone_from(&run.boot_id);
            self.runs.clear();
            self.watch.break_of_unknown_length();
        }
        self.runs.push((run.id, t_us));
        self.axis.add_run(RunOffset {
            run: run.id,
            boot_id: run.boot_id.clone(),
            offset_us: Some(0),
        });
    }

    fn dated(&self, events: Vec<PackEvent>) -> Vec<PackNews> {
        let news = |event: PackEvent| PackNews {
            since: self.bound(event.since_us),
            opens: event.opens_us().map(|t_us| self.bound(t_us)),
            closes: event.closes_us().map(|t_us| self.bound(t_us)),
            event,
        };
        events.into_iter().map(news).collect()
    }

    /// A moment of this boot, in the run that was being recorded.
    fn bound(&self, t_us: i64) -> Bound {
        let begun = self.runs.iter().rev().find(|(_, first_us)| *first_us <= t_us);
        let run = begun.or(self.runs.first()).map_or(RunId::default(), |(id, _)| *id);
        Bound { run, t_us }
    }
}
