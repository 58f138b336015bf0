//! What the methods must know beforehand, from pack, session and instruments.

use ampledger_methods::{Rules, Setting};
use ampledger_types::calibration::{Calibrated, Change};
use ampledger_types::source::{Accuracy, PoweredBy, ReadingKind};
use ampledger_types::{Calibration, Instrument, Pack, Quantity, Session};

use crate::calibrations::correction;
use crate::feed::Seen;
use crate::placing::measures_far_side;
use crate::subject::Subject;

/// The setting of the methods for a session.
pub fn setting(subject: &Subject) -> Setting {
    let pack = subject.pack.as_ref();
    let is_near = |meter: &&Instrument| !measures_far_side(meter);
    let instruments = || subject.instruments.values().filter(is_near);
    let of_lines = gain_of_lines(&subject.calibrations);
    Setting {
        rated_ah: rated_ah(pack),
        cutoff_voltage_volt: cutoff_volt(&subject.session, pack),
        cutoff_rule: subject.session.cutoff_rule,
        chemistry: pack.and_then(|p| p.chemistry),
        cells_in_series: pack.and_then(|p| p.cells_in_series),
        maximum_current_ampere: pack.and_then(|p| p.maximum_current_ampere),
        current_resolution: coarsest(instruments(), Quantity::Current, |a| a.resolution),
        current_range: coarsest(instruments(), Quantity::Current, |a| a.range),
        current_offset: coarsest(instruments(), Quantity::Current, |a| a.offset)
            .or_else(|| offset_of_zeros(&subject.calibrations)),
        current_gain_percent: coarsest(instruments(), Quantity::Current, |a| a.gain_percent),
        voltage_resolution: coarsest(instruments(), Quantity::Voltage, |a| a.resolution),
        voltage_gain_percent: coarsest(instruments(), Quantity::Voltage, |a| a.gain_percent)
            .or(of_lines),
        voltage_offset: coarsest(instruments(), Quantity::Voltage, |a| a.offset)
            .or(of_lines.map(|_| 0.0)),
        charge_voltage_volt: pack.and_then(|p| p.charge_voltage_volt),
        powered_by_pack: instruments().any(|i| i.powered_by == Some(PoweredBy::PackUnderTest)),
        is_custody_confirmed: is_custody_confirmed(&subject.session),
        rules: Rules::default(),
        ..Setting::default()
    }
}

/// The setting for a pack that nobody has named, on a meter.
pub fn unnamed(meter: &Instrument) -> Setting {
    let meters = || std::iter::once(meter);
    Setting {
        current_resolution: coarsest(meters(), Quantity::Current, |a| a.resolution),
        current_offset: coarsest(meters(), Quantity::Current, |a| a.offset),
        voltage_resolution: coarsest(meters(), Quantity::Voltage, |a| a.resolution),
        ..Setting::default()
    }
}

/// How far the offset may be off where the meter does not state it but zeros
/// were taken, A.
fn offset_of_zeros(records: &[Calibration]) -> Option<f64> {
    let zeros = || {
        records.iter().filter_map(|record| match record.change {
            Change::Zero(zero) => Some(zero),
            Change::Line(_) => None,
        })
    };
    let standard = zeros().map(|zero| zero.standard_ampere).reduce(f64::max)?;
    let high = zeros().map(|zero| zero.mean_ampere).reduce(f64::max)?;
    let low = zeros().map(|zero| zero.mean_ampere).reduce(f64::min)?;
    Some(2.0 * standard + (high - low) / 2.0)
}

/// How far the voltage may be off where the meter does not state it but it was
/// calibrated, percent: at the upper end of what was calibrated.
fn gain_of_lines(records: &[Calibration]) -> Option<f64> {
    let percent = records.iter().filter_map(|record| match &record.change {
        Change::Line(line) if record.channel == Calibrated::Voltage => {
            let [_, high] = line.points;
            Some(correction(line).gain_percent(high.raw)).filter(|p| p.is_finite())
        }
        _ => None,
    });
    percent.reduce(f64::max)
}

/// The tag by which a person says that the pack is the one that was charged,
/// though it was out of sight.
pub const SAME_PACK: &str = "same-pack";

/// Whether a person says so.
pub fn is_custody_confirmed(session: &Session) -> bool {
    session.tags.iter().any(|tag| tag.key == SAME_PACK && tag.value.is_none())
}

/// The same for judging what was found: accuracy and averaging are those of the
/// channels that really gave current and voltage.
pub(crate) fn judging(subject: &Subject, seen: &Seen) -> Setting {
    let accuracy = |channel, quantity| stated(subject, channel, quantity);
    let known = setting(subject);
    if seen.current.is_none() {
        return known;
    }
    let current = accuracy(&seen.current, Quantity::Current);
    let voltage = accuracy(&seen.voltage, Quantity::Voltage);
    let source = seen.current.as_ref().map(|(source, _)| source);
    let far = subject.instruments.values().find(|meter| measures_far_side(meter));
    let far = far.and_then(|meter| meter.accuracy.get(&Quantity::Power.name()));
    let reading = source.and_then(|source| subject.instruments.get(source)?.reading);
    Setting {
        current_gain_percent: current.and_then(|a| a.gain_percent),
        current_offset: current.and_then(|a| a.offset),
        current_resolution: current.and_then(|a| a.resolution),
        current_range: current.and_then(|a| a.range),
        voltage_gain_percent: voltage.and_then(|a| a.gain_percent),
        voltage_offset: voltage.and_then(|a| a.offset),
        voltage_resolution: voltage.and_then(|a| a.resolution),
        far_gain_percent: far.and_then(|a| a.gain_percent),
        far_offset_watt: far.and_then(|a| a.offset),
        reading_is_average: reading.map(|kind| kind == ReadingKind::Average),
        ..known
    }
}

/// What is stated of the channel that gave a quantity.
pub(crate) fn stated<'a>(
    subject: &'a Subject,
    channel: &Option<(String, String)>,
    quantity: Quantity,
) -> Option<&'a Accuracy> {
    let (source, name) = channel.as_ref()?;
    let stated = &subject.instruments.get(source)?.accuracy;
    stated.get(name).or_else(|| stated.get(&quantity.name()))
}

/// The end voltage that holds for a session, V: its own, else the pack's, else
/// that of the pack's rating.
pub fn cutoff_volt(session: &Session, pack: Option<&Pack>) -> Option<f64> {
    let of_rating = || pack?.rating.as_ref()?.end_voltage_volt;
    let of_pack = || pack?.cutoff_voltage_volt;
    session.cutoff_voltage_volt.or_else(of_pack).or_else(of_rating)
}

/// The rated capacity, Ah; nothing where it is not a positive number.
pub(crate) fn rated_ah(pack: Option<&Pack>) -> Option<f64> {
    let capacity_ah = pack?.rating.as_ref()?.capacity_ah;
    (capacity_ah.is_finite() && capacity_ah > 0.0).then_some(capacity_ah)
}

fn coarsest<'a>(
    instruments: impl Iterator<Item = &'a Instrument>,
    quantity: Quantity,
    of: impl Fn(&ampledger_types::source::Accuracy) -> Option<f64>,
) -> Option<f64> {
    let name = quantity.name();
    instruments.filter_map(|i| of(i.accuracy.get(&name)?)).reduce(f64::max)
}
