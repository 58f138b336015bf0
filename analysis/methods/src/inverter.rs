//! What stands between a pack and its loads: standby draw, and an inverter as a
//! straight line from power taken to power given, when a second meter measures
//! the other side.

use ampledger_types::result::PhaseKind;
use serde::Serialize;

use crate::axis::Row;
use crate::feed::{Interval, Silence, seconds_between};
use crate::findings::FoundPhase;
use crate::line_fit::{Line, LineFit};
use crate::rules::{Rules, Setting};
use crate::uncertainty::{COVERAGE, Shape, combined};

/// `P_dc = idle + slope · P_ac`.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Inverter {
    /// Power taken with no load, W.
    pub idle_watt: f64,
    /// Power taken for each watt given, over the idle.
    pub slope: f64,
    /// Standard uncertainty of the idle power, W; `None` for two points.
    pub idle_standard_watt: Option<f64>,
    /// Standard uncertainty of the slope; `None` for two points.
    pub slope_standard: Option<f64>,
    /// Points it rests on.
    pub points: u64,
    /// The lowest, mean and highest power given, W.
    pub given_watt: [f64; 3],
    /// Mean voltage of the pack meanwhile, V.
    pub mean_volt: f64,
    /// What keeps it from being proven, in plain words.
    pub doubts: Vec<String>,
}

/// Both sides, read at the same instants, one pair after another.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct InverterFit {
    fit: LineFit,
}

impl InverterFit {
    /// Takes what the pack gave and what came out, W.
    pub fn push(&mut self, dc_watt: f64, ac_watt: f64) {
        if dc_watt.is_finite() && ac_watt.is_finite() {
            self.fit.push(ac_watt, dc_watt);
        }
    }

    /// The line so far; `None` while all loads are the same.
    pub fn model(&self) -> Option<Inverter> {
        let line: Line = self.fit.line()?;
        let known = |standard: f64| (line.degrees > 0.0).then_some(standard);
        Some(Inverter {
            idle_watt: line.intercept,
            slope: line.slope,
            idle_standard_watt: known(line.intercept_standard),
            slope_standard: known(line.slope_standard),
            points: self.fit.count() as u64,
            ..Inverter::default()
        })
    }
}

/// Pairs up what the pack gives and what a meter on the far side reads, as rows
/// come. A few numbers, whatever the length.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct InverterWatch {
    fit: InverterFit,
    /// The last reading of the far side, until it has found its partner: when,
    /// W, and whether it is steady.
    far: Option<(i64, f64, bool)>,
    last_far_watt: f64,
    /// The last interval of the pack's own meter: when and W, both ends.
    near: Option<[(i64, f64, f64); 2]>,
    range_watt: Option<(f64, f64)>,
    sum_watt: f64,
    sum_volt: f64,
    is_apparent: bool,
}

impl InverterWatch {
    /// A reading of the far side.
    pub(crate) fn far(&mut self, row: &Row, rules: &Rules) {
        let apparent = row.voltage_volt.zip(row.current_ampere).map(|(u, i)| u * i);
        let watt = row.power_watt.or(apparent).filter(|w| w.is_finite()).map(f64::abs);
        let Some(watt) = watt else { return };
        self.is_apparent |= row.power_watt.is_none();
        let is_steady = is_steady(self.last_far_watt, watt, rules);
        self.last_far_watt = watt;
        self.far = Some((row.t_us, watt, is_steady));
        self.pair(rules);
    }

    /// A stretch of the pack's own meter.
    pub(crate) fn near(&mut self, interval: &Interval, rules: &Rules) {
        if self.far.is_none() {
            return;
        }
        let end = |point: &crate::feed::Point| {
            let volt = point.reading.voltage_volt?;
            Some((point.t_us, -volt * point.reading.current_ampere, volt))
        };
        let ends = end(&interval.from).zip(end(&interval.to));
        let ends = ends.filter(|_| interval.silence == Silence::None);
        self.near = ends.map(|(from, to)| [from, to]);
        self.pair(rules);
    }

    /// Both sides at the far side's instant, by a straight line between the
    /// readings of the pack's own meter around it.
    fn pair(&mut self, rules: &Rules) {
        let (Some((t_us, watt, far_is_steady)), Some([from, to])) = (self.far, self.near) else {
            return;
        };
        if t_us > to.0 {
            return;
        }
        self.far = None;
        let is_usable = t_us >= from.0 && from.1 > 0.0 && to.1 > 0.0;
        if !(is_usable && far_is_steady && is_steady(from.1, to.1, rules)) {
            return;
        }
        let share = seconds_between(from.0, t_us) / seconds_between(from.0, to.0);
        self.fit.push(from.1 + (to.1 - from.1) * share, watt);
        let (low, high) = self.range_watt.unwrap_or((watt, watt));
        self.range_watt = Some((low.min(watt), high.max(watt)));
        self.sum_watt += watt;
        self.sum_volt += from.2;
    }

    pub(crate) fn model(&self, rules: &Rules) -> Option<Inverter> {
        let (low, high) = self.range_watt?;
        let count = self.fit.fit.count();
        let mut doubts = Vec::new();
        if count < rules.inverter_pairs {
            let needed = rules.inverter_pairs;
            doubts.push(format!("{count} pairs of steady readings; it takes {needed}"));
        }
        if high < low * rules.inverter_span {
            doubts.push(format!(
                "the loads lie between {low:.0} W and {high:.0} W: what it takes at none is far \
                 off them"
            ));
        }
        if self.is_apparent {
            doubts.push(
                "the far side gives voltage and current, no power: a power factor below 1 does \
                 not show"
                    .to_owned(),
            );
        }
        let model = self.fit.model()?;
        let given_watt = [low, self.sum_watt / count, high];
        Some(Inverter { given_watt, mean_volt: self.sum_volt / count, doubts, ..model })
    }
}

fn is_steady(before_watt: f64, watt: f64, rules: &Rules) -> bool {
    let most = before_watt.abs().max(watt.abs()) * rules.inverter_steady_percent / 100.0;
    (watt - before_watt).abs() <= most
}

impl Inverter {
    /// How far idle power (W) and slope may be off, k = 2: the scatter about
    /// the line, the gains of both meters, and their offsets, which only the
    /// idle power feels. `None` where one of these is not stated.
    pub fn expanded(&self, setting: &Setting) -> Option<(f64, f64)> {
        let rectangular = |half_width: f64| Shape::Rectangular.standard(half_width);
        let gains = [
            setting.current_gain_percent?,
            setting.voltage_gain_percent?,
            setting.far_gain_percent?,
        ];
        let gain = combined(gains.map(|percent| rectangular(percent / 100.0)));
        let offset = match setting.zero_left {
            Some(left) => left.standard(),
            None => rectangular(setting.current_offset?),
        };
        let near = offset * self.mean_volt;
        let far = rectangular(setting.far_offset_watt? * self.slope);
        let idle = [self.idle_standard_watt?, gain * self.idle_watt.abs(), near, far];
        let slope = [self.slope_standard?, gain * self.slope];
        Some((COVERAGE * combined(idle), COVERAGE * combined(slope)))
    }

    /// Power given over power taken at a load, W.
    pub fn efficiency(&self, ac_watt: f64) -> f64 {
        ac_watt / (self.idle_watt + self.slope * ac_watt)
    }

    /// What goes unseen by a meter on the far side in so many hours of idling.
    pub fn idle(&self, hour: f64, volt: f64) -> Standby {
        standby(self.idle_watt, hour, volt)
    }
}

/// Efficiency weighted over loads: share of the rating, weight, efficiency
/// (weights as Sandia's pages print those of the CEC). `None` where the weights
/// do not add up to 1.
pub fn weighted_efficiency(points: &[(f64, f64)]) -> Option<f64> {
    let weights: f64 = points.iter().map(|(weight, _)| weight).sum();
    let is_whole = (weights - 1.0).abs() < 1e-6;
    is_whole.then(|| points.iter().map(|(weight, efficiency)| weight * efficiency).sum())
}

/// A small draw over a time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Standby {
    /// Mean current, A (a magnitude).
    pub ampere: f64,
    /// Mean power, W.
    pub watt: Option<f64>,
    /// For how long, h.
    pub hour: f64,
    /// Charge, Ah.
    pub ah: f64,
    /// Energy, Wh.
    pub wh: Option<f64>,
}

/// A power over a time at a voltage: also what a logger or display ahead of the
/// shunt draws unseen.
pub fn standby(watt: f64, hour: f64, volt: f64) -> Standby {
    let ampere = watt / volt;
    Standby { ampere, watt: Some(watt), hour, ah: ampere * hour, wh: Some(watt * hour) }
}

/// The standby draws among phases: discharges that stay below C/100, together.
/// `None` where there are none, or no rating says what that is.
pub fn standby_of(phases: &[FoundPhase], setting: &Setting) -> Option<Standby> {
    let limit = setting.rated_ah.filter(|c| *c > 0.0)? / setting.rules.standby_divisor_hour;
    let draws = phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Discharge && p.highest_current_ampere < limit);
    let (mut hour, mut ah, mut wh) = (0.0, 0.0, Some(0.0));
    for draw in draws {
        hour += seconds_between(draw.start_us, draw.end_us) / 3600.0;
        ah += draw.discharged_ah;
        wh = wh.zip(draw.discharged_wh).map(|(a, b)| a + b);
    }
    (hour > 0.0).then(|| Standby { ampere: ah / hour, watt: wh.map(|e| e / hour), hour, ah, wh })
}
