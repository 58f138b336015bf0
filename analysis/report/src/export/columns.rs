//! The columns of a Battery Data Format table: required ones always, others
//! where there is something to put in them, then what the format has no
//! column for. Labels are `Quantity / unit`, as the format wants them.

use ampledger_methods::RunningTotals;
use ampledger_types::{Quantity, Unit};
use serde::Serialize;

use super::survey::{Heard, Survey};

/// Where the format's names live: this and the machine-readable name make a
/// column's IRI (Battery Data Format, ontology 1.3.0).
const ONTOLOGY: &str = "https://w3id.org/battery-data-alliance/ontology/battery-data-format#";

/// What a column holds, for the description beside the file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ColumnNote {
    /// The label in the header.
    pub label: String,
    /// Name in the Battery Data Format; `None` for a column of our own.
    pub machine_name: Option<String>,
    /// IRI in the Battery Data Format; `None` for a column of our own.
    pub iri: Option<String>,
    /// Unit, as people write it.
    pub unit: String,
    /// Unit in UCUM.
    pub ucum: String,
    /// The source it came from; `None` where it was computed.
    pub source: Option<String>,
    /// The instrument on that source; empty where there is only one.
    pub instrument: String,
    /// The channel it came from; `None` where it was computed.
    pub channel: Option<String>,
    /// Nobody measured it; the column is there because the format wants it.
    pub is_empty: bool,
    /// What to know about it.
    pub note: Option<String>,
}

/// What a cell is filled with.
#[derive(Clone, Copy, Debug)]
pub(super) enum Holds {
    TestTime,
    UnixTime,
    /// Readings of the channel with this place in the survey.
    Readings(usize),
    /// Nobody measured it, but the format wants the column.
    Nothing,
    /// A running total, where the current stands.
    Total(fn(&RunningTotals) -> Option<f64>),
}

/// The columns of one table.
#[derive(Debug)]
pub(super) struct Columns {
    pub holds: Vec<Holds>,
    pub notes: Vec<ColumnNote>,
    /// The place in the survey of the channel whose readings are integrated.
    pub current: Option<usize>,
}

impl Columns {
    pub(super) fn new(survey: &Survey) -> Columns {
        let heard = &survey.heard;
        let current = heard.iter().position(|h| h.channel.quantity == Quantity::Current);
        let voltage = voltage_beside(heard, current);
        let mut columns = Columns { holds: Vec::new(), notes: Vec::new(), current };
        columns.computed("Test Time / s", "test_time_second", Unit::Second, Holds::TestTime);
        columns.computed("Unix Time / s", "unix_time_second", Unit::Second, Holds::UnixTime);
        columns.required(heard, voltage, Quantity::Voltage);
        columns.required(heard, current, Quantity::Current);
        let taken = [voltage, current];
        let rest: Vec<usize> = (0..heard.len()).filter(|at| !taken.contains(&Some(*at))).collect();
        let totalled = totalled(current.is_some(), voltage.is_some());
        let (standard, own) = split(heard, rest, totalled);
        for at in standard {
            columns.reading(heard, at, true);
        }
        if current.is_some() {
            columns.totals(voltage.is_some());
        }
        for at in own {
            columns.reading(heard, at, false);
            if totalled.contains(&heard[at].channel.quantity) {
                columns.last_note(
                    "The instrument's own counter; the format's column holds the running total.",
                );
            }
        }
        columns
    }

    fn required(&mut self, heard: &[Heard], at: Option<usize>, quantity: Quantity) {
        match at {
            Some(at) => self.reading(heard, at, true),
            None => {
                let (label, name) = (quantity.bdf_label(), quantity.name());
                self.computed(&label, &name, quantity.unit(), Holds::Nothing);
            }
        }
    }

    fn totals(&mut self, with_energy: bool) {
        let (ah, wh) = (Unit::AmpereHour, Unit::WattHour);
        let mut total = |label: &str, name: &str, unit, of| {
            self.computed(label, name, unit, Holds::Total(of));
            self.last_note(
                "Running total from the session's start, where the current stands; \
                 what rests carried is in neither total.",
            );
        };
        total("Charging Capacity / Ah", "charging_capacity_ah", ah, |t| Some(t.charged_ah));
        total("Discharging Capacity / Ah", "discharging_capacity_ah", ah, |t| {
            Some(t.discharged_ah)
        });
        if with_energy {
            total("Charging Energy / Wh", "charging_energy_wh", wh, |t| t.charged_wh);
            total("Discharging Energy / Wh", "discharging_energy_wh", wh, |t| t.discharged_wh);
        }
    }

    fn computed(&mut self, label: &str, name: &str, unit: Unit, holds: Holds) {
        let is_empty = matches!(holds, Holds::Nothing);
        self.holds.push(holds);
        self.notes.push(ColumnNote {
            label: label.to_owned(),
            machine_name: Some(name.to_owned()),
            iri: Some(format!("{ONTOLOGY}{name}")),
            unit: unit.symbol().to_owned(),
            ucum: unit.ucum().to_owned(),
            source: None,
            instrument: String::new(),
            channel: None,
            is_empty,
            note: None,
        });
    }

    fn reading(&mut self, heard: &[Heard], at: usize, in_format: bool) {
        let Heard { source, channel, .. } = &heard[at];
        let quantity = channel.quantity;
        let name = in_format.then(|| quantity.name());
        self.holds.push(Holds::Readings(at));
        self.notes.push(ColumnNote {
            label: self.free_label(&heard[at]),
            iri: name.as_ref().map(|name| format!("{ONTOLOGY}{name}")),
            machine_name: name,
            unit: quantity.unit().symbol().to_owned(),
            ucum: quantity.unit().ucum().to_owned(),
            source: Some(source.clone()),
            instrument: channel.instrument.clone(),
            channel: Some(channel.name.clone()),
            is_empty: false,
            note: None,
        });
    }

    fn last_note(&mut self, note: &str) {
        if let Some(last) = self.notes.last_mut() {
            last.note = Some(note.to_owned());
        }
    }

    /// The quantity's own label while nobody has it, else one that says whose
    /// it is: `Voltage load / V`.
    fn free_label(&self, heard: &Heard) -> String {
        let quantity = heard.channel.quantity;
        let label = quantity.bdf_label();
        let is_free = |label: &String| self.notes.iter().all(|note| note.label != *label);
        if is_free(&label) {
            return label;
        }
        let (what, unit) = label.rsplit_once(" / ").unwrap_or((&label, ""));
        let mut whose = vec![what, heard.source.as_str()];
        whose.extend(Some(heard.channel.instrument.as_str()).filter(|i| !i.is_empty()));
        whose.extend(Some(heard.channel.name.as_str()).filter(|n| *n != quantity.name()));
        let words = whose.join(" ").replace(['\n', '\r', '\t'], " ");
        let numbered = (2..).map(|n| format!("{words} {n} / {unit}"));
        let mut candidates = std::iter::once(format!("{words} / {unit}")).chain(numbered);
        candidates.find(is_free).unwrap_or(label)
    }
}

/// The voltage of the current's own group goes first, as in the analysis.
fn voltage_beside(heard: &[Heard], current: Option<usize>) -> Option<usize> {
    let is_voltage = |h: &Heard| h.channel.quantity == Quantity::Voltage;
    let beside = current.and_then(|current| {
        heard.iter().position(|h| is_voltage(h) && h.group == heard[current].group)
    });
    beside.or_else(|| heard.iter().position(is_voltage))
}

/// What the running totals are totals of. Their columns are theirs in every
/// table, whether the instrument counts as well or not.
fn totalled(with_current: bool, with_voltage: bool) -> &'static [Quantity] {
    const ALL: [Quantity; 4] = [
        Quantity::ChargingCapacity,
        Quantity::DischargingCapacity,
        Quantity::ChargingEnergy,
        Quantity::DischargingEnergy,
    ];
    match (with_current, with_voltage) {
        (true, true) => &ALL,
        (true, false) => &ALL[..2],
        (false, _) => &[],
    }
}

/// Channels that fill a column of the format, in the format's order, and those
/// that need one of our own: the format has one column for each quantity, and
/// running totals take theirs.
fn split(heard: &[Heard], rest: Vec<usize>, totalled: &[Quantity]) -> (Vec<usize>, Vec<usize>) {
    let mut standard: Vec<usize> = Vec::new();
    let mut own = Vec::new();
    for at in rest {
        let quantity = heard[at].channel.quantity;
        let taken = matches!(quantity, Quantity::Voltage | Quantity::Current)
            || totalled.contains(&quantity)
            || standard.iter().any(|s| heard[*s].channel.quantity == quantity);
        if has_column(quantity) && !taken { standard.push(at) } else { own.push(at) }
    }
    standard.sort_by_key(|at| heard[*at].channel.quantity);
    (standard, own)
}

/// Ontology 1.3.0 has probes T1 to T5.
fn has_column(quantity: Quantity) -> bool {
    let too_many = matches!(quantity, Quantity::Temperature(n) if n > 5);
    quantity.info().in_bdf && !too_many
}
