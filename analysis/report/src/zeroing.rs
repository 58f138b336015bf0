//! What zeros and calibrations mean for a figure: what is left uncertain of the
//! offset and the gain, and what keeps it in doubt.

use ampledger_methods::calibration::Correction;
use ampledger_methods::offset::{Taken, Zero as Measured, left};
use ampledger_methods::standing::DoubtKind;
use ampledger_methods::{FoundPhase, Setting};
use ampledger_types::calibration::{Calibrated, Calibration, CalibrationUsed, Change, Zero};
use ampledger_types::source::Accuracy;

use crate::calibrations::{Calibrations, correction};
use crate::sentences;
use crate::timeline::Timeline;

/// What they mean for the main discharge, or for the longest phase where there
/// is none.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Corrected {
    /// `offset zeroed at …`, where one was taken off.
    pub offset_says: Option<String>,
    /// What is taken off, A.
    pub offset_ampere: Option<f64>,
    /// What keeps figures from being proven.
    pub doubts: Vec<(DoubtKind, String)>,
}

/// What a discharge was read by.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Read<'a> {
    /// The sources of its current and of its voltage.
    pub sources: [&'a str; 2],
    pub timeline: &'a Timeline,
    /// Lowest and highest temperature near the meter in it, °C.
    pub celsius: Option<(f64, f64)>,
}

/// Puts what is left uncertain into the setting that judges a discharge.
pub(crate) fn put(
    setting: &mut Setting,
    used: &Calibrations,
    main: Option<&FoundPhase>,
    read: &Read,
) -> Corrected {
    let mut corrected = Corrected::default();
    let Some(main) = main else { return corrected };
    let [current, voltage] = read.sources;
    let of = |source: &str, channel| -> Vec<&Calibration> {
        let is_of = |r: &&Calibration| r.source == source && r.channel == channel;
        used.used().map(|(record, _)| record).filter(is_of).collect()
    };
    let records = of(current, Calibrated::Current);
    line(setting, &records, main, &mut corrected);
    voltage_line(setting, &of(voltage, Calibrated::Voltage), main, &mut corrected);
    zeros(setting, &records, main, read, &mut corrected);
    corrected
}

/// The calibration that holds: the last one.
fn last_line(records: &[&Calibration]) -> Option<Correction> {
    records.iter().rev().find_map(|record| match &record.change {
        Change::Line(line) => Some(correction(line)),
        Change::Zero(_) => None,
    })
}

/// The calibration's uncertainty in place of the stated gain.
fn line(
    setting: &mut Setting,
    records: &[&Calibration],
    main: &FoundPhase,
    corrected: &mut Corrected,
) {
    let Some((line, mean)) = last_line(records).zip(main.mean_current_ampere) else { return };
    let raw = (mean - line.offset) / line.gain;
    setting.current_gain_percent = Some(line.gain_percent(raw));
    let at_zero = line.standard(0.0) * 3.0_f64.sqrt();
    setting.current_offset = setting.current_offset.or(Some(at_zero));
    if line.is_beyond(raw) {
        let [low, high] = line.points;
        let text = format!(
            "the current lies outside what was calibrated ({:.1} to {:.1} A)",
            low.truth, high.truth
        );
        corrected.doubts.push((DoubtKind::Accuracy, text));
    }
}

/// The same for the voltage, at its mean or its end, wherever it is worse.
fn voltage_line(
    setting: &mut Setting,
    records: &[&Calibration],
    main: &FoundPhase,
    corrected: &mut Corrected,
) {
    let Some(line) = last_line(records) else { return };
    let mean = main.discharged_wh.map(|wh| wh / main.discharged_ah);
    let raws = [mean, main.first_voltage_volt, main.last_voltage_volt];
    let raws = raws.into_iter().flatten().map(|volt| (volt - line.offset) / line.gain);
    let raws: Vec<f64> = raws.filter(|raw| raw.is_finite()).collect();
    let Some(percent) = raws.iter().map(|raw| line.gain_percent(*raw)).reduce(f64::max) else {
        return;
    };
    setting.voltage_gain_percent = Some(percent);
    // The line takes the offset along: its uncertainty is in that of the line.
    setting.voltage_offset = setting.voltage_offset.or(Some(0.0));
    if raws.iter().any(|raw| line.is_beyond(*raw)) {
        let [low, high] = line.points;
        let text = format!(
            "the voltage goes beyond what was calibrated ({:.1} to {:.1} V)",
            low.truth, high.truth
        );
        corrected.doubts.push((DoubtKind::Accuracy, text));
    }
}

/// How far the shunt may be from the temperature of its calibration.
pub(crate) fn heat(setting: &mut Setting, stated: &Accuracy, celsius: Option<(f64, f64)>) {
    let Some(ppm) = stated.temperature_ppm_per_kelvin else { return };
    setting.shunt_ppm_per_kelvin = Some(ppm);
    let rise = stated
        .calibrated_celsius
        .zip(celsius)
        .map(|(at, (low, high))| (high - at).abs().max((low - at).abs()));
    setting.shunt_rise_is_assumed = rise.is_none();
    setting.shunt_rise_kelvin = rise.or(Some(setting.rules.shunt_unknown_rise_kelvin));
}

/// The zero before the discharge, and the one after it.
fn zeros(
    setting: &mut Setting,
    records: &[&Calibration],
    main: &FoundPhase,
    read: &Read,
    corrected: &mut Corrected,
) {
    let timeline = read.timeline;
    let taken = |record: &&Calibration| match record.change {
        Change::Zero(zero) => Some((timeline.test_time_us(record.taken)?, zero)),
        Change::Line(_) => None,
    };
    let all: Vec<(i64, Zero)> = records.iter().filter_map(taken).collect();
    let before = all.iter().filter(|(us, _)| *us <= main.start_us).max_by_key(|(us, _)| *us);
    let after = all.iter().filter(|(us, _)| *us >= main.end_us).min_by_key(|(us, _)| *us);
    let Some(first) = before.or(after) else { return };
    let second = before.and(after).map(measured);
    let celsius = read.celsius.map(|(low, high)| (low + high) / 2.0);
    let run = (main.start_us, celsius);
    let (left, mut doubts) = left(&measured(first), second.as_ref(), run, &setting.rules);
    if second.is_some() || setting.current_offset.is_none() {
        setting.zero_left = Some(left);
    } else {
        // What the meter states bounds how far it moves after the zero.
        doubts.retain(|doubt| !doubt.starts_with("no zero was taken after"));
    }
    if before.is_none() {
        doubts.push("the offset was taken after the run only".to_owned());
    }
    corrected.doubts.extend(doubts.into_iter().map(|text| (DoubtKind::Offset, text)));
    corrected.offset_says = Some(sentences::zeroed(timeline.moment(first.0), left.offset_ampere));
    corrected.offset_ampere = Some(left.offset_ampere);
}

fn measured((taken_us, zero): &(i64, Zero)) -> Taken {
    let celsius = zero.celsius;
    let zero = Measured {
        mean_ampere: zero.mean_ampere,
        deviation_ampere: zero.deviation_ampere,
        standard_ampere: zero.standard_ampere,
        count: zero.count,
        second: zero.second,
        from_us: taken_us.saturating_sub((zero.second * 1e6) as i64),
        to_us: *taken_us,
        drift_ampere: zero.drift_ampere,
    };
    Taken { zero, celsius }
}

/// What was used, for the report.
pub(crate) fn told(used: &Calibrations, timeline: &Timeline) -> Vec<CalibrationUsed> {
    let one = |(record, readings): (&Calibration, u64)| CalibrationUsed {
        id: record.id,
        source: record.source.clone(),
        channel: record.channel,
        taken: timeline.test_time_us(record.taken).map(|us| timeline.moment(us)),
        readings,
        says: sentences::calibration(record),
    };
    used.used().map(one).collect()
}
