//! Reads what a session's pictures are drawn from. The samples are gone
//! through twice, once for the figures and once for the curves; memory does
//! not grow with their number.

use std::ops::ControlFlow;

use ampledger_methods::{Analysis, Cadence, Cumulative, Placed, Row, Rules};
use ampledger_store::{NumberedSample, Reader};
use ampledger_types::Quantity;

use super::thin::{Curve, Point, Stretches};
use crate::compute::ReportError;
use crate::feed::SessionFeed;
use crate::placing::Placing;
use crate::subject::Subject;

/// Curves in one picture; what is more is counted and said.
pub(super) const SERIES: usize = 4;
/// No value beyond this is drawn, A or V; none is integrated either.
const DRAWABLE: f64 = 1e6;

/// A stream of rows, as the first pass met it.
#[derive(Clone, Debug)]
struct Stream {
    group: usize,
    name: String,
    has_voltage: bool,
    has_current: bool,
}

/// What the first pass notes: which streams give a voltage or a current.
#[derive(Clone, Debug, Default)]
pub(super) struct Streams {
    streams: Vec<Stream>,
    last_us: i64,
}

impl Streams {
    /// Notes a sample that has found its place.
    pub(super) fn note(&mut self, stored: &NumberedSample, row: &Row) {
        self.last_us = self.last_us.max(row.t_us);
        let (voltage, current) = (drawable(row.voltage_volt), drawable(row.current_ampere));
        if voltage.is_none() && current.is_none() {
            return;
        }
        let known = self.streams.iter().position(|s| s.group == row.group);
        let at = known.unwrap_or_else(|| {
            let (group, name) = (row.group, name(stored));
            self.streams.push(Stream { group, name, has_voltage: false, has_current: false });
            self.streams.len() - 1
        });
        let stream = &mut self.streams[at];
        stream.has_voltage |= voltage.is_some();
        stream.has_current |= current.is_some();
    }

    /// The stream whose current is integrated; else the first with a voltage.
    fn lead(&self) -> Option<usize> {
        let leading = self.streams.iter().find(|s| s.has_current).or(self.streams.first());
        leading.map(|s| s.group)
    }

    /// The stream whose voltage goes with that current.
    fn voltage_group(&self) -> Option<usize> {
        let lead = self.lead();
        let own = self.streams.iter().find(|s| Some(s.group) == lead && s.has_voltage);
        own.or(self.streams.iter().find(|s| s.has_voltage)).map(|s| s.group)
    }
}

/// The source, with the instrument on its line where there are several.
fn name(stored: &NumberedSample) -> String {
    let group = &stored.sample.group;
    let lead = group.position(Quantity::Current).or(group.position(Quantity::Voltage));
    let channel = lead.and_then(|at| group.channels.get(at));
    let instrument = channel.map_or("", |channel| channel.instrument.as_str());
    match instrument {
        "" => stored.decode_set.source.clone(),
        instrument => format!("{}, {instrument}", stored.decode_set.source),
    }
}

fn drawable(value: Option<f64>) -> Option<f64> {
    value.filter(|v| v.abs() <= DRAWABLE)
}

/// A curve with the name of the stream that it is of.
#[derive(Clone, Debug)]
pub(super) struct Series {
    pub name: String,
    group: usize,
    pub curve: Curve,
}

/// Voltage under load over what the main discharge has delivered.
#[derive(Clone, Debug)]
pub(super) struct Delivered {
    pub curve: Curve,
    /// Where readings are missing, Ah.
    pub silences: Stretches,
    /// All it delivered, Ah.
    pub ah: f64,
    start_us: i64,
    end_us: i64,
    /// A current above this, with its sign, is no load, A.
    rest_ampere: f64,
    before_ah: Option<f64>,
    last_ah: f64,
}

/// What the pictures are drawn from. Times are seconds of test time.
#[derive(Clone, Debug)]
pub(super) struct Curves {
    /// End of the time axis, s; it begins at 0.
    pub until_second: f64,
    pub voltages: Vec<Series>,
    pub currents: Vec<Series>,
    /// Where the leading stream was silent.
    pub silences: Stretches,
    pub delivered: Option<Delivered>,
    /// Streams that are not drawn.
    pub left_out: usize,
}

impl Curves {
    /// Reads them, up to the sample that `feed` has reached.
    pub(super) fn read(
        reader: &Reader,
        subject: &Subject,
        feed: &SessionFeed,
        found: Found<'_>,
    ) -> Result<Curves, ReportError> {
        let mut drawing = Drawing::new(feed, found);
        let mut placing = Placing::new(subject);
        placing.read(reader, subject, Some(feed.fed_up_to()), |_, placed| {
            drawing.row(placed);
            ControlFlow::Continue(())
        })?;
        Ok(drawing.end())
    }
}

/// What the first pass found.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found<'a> {
    pub analysis: &'a Analysis,
    pub streams: &'a Streams,
    /// End of the session, s of test time, where it has one.
    pub ended_second: Option<f64>,
}

/// How one stream's rows come.
#[derive(Clone, Debug, Default)]
struct Pace {
    cadence: Cadence,
    last_us: Option<i64>,
}

/// What a row is to the one before it.
enum Step {
    /// Its time lies before it.
    Back,
    /// It follows.
    On,
    /// It follows after a silence that began then, µs.
    AfterSilence(i64),
}

impl Pace {
    fn step(&mut self, t_us: i64, rules: &Rules) -> Step {
        let Some(last_us) = self.last_us else {
            self.last_us = Some(t_us);
            return Step::On;
        };
        if t_us < last_us {
            return Step::Back;
        }
        self.last_us = Some(t_us);
        let interval_us = t_us.saturating_sub(last_us);
        if interval_us > 0 {
            self.cadence.push(interval_us);
        }
        match interval_us as f64 / 1e6 > self.limit_second(rules) {
            true => Step::AfterSilence(last_us),
            false => Step::On,
        }
    }

    fn limit_second(&self, rules: &Rules) -> f64 {
        self.cadence.limit_second(rules.gap_interval_factor, rules.gap_floor_second)
    }
}

struct Drawing {
    curves: Curves,
    paces: Vec<(usize, Pace)>,
    lead: Option<usize>,
    voltage_group: Option<usize>,
    totals: Cumulative,
    rules: Rules,
}

impl Drawing {
    fn new(feed: &SessionFeed, found: Found<'_>) -> Drawing {
        let Found { analysis, streams, ended_second } = found;
        let last_second = streams.last_us as f64 / 1e6;
        let until_second = ended_second.map_or(last_second, |ended| ended.max(last_second));
        let series = |has: fn(&Stream) -> bool| -> Vec<Series> {
            let those = streams.streams.iter().filter(|s| has(s)).take(SERIES);
            let curve = Curve::new(0.0, until_second);
            those
                .map(|s| Series { name: s.name.clone(), group: s.group, curve: curve.clone() })
                .collect()
        };
        let many = |has: fn(&Stream) -> bool| streams.streams.iter().filter(|s| has(s)).count();
        let most = many(|s| s.has_voltage).max(many(|s| s.has_current));
        Drawing {
            curves: Curves {
                until_second,
                voltages: series(|s| s.has_voltage),
                currents: series(|s| s.has_current),
                silences: Stretches::new(0.0, until_second),
                delivered: delivered(analysis),
                left_out: most.saturating_sub(SERIES),
            },
            paces: streams.streams.iter().map(|s| (s.group, Pace::default())).collect(),
            lead: streams.lead(),
            voltage_group: streams.voltage_group(),
            totals: Cumulative::new(analysis, feed.setting()),
            rules: feed.setting().rules,
        }
    }

    fn row(&mut self, placed: &Placed) {
        let row = &placed.row;
        if placed.before.is_some() {
            self.totals.break_of_unknown_length();
            self.everywhere(Curve::gap);
            self.paces.iter_mut().for_each(|(_, pace)| *pace = Pace::default());
        }
        let delivered_ah = self.totals.push(row).discharged_ah;
        let of_group = self.paces.iter_mut().find(|(group, _)| *group == row.group);
        let Some((_, pace)) = of_group else { return };
        let silent_since = match pace.step(row.t_us, &self.rules) {
            Step::Back => return,
            Step::On => None,
            Step::AfterSilence(since_us) => Some(since_us),
        };
        let x = row.t_us as f64 / 1e6;
        if let (Some(since_us), true) = (silent_since, self.lead == Some(row.group)) {
            self.curves.silences.mark(since_us as f64 / 1e6, x);
        }
        let gap = silent_since.is_some();
        draw(&mut self.curves.voltages, row.group, x, drawable(row.voltage_volt), gap);
        draw(&mut self.curves.currents, row.group, x, drawable(row.current_ampere), gap);
        if let Some(delivered) = &mut self.curves.delivered {
            delivered.pass(row.t_us, delivered_ah);
            if self.voltage_group == Some(row.group) {
                delivered.draw(row, delivered_ah, gap);
            }
        }
    }

    fn everywhere(&mut self, act: impl Fn(&mut Curve)) {
        let Curves { voltages, currents, delivered, .. } = &mut self.curves;
        voltages.iter_mut().chain(currents).for_each(|series| act(&mut series.curve));
        delivered.iter_mut().for_each(|delivered| act(&mut delivered.curve));
    }

    /// After the last row: the silence up to the session's end.
    fn end(mut self) -> Curves {
        let leading = self.paces.iter().find(|(group, _)| Some(*group) == self.lead);
        if let Some((_, pace)) = leading
            && let Some(last_us) = pace.last_us
        {
            let (last, until) = (last_us as f64 / 1e6, self.curves.until_second);
            if until - last > pace.limit_second(&self.rules) {
                self.curves.silences.mark(last, until);
            }
        }
        self.curves
    }
}

fn draw(series: &mut [Series], group: usize, x: f64, y: Option<f64>, after_gap: bool) {
    let Some(series) = series.iter_mut().find(|s| s.group == group) else { return };
    if after_gap {
        series.curve.gap();
    }
    if let Some(y) = y {
        series.curve.push(Point { x, y });
    }
}

fn delivered(analysis: &Analysis) -> Option<Delivered> {
    let main = analysis.phases.get(analysis.main_discharge?)?;
    let ah = main.discharged_ah;
    (ah > 0.0).then(|| Delivered {
        curve: Curve::new(0.0, ah),
        silences: Stretches::new(0.0, ah),
        ah,
        start_us: main.start_us,
        end_us: main.end_us,
        rest_ampere: -analysis.rest_threshold_ampere,
        before_ah: None,
        last_ah: 0.0,
    })
}

impl Delivered {
    /// Notes what had been delivered before the discharge began.
    fn pass(&mut self, t_us: i64, total_ah: f64) {
        if t_us <= self.start_us || self.before_ah.is_none() {
            self.before_ah = Some(total_ah);
        }
    }

    fn draw(&mut self, row: &Row, total_ah: f64, after_gap: bool) {
        if row.t_us < self.start_us || row.t_us > self.end_us {
            return;
        }
        let x = (total_ah - self.before_ah.unwrap_or(total_ah)).clamp(0.0, self.ah);
        if after_gap && row.t_us > self.start_us {
            self.curve.gap();
            self.silences.mark(self.last_ah, x);
        }
        self.last_ah = x;
        let at_rest = row.current_ampere.is_some_and(|ampere| ampere > self.rest_ampere);
        if let (Some(y), false) = (drawable(row.voltage_volt), at_rest) {
            self.curve.push(Point { x, y });
        }
    }
}
