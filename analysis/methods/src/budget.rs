//! The budget of a charge or an energy: every way in which it can be off, each
//! with its half-width, shape and standard uncertainty. What belongs to the
//! meter for the whole run is one term, so that it does not average out.

use ampledger_types::Unit;
use serde::Serialize;

use crate::rules::Setting;
use crate::uncertainty::{Part, Shape, combined, effective_degrees, expanded, of_step};

/// What a figure was exposed to while it was summed up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Exposure {
    /// The figure itself as a charge, Ah (magnitude).
    pub charge_ah: f64,
    /// And as an energy, Wh; `None` where a voltage was lacking.
    pub energy_wh: Option<f64>,
    /// For how long it was counted, h.
    pub hour: f64,
    /// Voltage times that time, V·h.
    pub volt_hour: f64,
    /// Between readings the current may have stepped at any moment: standard
    /// uncertainty, Ah.
    pub sampling_ah: f64,
    /// The same of the energy, Wh.
    pub sampling_wh: f64,
    /// What readings that stand alone carry beyond their neighbours, Ah.
    pub alone_ah: f64,
    /// The most that gaps can have been other than was counted, Ah.
    pub gaps_ah: f64,
    /// Half of what lies between the row before the end and the row after, Ah.
    pub end_rule_ah: f64,
    /// What the voltage's uncertainty at the end amounts to, Ah.
    pub end_voltage_ah: f64,
    /// The most that a dark end hides, Ah.
    pub hidden_ah: f64,
    /// The most that can have been drawn unseen since the pack was full, Ah.
    pub unseen_ah: f64,
}

/// One way in which a figure can be off.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Term {
    /// What it is, in a word or two.
    pub name: &'static str,
    /// How far each way, in the figure's unit; of a normal one its standard
    /// deviation.
    pub half_width: f64,
    /// What is known between.
    pub shape: Shape,
    /// Its standard uncertainty, in the figure's unit.
    pub standard: f64,
    /// Degrees of freedom; `None` where it is taken as known.
    pub degrees: Option<f64>,
    /// Where it comes from, in plain words.
    pub says: String,
}

/// All of them, and what they come to.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Budget {
    /// The figure.
    pub value: f64,
    /// Its unit.
    pub unit: &'static str,
    /// Every term, the largest first.
    pub terms: Vec<Term>,
    /// Combined standard uncertainty of the terms.
    pub standard: f64,
    /// Effective degrees of freedom; `None` where they are without end.
    pub degrees: Option<f64>,
    /// The coverage factor.
    pub coverage: f64,
    /// The expanded uncertainty; `None` where something is lacking.
    pub expanded: Option<f64>,
    /// What is lacking, in plain words.
    pub lacking: Vec<String>,
}

impl Exposure {
    /// This stretch together with one before it.
    pub(crate) fn after(&self, before: &Exposure) -> Exposure {
        Exposure {
            charge_ah: self.charge_ah + before.charge_ah,
            energy_wh: self.energy_wh.zip(before.energy_wh).map(|(a, b)| a + b),
            hour: self.hour + before.hour,
            volt_hour: self.volt_hour + before.volt_hour,
            sampling_ah: combined([self.sampling_ah, before.sampling_ah]),
            sampling_wh: combined([self.sampling_wh, before.sampling_wh]),
            ..*self
        }
    }

    /// Several stretches summed up.
    pub fn together<'a>(stretches: impl IntoIterator<Item = &'a Exposure>) -> Exposure {
        let nothing = Exposure { energy_wh: Some(0.0), ..Exposure::default() };
        stretches.into_iter().fold(nothing, |sum, next| Exposure {
            alone_ah: sum.alone_ah + next.alone_ah,
            gaps_ah: sum.gaps_ah + next.gaps_ah,
            hidden_ah: sum.hidden_ah + next.hidden_ah,
            unseen_ah: 0.0,
            ..next.after(&sum)
        })
    }
}

impl Term {
    /// A term of a half-width and a shape.
    pub fn new(name: &'static str, half_width: f64, shape: Shape, says: String) -> Term {
        let half_width = half_width.abs();
        Term { name, half_width, shape, standard: shape.standard(half_width), degrees: None, says }
    }

    fn part(&self) -> Part {
        Part { standard: self.standard, degrees: self.degrees.unwrap_or(f64::INFINITY) }
    }
}

impl Budget {
    /// Adds up terms; `lacking` says what keeps it from being whole.
    pub fn of(value: f64, unit: Unit, mut terms: Vec<Term>, lacking: Vec<String>) -> Budget {
        terms.retain(|t| t.standard > 0.0);
        terms.sort_by(|a, b| b.standard.total_cmp(&a.standard));
        let parts: Vec<Part> = terms.iter().map(Term::part).collect();
        let (wide, coverage) = expanded(&parts);
        let degrees = effective_degrees(&parts);
        Budget {
            value,
            unit: unit.symbol(),
            standard: combined(parts.iter().map(|p| p.standard)),
            degrees: degrees.is_finite().then_some(degrees),
            coverage,
            expanded: (lacking.is_empty() && wide.is_finite()).then_some(wide),
            terms,
            lacking,
        }
    }

    /// A term by its name.
    pub fn term(&self, name: &str) -> Option<&Term> {
        self.terms.iter().find(|t| t.name == name)
    }

    /// The expanded uncertainty as a share of the figure.
    pub fn relative(&self) -> Option<f64> {
        self.expanded.filter(|_| self.value != 0.0).map(|u| u / self.value.abs())
    }
}

/// The budget of a charge.
pub fn charge(exposure: &Exposure, setting: &Setting) -> Budget {
    let (mut terms, mut lacking) = (Vec::new(), Vec::new());
    current_terms(exposure.charge_ah, exposure.hour, setting, &mut terms, &mut lacking);
    terms.push(sampling(exposure.sampling_ah));
    terms.extend(bounds(exposure, 1.0));
    Budget::of(exposure.charge_ah, Unit::AmpereHour, terms, lacking)
}

/// The budget of an energy; `None` where the energy is not known. The current's
/// terms are weighed with the voltage, the voltage's with the charge (JCGM 100,
/// 5.1.6).
pub fn energy(exposure: &Exposure, setting: &Setting) -> Option<Budget> {
    let energy = exposure.energy_wh?;
    let (mut terms, mut lacking) = (Vec::new(), Vec::new());
    current_terms(energy, exposure.volt_hour, setting, &mut terms, &mut lacking);
    voltage_terms(energy, exposure.charge_ah, setting, &mut terms, &mut lacking);
    terms.push(sampling(exposure.sampling_wh));
    let mean_volt = match exposure.charge_ah > 0.0 {
        true => energy / exposure.charge_ah,
        false => 0.0,
    };
    terms.extend(bounds(exposure, mean_volt));
    Some(Budget::of(energy, Unit::WattHour, terms, lacking))
}

/// What the current's own errors come to. `per_ampere`: what an offset of one
/// ampere adds to the figure.
fn current_terms(
    value: f64,
    per_ampere: f64,
    setting: &Setting,
    terms: &mut Vec<Term>,
    lacking: &mut Vec<String>,
) {
    match setting.current_gain_percent {
        Some(percent) => terms.push(Term::new(
            "gain of the current",
            value * percent / 100.0,
            Shape::Rectangular,
            format!("{percent} % of the reading, the same for the whole run"),
        )),
        None => lacking.push("the meter's gain accuracy for the current is not stated".to_owned()),
    }
    match (setting.zero_left, setting.current_offset) {
        (Some(left), _) => terms.extend(left.terms(per_ampere)),
        (None, Some(ampere)) => terms.push(Term::new(
            "offset of the current",
            ampere * per_ampere,
            Shape::Rectangular,
            format!("{ampere} A as stated; it grows with the time"),
        )),
        (None, None) => lacking
            .push("the current's offset is neither stated by the meter nor measured".to_owned()),
    }
    if let Some(step) = setting.current_resolution {
        let half_width = step / 2.0 * per_ampere;
        let says = format!("steps of {step} A; a steady current stays on one of them");
        terms.push(Term::new("resolution of the current", half_width, Shape::Rectangular, says));
    }
    if let Some((ppm, rise)) = setting.shunt_ppm_per_kelvin.zip(setting.shunt_rise_kelvin) {
        let taken = match setting.shunt_rise_is_assumed {
            true => "taken as up to",
            false => "up to",
        };
        let says = format!("{ppm} ppm/K, {taken} {rise:.0} K from its calibration");
        let half_width = value * ppm * 1e-6 * rise;
        terms.push(Term::new("temperature of the shunt", half_width, Shape::Rectangular, says));
    }
    let ppm = setting.rules.clock_ppm;
    let says = format!("the clock may be {ppm} ppm off");
    terms.push(Term::new("clock", value * ppm * 1e-6, Shape::Rectangular, says));
}

fn voltage_terms(
    energy_wh: f64,
    charge_ah: f64,
    setting: &Setting,
    terms: &mut Vec<Term>,
    lacking: &mut Vec<String>,
) {
    match setting.voltage_gain_percent {
        Some(percent) => terms.push(Term::new(
            "gain of the voltage",
            energy_wh * percent / 100.0,
            Shape::Rectangular,
            format!("{percent} % of the reading, the same for the whole run"),
        )),
        None => lacking.push("the meter's gain accuracy for the voltage is not stated".to_owned()),
    }
    match setting.voltage_offset {
        Some(volt) => terms.push(Term::new(
            "offset of the voltage",
            volt * charge_ah,
            Shape::Rectangular,
            format!("{volt} V as stated"),
        )),
        None => lacking.push("the meter's offset for the voltage is not stated".to_owned()),
    }
    if let Some(step) = setting.voltage_resolution {
        let says = format!("steps of {step} V");
        let half_width = step / 2.0 * charge_ah;
        terms.push(Term::new("resolution of the voltage", half_width, Shape::Rectangular, says));
    }
}

fn sampling(standard: f64) -> Term {
    let says = "between two readings a step may have come at any moment".to_owned();
    Term::new("sampling", standard, Shape::Normal, says)
}

/// Bounds in Ah, each times `factor` into the figure's unit.
fn bounds(exposure: &Exposure, factor: f64) -> [Term; 6] {
    let rectangular = |name, half_width: f64, says: &str| {
        Term::new(name, half_width * factor, Shape::Rectangular, says.to_owned())
    };
    let Exposure { alone_ah, gaps_ah, end_rule_ah, end_voltage_ah, hidden_ah, unseen_ah, .. } =
        *exposure;
    [
        rectangular("lone readings", alone_ah, "single readings that stand out may be false"),
        rectangular("gaps", gaps_ah, "the most that the silences can have been otherwise"),
        rectangular("end rule", end_rule_ah, "half of what lies between the rows at the end"),
        rectangular(
            "voltage at the end",
            end_voltage_ah,
            "what was given while the voltage may have been at its end already",
        ),
        rectangular("dark end", hidden_ah, "what may have flowed after the last reading"),
        rectangular("unseen draw", unseen_ah, "below offset and dead band since the pack was full"),
    ]
}

/// How far a voltage may be off, V: gain and offset as stated and half a step,
/// all the same way; `None` where gain or offset are not stated.
pub fn voltage_limit(volt: f64, setting: &Setting) -> Option<f64> {
    let (gain, offset) = setting.voltage_gain_percent.zip(setting.voltage_offset)?;
    let step = setting.voltage_resolution.unwrap_or(0.0);
    Some(volt.abs() * gain / 100.0 + offset + step / 2.0)
}

/// The standard uncertainty of one difference of two voltages near each other,
/// V: the offset is the same in both, the gain counts for the difference.
pub(crate) fn of_difference(difference: f64, gain_percent: f64, step: f64) -> f64 {
    let gain = Shape::Rectangular.standard(difference * gain_percent / 100.0);
    combined([gain, of_step(step), of_step(step)])
}
