//! Corrections by calibration: two points, or a reference meter beside ours.
//! Dated records, applied to rows as they are read; what is stored stays.

use serde::Serialize;

use crate::axis::Row;
use crate::line_fit::LineFit;
use crate::uncertainty::combined;

/// A channel that can be corrected.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Calibrated {
    /// The current.
    Current,
    /// The voltage.
    Voltage,
}

/// A reading with what it should have been.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Point {
    /// As our meter read it.
    pub raw: f64,
    /// As it was.
    pub truth: f64,
    /// Standard uncertainty of that.
    pub standard: f64,
}

/// `corrected = offset + gain · raw`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Correction {
    /// Multiplier.
    pub gain: f64,
    /// Added.
    pub offset: f64,
    /// What it rests on: the two points of a two-point calibration, the
    /// outermost ones of a reference meter's.
    pub points: [Point; 2],
    /// Standard deviation of further points about the line; 0 with two.
    pub scatter: f64,
}

impl Correction {
    /// Through two points; `None` where they are not apart.
    pub fn two_point(low: Point, high: Point) -> Option<Correction> {
        let apart = high.raw - low.raw;
        let gain = (high.truth - low.truth) / apart;
        let is_usable = gain.is_finite() && gain > 0.0;
        is_usable.then_some(Correction {
            gain,
            offset: low.truth - gain * low.raw,
            points: [low, high],
            scatter: 0.0,
        })
    }

    /// A line through readings beside a reference meter's.
    pub fn reference(points: &[Point]) -> Option<Correction> {
        let line = LineFit::of(points.iter().map(|p| (p.raw, p.truth))).line()?;
        let low = points.iter().min_by(|a, b| a.raw.total_cmp(&b.raw))?;
        let high = points.iter().max_by(|a, b| a.raw.total_cmp(&b.raw))?;
        let is_usable = line.slope.is_finite() && line.slope > 0.0;
        is_usable.then_some(Correction {
            gain: line.slope,
            offset: line.intercept,
            points: [*low, *high],
            scatter: line.scatter,
        })
    }

    /// A reading as it should have been.
    pub fn apply(&self, raw: f64) -> f64 {
        self.offset + self.gain * raw
    }

    /// Its standard uncertainty: the two true values weigh by how near the
    /// reading is to each (JCGM 100, 5.1.2, for a line through two points).
    pub fn standard(&self, raw: f64) -> f64 {
        let [low, high] = self.points;
        let share = (raw - low.raw) / (high.raw - low.raw);
        combined([(1.0 - share) * low.standard, share * high.standard, self.scatter])
    }

    /// That as the half-width of a gain error, percent of the reading: what
    /// takes the place of the meter's stated accuracy once this is applied.
    pub fn gain_percent(&self, raw: f64) -> f64 {
        100.0 * 3.0_f64.sqrt() * self.standard(raw) / self.apply(raw).abs()
    }

    /// Whether a reading lies outside what was calibrated.
    pub fn is_beyond(&self, raw: f64) -> bool {
        raw < self.points[0].raw || raw > self.points[1].raw
    }
}

/// A dated record.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Record {
    /// How a result names it.
    pub name: String,
    /// Which channel it corrects.
    pub of: Calibrated,
    /// Of which source, numbered as in [`Row::source`].
    pub source: usize,
    /// It holds from here, µs on the rows' axis.
    pub from_us: i64,
    /// What it changes.
    pub change: Change,
}

/// What a record changes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// A calibration: gain and offset, in place of whatever held before.
    Line(Correction),
    /// A zero: where our meter read this there was nothing. The gain of the
    /// calibration before it stays.
    Zero(f64),
}

/// The records that hold for a session, and which of them were used.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Corrections {
    records: Vec<(Record, u64)>,
}

impl Corrections {
    /// These records.
    pub fn new(mut records: Vec<Record>) -> Corrections {
        records.sort_by_key(|r| r.from_us);
        Corrections { records: records.into_iter().map(|r| (r, 0)).collect() }
    }

    /// The row corrected: of each channel by the latest calibration that holds
    /// at the row's time, and the latest zero where that came after it.
    pub fn apply(&mut self, row: &Row) -> Row {
        let mut corrected = *row;
        if let Some(raw) = row.current_ampere {
            corrected.current_ampere = Some(self.corrected(Calibrated::Current, row, raw));
        }
        if let Some(raw) = row.voltage_volt {
            corrected.voltage_volt = Some(self.corrected(Calibrated::Voltage, row, raw));
        }
        corrected
    }

    fn corrected(&mut self, of: Calibrated, row: &Row, raw: f64) -> f64 {
        let mut zero = None;
        let holds = |r: &Record| r.of == of && r.source == row.source && r.from_us <= row.t_us;
        for (record, used) in self.records.iter_mut().rev().filter(|(r, _)| holds(r)) {
            match (record.change, zero) {
                (Change::Zero(at), None) => {
                    *used += 1;
                    zero = Some(at);
                }
                (Change::Zero(_), Some(_)) => {}
                (Change::Line(line), zero) => {
                    *used += 1;
                    return zero.map_or_else(|| line.apply(raw), |at| line.gain * (raw - at));
                }
            }
        }
        raw - zero.unwrap_or(0.0)
    }

    /// Which were used, and for how many readings.
    pub fn used(&self) -> impl Iterator<Item = (&Record, u64)> {
        self.records.iter().filter(|(_, used)| *used > 0).map(|(record, used)| (record, *used))
    }
}
