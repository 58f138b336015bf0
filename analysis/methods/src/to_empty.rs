//! How long, and how much, until a running discharge is empty: what is expected
//! of the pack, less what it gave, at the load as it was of late.

use std::collections::VecDeque;

use ampledger_types::result::PhaseKind;
use serde::Serialize;

use crate::budget;
use crate::evidence::Proof;
use crate::findings::Analysis;
use crate::rules::{Rules, Setting};
use crate::uncertainty::{COVERAGE, Shape, combined};

/// Marks kept over the window.
const MARKS: usize = 60;

/// The load over the last minutes, magnitudes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Load {
    /// Mean current, A.
    pub ampere: f64,
    /// Mean power, W; `None` where a voltage was lacking.
    pub watt: Option<f64>,
    /// Standard deviation of the current between parts of the window, A.
    pub deviation_ampere: f64,
    /// Over how long, s.
    pub second: f64,
}

/// What is expected of a pack.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Expected {
    /// Capacity to the end voltage, Ah.
    pub capacity_ah: f64,
    /// Its standard uncertainty, Ah.
    pub standard_ah: f64,
    /// Whether it is a measured one; else the rating.
    pub is_measured: bool,
}

impl Expected {
    /// By what the pack gave before. It may be another one at another rate or
    /// temperature, and the pack has aged.
    pub fn of_measured(measured: &Measured, rules: &Rules) -> Expected {
        let half_width = measured.capacity_ah * measured.percent(rules) / 100.0;
        let of_before = measured.expanded_ah / COVERAGE;
        Expected {
            capacity_ah: measured.capacity_ah,
            standard_ah: combined([of_before, Shape::Rectangular.standard(half_width)]),
            is_measured: true,
        }
    }

    /// By the rating alone.
    pub fn of_rating(rated_ah: f64, rules: &Rules) -> Expected {
        let half_width = rated_ah * rules.to_empty_rating_percent / 100.0;
        let standard_ah = Shape::Rectangular.standard(half_width);
        Expected { capacity_ah: rated_ah, standard_ah, is_measured: false }
    }
}

/// A capacity that the pack gave before.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// The session.
    pub session: i64,
    /// What it gave down to the same end voltage, Ah.
    pub capacity_ah: f64,
    /// Its expanded uncertainty, Ah; 0 where it is not known.
    pub expanded_ah: f64,
    /// Whether it was proven.
    pub is_proven: bool,
}

impl Measured {
    /// By how much it may be another one now, percent.
    pub fn percent(&self, rules: &Rules) -> f64 {
        rules.to_empty_measured_percent * if self.is_proven { 1.0 } else { 2.0 }
    }
}

/// Where a running discharge stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Running {
    /// Given so far, Ah.
    pub given_ah: f64,
    /// Standard uncertainty of that, Ah; 0 where it is not known.
    pub given_standard_ah: f64,
    /// The load of late.
    pub load: Load,
    /// Its end voltage, V.
    pub cutoff_volt: Option<f64>,
    /// Whether the pack was proven full at the start.
    pub is_full_proven: bool,
}

/// A figure with its expanded uncertainty, k = 2.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Sure {
    /// The value.
    pub value: f64,
    /// Expanded uncertainty.
    pub expanded: f64,
}

/// What is left.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ToEmpty {
    /// Time, s.
    pub second: Option<Sure>,
    /// Charge, Ah.
    pub charge_ah: Option<Sure>,
    /// Energy, Wh; the voltage is taken to lie anywhere between now and its end.
    pub energy_wh: Option<Sure>,
    /// What it rests on, and what is missing, in plain words.
    pub reasons: Vec<String>,
}

impl Running {
    /// Where the discharge of a session stands; `None` unless one runs.
    pub fn of(analysis: &Analysis, setting: &Setting) -> Option<Running> {
        let load = analysis.load?;
        let main = analysis.phases.last().filter(|p| p.kind == PhaseKind::Discharge)?;
        let full = main.full.as_ref();
        Some(Running {
            given_ah: main.discharged_ah,
            given_standard_ah: budget::charge(&main.exposure, setting).standard,
            load,
            cutoff_volt: setting.cutoff_voltage_volt,
            is_full_proven: full.is_some_and(|full| full.proof == Proof::Found),
        })
    }
}

/// What is left of a running discharge.
pub fn to_empty(running: &Running, expected: &Expected) -> ToEmpty {
    let mut reasons = Vec::new();
    if !expected.is_measured {
        reasons.push("the pack's capacity is known by its rating only".to_owned());
    }
    if !running.is_full_proven {
        reasons.push("no proof that the pack was full at the start".to_owned());
    }
    let left = expected.capacity_ah - running.given_ah;
    let standard = combined([expected.standard_ah, running.given_standard_ah]);
    if left <= 0.0 || running.load.ampere <= 0.0 {
        reasons.push(match left <= 0.0 {
            true => "the pack gave more than was expected of it".to_owned(),
            false => "no load".to_owned(),
        });
        return ToEmpty { second: None, charge_ah: None, energy_wh: None, reasons };
    }
    let load = &running.load;
    let hour = left / load.ampere;
    let hour_standard = combined([standard, hour * load.deviation_ampere]) / load.ampere;
    let sure = |value, standard: f64| Some(Sure { value, expanded: COVERAGE * standard });
    ToEmpty {
        second: sure(hour * 3600.0, hour_standard * 3600.0),
        charge_ah: sure(left, standard),
        energy_wh: energy(left, standard, running),
        reasons,
    }
}

fn energy(left_ah: f64, standard_ah: f64, running: &Running) -> Option<Sure> {
    let now_volt = running.load.watt? / running.load.ampere;
    let end_volt = running.cutoff_volt?.min(now_volt);
    let (middle, half) = ((now_volt + end_volt) / 2.0, (now_volt - end_volt) / 2.0);
    let of_voltage = left_ah * Shape::Rectangular.standard(half);
    let standard = combined([middle * standard_ah, of_voltage]);
    Some(Sure { value: left_ah * middle, expanded: COVERAGE * standard })
}

/// A moment with what had been given by then.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Mark {
    t_us: i64,
    ah: f64,
    wh: Option<f64>,
}

/// Remembers what was given over the last minutes.
#[derive(Clone, Debug)]
pub(crate) struct LoadHistory {
    marks: VecDeque<Mark>,
    spacing_us: i64,
    window_us: i64,
}

impl LoadHistory {
    pub(crate) fn new(rules: &Rules) -> LoadHistory {
        let window_us = (rules.to_empty_window_second * 1e6) as i64;
        LoadHistory { marks: VecDeque::new(), spacing_us: window_us / (MARKS as i64), window_us }
    }

    /// Whether a mark is due; asked first, because to make one costs more.
    pub(crate) fn is_due(&self, t_us: i64) -> bool {
        self.marks.back().is_none_or(|last| t_us.saturating_sub(last.t_us) >= self.spacing_us)
    }

    pub(crate) fn mark(&mut self, t_us: i64, ah: f64, wh: Option<f64>) {
        let oldest_us = t_us.saturating_sub(self.window_us);
        while self.marks.len() > MARKS || self.marks.front().is_some_and(|m| m.t_us < oldest_us) {
            self.marks.pop_front();
        }
        self.marks.push_back(Mark { t_us, ah, wh });
    }

    /// Another phase: nothing before counts.
    pub(crate) fn clear(&mut self) {
        self.marks.clear();
    }

    pub(crate) fn load(&self) -> Option<Load> {
        let (first, last) = (self.marks.front()?, self.marks.back()?);
        let hour = last.t_us.saturating_sub(first.t_us) as f64 / 3.6e9;
        if hour <= 0.0 {
            return None;
        }
        let ampere = (last.ah - first.ah) / hour;
        let mut spread = crate::uncertainty::Spread::default();
        for (a, b) in self.marks.iter().zip(self.marks.iter().skip(1)) {
            let hour = b.t_us.saturating_sub(a.t_us) as f64 / 3.6e9;
            if hour > 0.0 {
                spread.push((b.ah - a.ah) / hour);
            }
        }
        Some(Load {
            ampere,
            watt: last.wh.zip(first.wh).map(|(b, a)| (b - a) / hour),
            deviation_ampere: spread.deviation().unwrap_or(0.0),
            second: hour * 3600.0,
        })
    }
}
