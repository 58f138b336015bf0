//! Resistance from two loads, from a line through many, and from a step; and
//! the short-circuit current that follows, as 'at least'. A resistance of a
//! step always comes with the delay at which it was read.

use serde::Serialize;

use crate::line_fit::{Line, LineFit};
use crate::uncertainty::combined;

/// A load point: what flowed and what the voltage was. A magnitude on
/// discharge, A and V.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LoadPoint {
    /// Current out of the pack, A.
    pub ampere: f64,
    /// Voltage, V.
    pub volt: f64,
}

/// A resistance with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Resistance {
    /// Ω.
    pub ohm: f64,
    /// Standard uncertainty, Ω; `None` where the accuracy is not stated.
    pub standard_ohm: Option<f64>,
    /// Where the line meets no current, V.
    pub open_volt: f64,
}

/// A step of the load.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FoundStep {
    /// The last reading before it, µs of test time.
    pub t_us: i64,
    /// Mean current before, A; negative on discharge.
    pub from_ampere: f64,
    /// Current after, A; negative on discharge.
    pub to_ampere: f64,
    /// Mean voltage before, V.
    pub from_volt: f64,
    /// What was read, by delay.
    pub read: Vec<StepRead>,
    /// Why there is nothing at the other delays, in plain words.
    pub lacking: Vec<String>,
}

/// A resistance read after a step.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct StepRead {
    /// The delay, s, counted from the last reading before the step: the true
    /// one is shorter by at most the interval.
    pub delay_second: f64,
    /// The interval in which the step came, s.
    pub interval_second: f64,
    /// Current then, A; negative on discharge.
    pub ampere: f64,
    /// Voltage then, V.
    pub volt: f64,
    /// Ω.
    pub ohm: f64,
    /// Standard uncertainty, Ω; `None` where the meter's gain is not stated.
    pub standard_ohm: Option<f64>,
}

/// From two loads, `R = (U1 − U2)/(I2 − I1)` (patterns of IEC 61960-3 and IEC
/// 60896-21; currents and times are whatever was run). `standard`: standard
/// uncertainty of the difference of the voltages and of the currents.
pub fn two_loads(
    low: LoadPoint,
    high: LoadPoint,
    standard: Option<(f64, f64)>,
) -> Option<Resistance> {
    let (fell, rose) = (low.volt - high.volt, high.ampere - low.ampere);
    let ohm = fell / rose;
    let is_usable = ohm.is_finite() && ohm > 0.0;
    is_usable.then(|| Resistance {
        ohm,
        standard_ohm: standard.map(|s| of_ratio(ohm, rose, s)),
        open_volt: low.volt + ohm * low.ampere,
    })
}

/// From a line through several loads by least squares, with the standard
/// uncertainty that the scatter gives; two points have none.
pub fn line(loads: &[LoadPoint]) -> Option<(Resistance, Line)> {
    let line = LineFit::of(loads.iter().map(|l| (l.ampere, l.volt))).line()?;
    let resistance = Resistance {
        ohm: -line.slope,
        standard_ohm: (line.degrees > 0.0).then_some(line.slope_standard),
        open_volt: line.intercept,
    };
    (resistance.ohm > 0.0).then_some((resistance, line))
}

/// `u(ΔU/ΔI)` for standard uncertainties of both (JCGM 100, 5.1.2).
pub(crate) fn of_ratio(ohm: f64, ampere: f64, standard: (f64, f64)) -> f64 {
    combined([standard.0 / ampere, ohm * standard.1 / ampere])
}

/// What a short circuit carries at least.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ShortCircuit {
    /// At least so much, A.
    pub at_least_ampere: f64,
    /// The delay of the resistance it rests on, s; `None` of two loads.
    pub delay_second: Option<f64>,
    /// What goes with it, always.
    pub caution: &'static str,
}

/// Never on a label, never without this.
const CAUTION: &str = "an estimate by a straight line, 'at least' because resistance read later is \
                       higher; never a test to run, not for choosing a fuse, not for a label";

impl Resistance {
    /// `U0/R`, with the resistance as high as its uncertainty allows.
    pub fn short_circuit(&self, delay_second: Option<f64>) -> Option<ShortCircuit> {
        let highest = self.ohm + 2.0 * self.standard_ohm.unwrap_or(0.0);
        let at_least_ampere = self.open_volt / highest;
        let is_usable = at_least_ampere.is_finite() && at_least_ampere > 0.0;
        is_usable.then_some(ShortCircuit { at_least_ampere, delay_second, caution: CAUTION })
    }
}

impl FoundStep {
    /// What a short circuit carries at least, from the shortest delay read.
    pub fn short_circuit(&self) -> Option<ShortCircuit> {
        let first = self.read.first()?;
        let open_volt = self.from_volt - first.ohm * self.from_ampere;
        let standard_ohm = first.standard_ohm;
        let resistance = Resistance { ohm: first.ohm, standard_ohm, open_volt };
        resistance.short_circuit(Some(first.delay_second))
    }

    /// What was read at a delay.
    pub fn at(&self, delay_second: f64) -> Option<&StepRead> {
        self.read.iter().find(|r| r.delay_second == delay_second)
    }
}

/// The load points of steps as read at one delay, the first one's rest or load
/// before it with them: for [`line()`] and [`two_loads`].
pub fn loads(steps: &[FoundStep], delay_second: f64) -> Vec<LoadPoint> {
    let first = steps.first().map(|s| LoadPoint { ampere: -s.from_ampere, volt: s.from_volt });
    let read = steps.iter().filter_map(|s| s.at(delay_second));
    let read = read.map(|r| LoadPoint { ampere: -r.ampere, volt: r.volt });
    first.into_iter().chain(read).collect()
}
