//! From samples of several sources, groups and runs to rows on one axis of
//! test time. Numbers groups and sources as they come; drops no sample of the
//! session's own sources, judges no value.

use std::sync::Arc;

use ampledger_types::{Channel, Group, Quantity, RunId, Sample};

use crate::counters::Counters;

/// One moment of a session: the quantities that arrived at it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Row {
    /// Test time, µs since the session's start.
    pub t_us: i64,
    /// Current, A; negative on discharge.
    pub current_ampere: Option<f64>,
    /// Voltage, V.
    pub voltage_volt: Option<f64>,
    /// The meter's own power, W; negative on discharge.
    pub power_watt: Option<f64>,
    /// The instrument's own counters.
    pub counters: Counters,
    /// Which group, numbered as they come.
    pub group: usize,
    /// Which source, numbered as they come.
    pub source: usize,
    /// Its meter is on the far side of an inverter: what it reads is not the
    /// pack's.
    pub is_far_side: bool,
}

/// How one run's clock lies on the axis of test time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunOffset {
    /// The run.
    pub run: RunId,
    /// Whose clock it is; runs with equal boot ids share one axis.
    pub boot_id: String,
    /// Added to the run's `t_us` gives test time. `None` where the break
    /// before it cannot be measured: its first sample is then placed right
    /// after the last one.
    pub offset_us: Option<i64>,
}

/// A break before a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Break {
    /// The boot clock broke off, and for how long cannot be known.
    LengthUnknown,
}

/// A row with what lies before it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// The row.
    pub row: Row,
    /// The break between it and the row before.
    pub before: Option<Break>,
}

/// Makes rows. Fed in order of sequence number.
#[derive(Clone, Debug)]
pub struct Axis {
    wanted: Vec<String>,
    far_side: Vec<String>,
    sources: Vec<String>,
    groups: Vec<(usize, Arc<Group>)>,
    runs: Vec<RunOffset>,
    latest_us: Option<i64>,
    /// Of the samples that came last, so that it is not looked up for each.
    streams: Vec<Stream>,
}

/// What is known of the samples of a source's group.
#[derive(Clone, Debug)]
struct Stream {
    source: String,
    layout: Arc<Group>,
    places: Places,
    source_number: usize,
    group_number: usize,
    is_far_side: bool,
}

/// Groups that differ from all before are numbered up to here; a source that
/// invents more shares the last number.
const GROUP_LIMIT: usize = 256;

/// Streams that are remembered at once.
const STREAMS: usize = 16;

impl Axis {
    /// An axis for a session on these sources; none named means every source.
    pub fn new(sources: &[String], runs: Vec<RunOffset>) -> Axis {
        Axis {
            wanted: sources.to_vec(),
            far_side: Vec::new(),
            sources: Vec::new(),
            groups: Vec::new(),
            runs,
            latest_us: None,
            streams: Vec::new(),
        }
    }

    /// With meters on the far side of an inverter, by their sources.
    pub fn with_far_side(self, far_side: Vec<String>) -> Axis {
        Axis { far_side, ..self }
    }

    /// Tells about a run that began later.
    pub fn add_run(&mut self, run: RunOffset) {
        self.runs.push(run);
    }

    /// The sources seen, by their number in [`Row::source`].
    pub fn sources(&self) -> &[String] {
        &self.sources
    }

    /// The row of a sample; `None` where it is of another source or of a run
    /// that nobody told about.
    #[inline]
    pub fn row(&mut self, source: &str, run: RunId, sample: &Sample) -> Option<Placed> {
        let stream = self.stream(source, &sample.group)?;
        self.row_of(stream, (run, sample.t_us), |place| sample.values.get(place).copied())
    }

    /// Where a source's group is known by for [`Axis::row_of`], until another
    /// one is asked for; `None` where it is of another source.
    pub fn stream(&mut self, source: &str, group: &Arc<Group>) -> Option<usize> {
        let is_its =
            |stream: &Stream| Arc::ptr_eq(&stream.layout, group) && stream.source == source;
        let is_wanted = || self.wanted.is_empty() || self.wanted.iter().any(|w| w == source);
        match self.streams.iter().position(is_its) {
            None if !is_wanted() => None,
            None => Some(self.remember(source, group)),
            known => known,
        }
    }

    /// The row of a stream's values at a time of a run; `None` where nobody
    /// told about that run.
    #[inline]
    pub fn row_of(
        &mut self,
        stream: usize,
        (run, t_us): (RunId, i64),
        values: impl Fn(usize) -> Option<f64>,
    ) -> Option<Placed> {
        let (offset_us, before) = self.offset(run, t_us)?;
        let t_us = t_us.saturating_add(offset_us);
        self.latest_us = Some(self.latest_us.map_or(t_us, |latest| latest.max(t_us)));
        let stream = self.streams.get(stream)?;
        let value = |place: Option<usize>| values(place?).filter(|value| !value.is_nan());
        Some(Placed {
            row: Row {
                t_us,
                current_ampere: value(stream.places.current),
                voltage_volt: value(stream.places.voltage),
                power_watt: value(stream.places.power),
                counters: stream.places.counters(value),
                group: stream.group_number,
                source: stream.source_number,
                is_far_side: stream.is_far_side,
            },
            before,
        })
    }

    /// Looks up what is known of a stream, and where it is kept.
    fn remember(&mut self, source: &str, group: &Arc<Group>) -> usize {
        let source_number = self.source_number(source);
        let stream = Stream {
            source: source.to_owned(),
            layout: Arc::clone(group),
            places: Places::of(group),
            source_number,
            group_number: self.group_number(source_number, group),
            is_far_side: self.far_side.iter().any(|far| far == source),
        };
        if self.streams.len() >= STREAMS {
            self.streams.clear();
        }
        self.streams.push(stream);
        self.streams.len() - 1
    }

    #[inline]
    fn offset(&mut self, run: RunId, t_us: i64) -> Option<(i64, Option<Break>)> {
        let at = self.runs.iter().position(|r| r.run == run)?;
        match self.runs[at].offset_us {
            Some(offset_us) => Some((offset_us, None)),
            None => Some(self.find_offset(at, t_us)),
        }
    }

    fn find_offset(&mut self, at: usize, t_us: i64) -> (i64, Option<Break>) {
        let boot_id = &self.runs[at].boot_id;
        let same_boot = self.runs.iter().find(|r| r.boot_id == *boot_id && r.offset_us.is_some());
        if let Some(offset_us) = same_boot.and_then(|r| r.offset_us) {
            self.runs[at].offset_us = Some(offset_us);
            return (offset_us, None);
        }
        // The first sample of the session is its start; a later one follows
        // the last one directly.
        let offset_us = self.latest_us.unwrap_or(0).saturating_sub(t_us);
        self.runs[at].offset_us = Some(offset_us);
        (offset_us, self.latest_us.map(|_| Break::LengthUnknown))
    }

    fn source_number(&mut self, source: &str) -> usize {
        let known = self.sources.iter().position(|s| s == source);
        known.unwrap_or_else(|| {
            self.sources.push(source.to_owned());
            self.sources.len() - 1
        })
    }

    fn group_number(&mut self, source: usize, group: &Arc<Group>) -> usize {
        let same = |(s, g): &(usize, Arc<Group>)| {
            *s == source && (Arc::ptr_eq(g, group) || carry_the_same(g, group))
        };
        let known = self.groups.iter().position(same);
        known.unwrap_or_else(|| {
            if self.groups.len() < GROUP_LIMIT {
                self.groups.push((source, Arc::clone(group)));
            }
            self.groups.len() - 1
        })
    }
}

/// Whether two groups of a source are one stream. A header that changes in mid
/// stream, or a line with one field more, makes another group; it is the same
/// stream as long as its current comes from the same channel (its voltage,
/// where there is no current).
fn carry_the_same(a: &Group, b: &Group) -> bool {
    match (lead(a), lead(b)) {
        (None, None) => a == b,
        (a, b) => a == b,
    }
}

fn lead(group: &Group) -> Option<&Channel> {
    let at = group.position(Quantity::Current).or(group.position(Quantity::Voltage))?;
    group.channels.get(at)
}

/// Where in a sample of a group its quantities stand.
#[derive(Clone, Copy, Debug)]
struct Places {
    current: Option<usize>,
    voltage: Option<usize>,
    power: Option<usize>,
    ah: Counting,
    wh: Counting,
}

/// The counters of one unit.
#[derive(Clone, Copy, Debug)]
struct Counting {
    net: Option<usize>,
    charging: Option<usize>,
    discharging: Option<usize>,
}

impl Places {
    fn of(group: &Group) -> Places {
        let of = |quantity| group.position(quantity);
        Places {
            current: of(Quantity::Current),
            voltage: of(Quantity::Voltage),
            power: of(Quantity::Power),
            ah: Counting {
                net: of(Quantity::ChargeCounter),
                charging: of(Quantity::ChargingCapacity),
                discharging: of(Quantity::DischargingCapacity),
            },
            wh: Counting {
                net: of(Quantity::EnergyCounter),
                charging: of(Quantity::ChargingEnergy),
                discharging: of(Quantity::DischargingEnergy),
            },
        }
    }

    #[inline]
    fn counters(&self, value: impl Fn(Option<usize>) -> Option<f64>) -> Counters {
        Counters { ah: self.ah.counted(&value), wh: self.wh.counted(&value) }
    }
}

impl Counting {
    /// A counter of each direction is taken as charge minus discharge; only one
    /// of the two, as it is.
    fn counted(&self, value: impl Fn(Option<usize>) -> Option<f64>) -> Option<f64> {
        let of_both = || match (value(self.charging), value(self.discharging)) {
            (None, None) => None,
            (charged, discharged) => Some(charged.unwrap_or(0.0) - discharged.unwrap_or(0.0)),
        };
        value(self.net).or_else(of_both)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn group(quantities: &[Quantity]) -> Arc<Group> {
        let channels = quantities.iter().map(|q| Channel::of(*q)).collect();
        Arc::new(Group { name: String::new(), channels })
    }

    fn sample(group: &Arc<Group>, t_us: i64, values: &[f64]) -> Sample {
        Sample { group: Arc::clone(group), t_us, instrument_t_us: None, values: values.to_vec() }
    }

    fn run(id: i64, boot: &str, offset_us: Option<i64>) -> RunOffset {
        RunOffset { run: RunId(id), boot_id: boot.to_owned(), offset_us }
    }

    #[test]
    fn runs_of_one_boot_share_the_axis_and_other_sources_stay_out() {
        let g = group(&[Quantity::Voltage, Quantity::Current]);
        let mut axis = Axis::new(
            &["bench-shunt".to_owned()],
            vec![run(1, "a", Some(-1_000)), run(2, "a", None)],
        );
        let one = axis.row("bench-shunt", RunId(1), &sample(&g, 1_000, &[26.5, -12.0]));
        let one = one.unwrap();
        assert_eq!((one.row.t_us, one.before), (0, None));
        assert_eq!(one.row.current_ampere, Some(-12.0));
        let two = axis.row("bench-shunt", RunId(2), &sample(&g, 5_000, &[26.5, f64::NAN]));
        let two = two.unwrap();
        assert_eq!((two.row.t_us, two.before), (4_000, None));
        assert_eq!(two.row.current_ampere, None);
        assert_eq!(axis.row("clamp", RunId(1), &sample(&g, 1_000, &[0.0, 0.0])), None);
        assert_eq!(axis.row("bench-shunt", RunId(9), &sample(&g, 1, &[0.0, 0.0])), None);
    }

    #[test]
    fn a_break_of_unknown_length_is_told_once_and_takes_no_time() {
        let g = group(&[Quantity::Current]);
        let mut axis = Axis::new(&[], vec![run(1, "a", Some(0))]);
        axis.row("load", RunId(1), &sample(&g, 7_000_000, &[-12.0])).unwrap();
        axis.row("clamp", RunId(1), &sample(&g, 6_500_000, &[-12.0])).unwrap();
        axis.add_run(run(2, "b", None));
        let first = axis.row("load", RunId(2), &sample(&g, 99, &[-12.0])).unwrap();
        assert_eq!((first.row.t_us, first.before), (7_000_000, Some(Break::LengthUnknown)));
        let next = axis.row("load", RunId(2), &sample(&g, 1_000_099, &[-12.0])).unwrap();
        assert_eq!((next.row.t_us, next.before), (8_000_000, None));
    }

    #[test]
    fn a_header_that_changes_does_not_make_another_stream() {
        let narrow = group(&[Quantity::Voltage, Quantity::Current]);
        let wide = group(&[Quantity::Current, Quantity::Voltage, Quantity::Temperature(1)]);
        let (volts, more) =
            (group(&[Quantity::Voltage]), group(&[Quantity::Voltage, Quantity::Frequency]));
        let mut axis = Axis::new(&[], vec![run(1, "a", Some(0))]);
        let mut number = |g: &Arc<Group>| {
            let values = vec![1.0; g.channels.len()];
            axis.row("bench-shunt", RunId(1), &sample(g, 0, &values)).unwrap().row.group
        };
        assert_eq!([number(&narrow), number(&wide)], [0, 0]);
        assert_eq!([number(&volts), number(&more)], [1, 1]);
    }

    #[test]
    fn groups_are_told_apart_by_source_and_channels() {
        let (current, voltage) = (group(&[Quantity::Current]), group(&[Quantity::Voltage]));
        let mut axis = Axis::new(&[], vec![run(1, "a", Some(0))]);
        let mut number = |source: &str, g: &Arc<Group>| {
            axis.row(source, RunId(1), &sample(g, 0, &[1.0])).unwrap().row.group
        };
        assert_eq!(number("bench-shunt", &current), 0);
        assert_eq!(number("bench-shunt", &voltage), 1);
        assert_eq!(number("clamp", &current), 2);
        assert_eq!(number("bench-shunt", &current.clone()), 0);
    }
}
