//! Applies zeros and calibrations to samples as they are read, live or from the
//! store. What is stored stays as it is; what was used is counted.

use ampledger_methods::calibration::{Correction, Point};
use ampledger_store::NumberedSample;
use ampledger_types::api::SourceStatus;
use ampledger_types::calibration::{Calibrated, Calibration, Change, Line};
use ampledger_types::{Bound, Quantity};

use crate::answers::is_another;

/// The records that may hold for a session.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibrations {
    /// In order of the moments from which they hold, each with how many
    /// readings it corrected.
    records: Vec<(Calibration, u64)>,
}

/// What holds for one reading, by place in the list.
#[derive(Clone, Copy, Debug, Default)]
struct Holding {
    line: Option<usize>,
    before: Option<usize>,
    after: Option<usize>,
}

impl Calibrations {
    /// These records, in any order.
    pub(crate) fn new(records: &[Calibration]) -> Calibrations {
        let mut records: Vec<_> = records.iter().map(|record| (record.clone(), 0)).collect();
        records.sort_by_key(|(record, _)| (record.from, record.id));
        Calibrations { records }
    }

    /// Whether any may hold for a source.
    pub(crate) fn concern(&self, source: &str) -> bool {
        self.records.iter().any(|(record, _)| record.source == source)
    }

    /// The sample with its current and voltage as they should have been.
    pub(crate) fn correct(&mut self, numbered: &mut NumberedSample) {
        let set = &numbered.decode_set;
        if !self.concern(&set.source) {
            return;
        }
        let at = Bound { run: numbered.run, t_us: numbered.sample.t_us };
        for (of, quantity) in
            [(Calibrated::Current, Quantity::Current), (Calibrated::Voltage, Quantity::Voltage)]
        {
            let Some(place) = numbered.sample.group.position(quantity) else { continue };
            let holding = self.holding(of, set.source.as_str(), set.identity.as_deref(), at);
            if let Some(value) = numbered.sample.values.get_mut(place)
                && value.is_finite()
            {
                *value = self.corrected(holding, *value);
            }
        }
    }

    /// The latest line, and of the zeros taken since then the last one before
    /// the reading and the first one after it.
    fn holding(&self, of: Calibrated, source: &str, identity: Option<&str>, at: Bound) -> Holding {
        let mut holding = Holding::default();
        let holds = |record: &Calibration| {
            let is_its_own = record.channel == of && record.source == source;
            is_its_own && record.from <= at && !is_of_another(record, identity)
        };
        for (place, (record, _)) in self.records.iter().enumerate().filter(|(_, r)| holds(&r.0)) {
            if matches!(record.change, Change::Line(_)) {
                holding.line = Some(place);
            }
        }
        let since = holding.line.map(|line| self.records[line].0.taken);
        for (place, (record, _)) in self.records.iter().enumerate().filter(|(_, r)| holds(&r.0)) {
            if !matches!(record.change, Change::Zero(_)) || since.is_some_and(|s| record.taken < s)
            {
                continue;
            }
            let taken = |place: usize| self.records[place].0.taken;
            if record.taken <= at {
                if holding.before.is_none_or(|known| taken(known) <= record.taken) {
                    holding.before = Some(place);
                }
            } else if holding.after.is_none_or(|known| taken(known) > record.taken) {
                holding.after = Some(place);
            }
        }
        holding
    }

    fn corrected(&mut self, holding: Holding, raw: f64) -> f64 {
        let mut zeros = Vec::with_capacity(2);
        for place in [holding.before, holding.after].into_iter().flatten() {
            if let Change::Zero(zero) = self.records[place].0.change {
                zeros.push(zero.mean_ampere);
                self.records[place].1 += 1;
            }
        }
        let zero = (!zeros.is_empty()).then(|| zeros.iter().sum::<f64>() / zeros.len() as f64);
        let Some(place) = holding.line else { return raw - zero.unwrap_or(0.0) };
        let (record, used) = &mut self.records[place];
        *used += 1;
        match (&record.change, zero) {
            (Change::Line(line), Some(zero)) => line.gain * (raw - zero),
            (Change::Line(line), None) => line.offset + line.gain * raw,
            (Change::Zero(_), _) => raw,
        }
    }

    /// Which were used, and for how many readings.
    pub(crate) fn used(&self) -> impl Iterator<Item = (&Calibration, u64)> {
        let used = self.records.iter().filter(|(_, readings)| *readings > 0);
        used.map(|(record, readings)| (record, *readings))
    }
}

/// Corrects the latest readings of a source by what holds `at` that moment.
pub fn correct_latest(records: &[Calibration], status: &mut SourceStatus, at: Bound) {
    let mut calibrations = Calibrations::new(records);
    let SourceStatus { name, identity, latest, .. } = status;
    for reading in latest {
        let of = match reading.quantity {
            Quantity::Current => Calibrated::Current,
            Quantity::Voltage => Calibrated::Voltage,
            _ => continue,
        };
        let holding = calibrations.holding(of, name, identity.as_deref(), at);
        reading.value = calibrations.corrected(holding, reading.value);
    }
}

/// Whether a record was taken with another instrument on the line than gave a
/// reading: it says nothing about this one.
fn is_of_another(record: &Calibration, identity: Option<&str>) -> bool {
    record.identity.as_deref().zip(identity).is_some_and(|(then, now)| is_another(then, now))
}

/// A line as the methods know it.
pub(crate) fn correction(line: &Line) -> Correction {
    let point = |point: &ampledger_types::calibration::Point| Point {
        raw: point.raw,
        truth: point.truth,
        standard: point.standard,
    };
    let [low, high] = &line.points;
    Correction {
        gain: line.gain,
        offset: line.offset,
        points: [point(low), point(high)],
        scatter: line.scatter,
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use ampledger_types::calibration::{Point as Known, Zero};
    use ampledger_types::{Channel, DecodeSet, Group, RunId, Sample};

    use super::*;

    fn at(t_us: i64) -> Bound {
        Bound { run: RunId(1), t_us }
    }

    fn record(id: i64, taken: i64, from: i64, change: Change) -> Calibration {
        let source = "bench-shunt".to_owned();
        let (taken, from) = (at(taken), at(from));
        let channel = Calibrated::Current;
        Calibration { id, source, channel, taken, from, change, identity: None }
    }

    fn zero(mean_ampere: f64) -> Change {
        let standard_ampere = 0.001;
        Change::Zero(Zero {
            mean_ampere,
            standard_ampere,
            deviation_ampere: 0.0,
            count: 60,
            second: 60.0,
            drift_ampere: 0.0,
            celsius: None,
        })
    }

    fn line(gain: f64, offset: f64) -> Change {
        let point = |raw: f64| Known { raw, truth: offset + gain * raw, standard: 0.01 };
        let points = [point(0.0), point(40.0)];
        Change::Line(Line { gain, offset, points, scatter: 0.0, against: "two points".to_owned() })
    }

    fn read(records: &[Calibration], t_us: i64, ampere: f64) -> f64 {
        read_by(None, records, t_us, ampere)
    }

    fn read_by(who: Option<&str>, records: &[Calibration], t_us: i64, ampere: f64) -> f64 {
        let channels = vec![Channel::of(Quantity::Voltage), Channel::of(Quantity::Current)];
        let mut numbered = NumberedSample {
            seq: 1,
            run: RunId(1),
            decode_set: Arc::new(DecodeSet {
                source: "bench-shunt".to_owned(),
                decoder: String::new(),
                decoder_version: String::new(),
                config_digest: String::new(),
                identity: who.map(str::to_owned),
            }),
            sample: Sample {
                group: Arc::new(Group { name: String::new(), channels }),
                t_us,
                instrument_t_us: None,
                values: vec![26.0, ampere],
            },
        };
        Calibrations::new(records).correct(&mut numbered);
        assert_eq!(numbered.sample.values[0], 26.0);
        numbered.sample.values[1]
    }

    #[test]
    fn a_zero_holds_forward_from_its_date() {
        let records = [record(1, 100, 50, zero(0.013))];
        assert_eq!(read(&records, 49, -12.0), -12.0);
        assert_eq!(read(&records, 100, -12.0), -12.013);
    }

    #[test]
    fn zeros_before_and_after_a_run_are_taken_off_by_their_mean() {
        // Worked example of docs/methods.md: +0.011 A and +0.015 A.
        let records = [record(1, 100, 50, zero(0.011)), record(2, 900, 100, zero(0.015))];
        assert!((read(&records, 500, -12.0) + 12.013).abs() < 1e-12);
        assert!((read(&records, 950, -12.0) + 12.015).abs() < 1e-12, "the last one alone");
    }

    #[test]
    fn a_zero_keeps_the_gain_of_the_line_before_it_and_a_line_ends_older_zeros() {
        let records = [record(1, 10, 10, zero(0.5)), record(2, 20, 20, line(2.0, 1.0))];
        assert_eq!(read(&records, 30, 3.0), 7.0);
        let records = [record(2, 20, 20, line(2.0, 1.0)), record(3, 30, 30, zero(0.5))];
        assert_eq!(read(&records, 40, 3.0), 5.0);
    }

    #[test]
    fn a_line_applied_back_gives_way_to_one_that_holds_from_later_whoever_came_first() {
        let (early, late) = (record(2, 30, 5, line(3.0, 0.0)), record(1, 20, 20, line(2.0, 1.0)));
        for records in [[early.clone(), late.clone()], [late, early]] {
            assert_eq!((read(&records, 10, 3.0), read(&records, 40, 3.0)), (9.0, 7.0));
        }
    }

    #[test]
    fn a_record_holds_for_the_instrument_that_it_was_taken_with_and_no_other() {
        let identity = Some("meter 1".to_owned());
        let records = [Calibration { identity, ..record(1, 0, 0, zero(1.0)) }];
        for (who, ampere) in [
            (Some("meter 1"), 2.0),
            (Some("meter 1; meter 2"), 2.0),
            (None, 2.0),
            (Some("meter 3"), 3.0),
        ] {
            assert_eq!(read_by(who, &records, 50, 3.0), ampere, "{who:?}");
        }
    }

    #[test]
    fn another_source_and_another_channel_stay_as_they_are() {
        let other = Calibration { source: "clamp".to_owned(), ..record(1, 0, 0, zero(1.0)) };
        let volt = Calibration { channel: Calibrated::Voltage, ..record(1, 99, 99, zero(1.0)) };
        assert_eq!(read(&[other, volt], 50, 3.0), 3.0);
    }
}
