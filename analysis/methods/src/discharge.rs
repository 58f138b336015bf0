//! Where a discharge crosses its cut-off voltage and how it ends. Looks at
//! loaded readings only: a voltage that climbs back after the load is gone, or
//! collapses because a contact opened, is no crossing.

use ampledger_types::Chemistry;
use ampledger_types::result::EndReason;

use crate::budget::voltage_limit;
use crate::feed::{Interval, Point, Silence, seconds_between};
use crate::findings::{Cutoff, FoundEnd};
use crate::integrate::{Flows, charge_ampere_second};
use crate::knee::Knee;
use crate::rules::{CutoffRule, Setting};
use crate::window::LoadBefore;

/// A crossing, or the length in seconds of the gap it lies in.
type Crossing = Result<Cutoff, f64>;

/// A stretch of loaded readings at or below the cut-off.
#[derive(Clone, Debug)]
struct Below {
    crossing: Crossing,
    since_us: i64,
    samples: f64,
}

#[derive(Clone, Debug)]
pub(crate) struct DischargeWatch {
    cutoff_volt: Option<f64>,
    rule: CutoffRule,
    hold_second: f64,
    hold_samples: f64,
    /// By how much the voltage may be off there, V.
    doubt_volt: f64,
    below: Option<Below>,
    /// What was given when the voltage may have been there already, Ah.
    nearly: Option<f64>,
    reached: Option<Crossing>,
    last_loaded: Option<Point>,
    saw_voltage: bool,
    knee: Knee,
}

/// What brought a discharge to its end, as seen from outside it.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Ending {
    /// The current went to rest.
    Rest { load: Option<LoadBefore>, lowest_volt: Option<f64> },
    /// A charge began at once.
    Charge,
    /// The source fell silent under load; for how long, where known.
    Dark { load: Option<LoadBefore>, seconds: Option<f64> },
    /// The session was stopped.
    Stopped,
    /// Nothing.
    Running,
}

/// What an end is judged by.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Judge<'a> {
    pub(crate) setting: &'a Setting,
    /// Median interval between rows, s.
    pub(crate) interval_second: Option<f64>,
    /// The least current that is a load worth the name, A.
    pub(crate) least_load_ampere: f64,
}

impl Judge<'_> {
    /// Whether the pack was loaded when the source fell silent.
    pub(crate) fn was_loaded(&self, load: Option<LoadBefore>) -> bool {
        load.is_some_and(|l| l.current_ampere >= self.least_load_ampere)
    }

    /// The current gone within two rows, and the voltage collapsed with it.
    fn is_trip(&self, ending: &Ending) -> bool {
        let Ending::Rest { load: Some(load), lowest_volt } = ending else { return false };
        // The first row at rest comes after the rows since the full load.
        let rows = load.rows_since_full as f64 + 1.0;
        rows <= self.setting.rules.trip_samples && self.collapsed(load, *lowest_volt)
    }

    /// Whether the voltage collapsed as the load went.
    pub(crate) fn collapsed(&self, load: &LoadBefore, lowest_volt: Option<f64>) -> bool {
        let share = self.setting.rules.trip_collapse_percent / 100.0;
        lowest_volt.zip(load.voltage_volt).is_some_and(|(lowest, before)| lowest < before * share)
    }
}

/// By how much a voltage at the cut-off may be off, V; 0 where that is not
/// stated: then there is no uncertainty at all.
fn doubt_volt(setting: &Setting) -> f64 {
    let limit = setting.cutoff_voltage_volt.and_then(|volt| voltage_limit(volt, setting));
    limit.filter(|limit| limit.is_finite()).unwrap_or(0.0)
}

impl DischargeWatch {
    pub(crate) fn new(setting: &Setting) -> Self {
        DischargeWatch {
            cutoff_volt: setting.cutoff_voltage_volt.filter(|v| v.is_finite()),
            rule: setting.cutoff_rule,
            hold_second: setting.rules.cutoff_hold_second,
            hold_samples: setting.rules.cutoff_hold_samples,
            doubt_volt: doubt_volt(setting),
            below: None,
            nearly: None,
            reached: None,
            last_loaded: None,
            saw_voltage: false,
            knee: Knee::new(setting.rules.knee_window_second),
        }
    }

    /// A loaded reading that adds no time: the first one, or a repeated one.
    pub(crate) fn point(&mut self, point: &Point, so_far: &Flows) {
        self.look(point, None, so_far);
        self.settle(point.t_us, || false);
    }

    /// An interval that ends in a loaded reading; `before` is without it.
    pub(crate) fn interval(
        &mut self,
        interval: &Interval,
        before: &Flows,
        rows_are_slow: impl FnOnce() -> bool,
    ) {
        self.look(&interval.to, Some((interval, before)), before);
        self.settle(interval.to.t_us, rows_are_slow);
        self.knee.push(&interval.to);
    }

    /// `into`: the interval that ends in the reading, and what flowed before.
    fn look(&mut self, point: &Point, into: Option<(&Interval, &Flows)>, so_far: &Flows) {
        if point.reading.current_ampere >= 0.0 {
            return;
        }
        self.last_loaded = Some(*point);
        let Some(voltage) = point.reading.voltage_volt else { return };
        self.saw_voltage = true;
        let Some(cutoff) = self.cutoff_volt else { return };
        if voltage > cutoff + self.doubt_volt {
            self.nearly = None;
        } else if self.nearly.is_none() {
            self.nearly = Some(so_far.discharged.charge_ah());
        }
        if voltage > cutoff {
            self.below = None;
        } else if let Some(below) = &mut self.below {
            below.samples += f64::from(into.is_some());
        } else {
            let crossing = match into {
                None => Ok(self.mark(point.t_us, so_far)),
                Some((interval, before)) if interval.silence == Silence::None => {
                    Ok(self.crossing(interval, before))
                }
                Some((interval, _)) => Err(interval.seconds),
            };
            self.below = Some(Below { crossing, since_us: point.t_us, samples: 1.0 });
        }
    }

    fn settle(&mut self, t_us: i64, rows_are_slow: impl FnOnce() -> bool) {
        let Some(below) = &self.below else { return };
        let held = below.samples >= self.hold_samples
            && seconds_between(below.since_us, t_us) >= self.hold_second;
        let enough = held || rows_are_slow() || self.rule != CutoffRule::Interpolated;
        if enough && self.reached.is_none() {
            self.reached = Some(below.crossing);
        }
    }

    /// The moment the rule names, given that the interval's later reading is
    /// at or below the cut-off.
    fn crossing(&self, interval: &Interval, before: &Flows) -> Cutoff {
        let (from, to) = (&interval.from, &interval.to);
        let share = match self.rule {
            CutoffRule::FirstBelow => 1.0,
            CutoffRule::LastAbove => 0.0,
            CutoffRule::Interpolated => self.share_above(interval).unwrap_or(1.0),
        };
        let mut flows = *before;
        if share > 0.0 {
            let there = from.reading.towards(&to.reading, share);
            flows.add(interval.seconds * share, &from.reading, &there);
        }
        let t_us = from.t_us.saturating_add((interval.seconds * share * 1e6).round() as i64);
        let whole = charge_ampere_second(interval.seconds, &from.reading, &to.reading);
        let mark = self.mark(t_us, &flows);
        let mut exposure = mark.exposure;
        exposure.end_rule_ah = whole.abs() / 3600.0 / 2.0;
        exposure.end_voltage_ah = self.nearly.map_or(0.0, |n| (mark.discharged_ah - n).max(0.0));
        Cutoff { exposure, ..mark }
    }

    /// Which share of the interval lies above the cut-off, on a straight line.
    fn share_above(&self, interval: &Interval) -> Option<f64> {
        let cutoff = self.cutoff_volt?;
        let from = interval.from.reading.voltage_volt.filter(|v| *v > cutoff)?;
        let to = interval.to.reading.voltage_volt?;
        Some((from - cutoff) / (from - to))
    }

    fn mark(&self, t_us: i64, flows: &Flows) -> Cutoff {
        Cutoff {
            t_us,
            discharged_ah: flows.discharged.charge_ah(),
            discharged_wh: flows.discharged.energy_wh(),
            exposure: flows.exposure(&flows.discharged),
            rule: self.rule,
        }
    }

    /// The end, and whether it is one for good: the cut-off reached, a trip,
    /// or a dark end of an instrument that the pack powers.
    pub(crate) fn end(&self, ending: &Ending, judge: &Judge) -> (FoundEnd, bool) {
        let setting = judge.setting;
        let tripped = judge.is_trip(ending);
        let crossed = self.reached.or_else(|| self.crossed_at_the_end(ending, tripped));
        let reason = match ending {
            Ending::Rest { .. } if tripped => EndReason::ProtectionTrip,
            Ending::Dark { .. } => EndReason::DarkUnderLoad,
            Ending::Running => EndReason::Running,
            _ if crossed.is_some() => EndReason::CutoffVoltage,
            Ending::Rest { .. } => EndReason::LoadRemoved,
            Ending::Charge => EndReason::ChargeBegan,
            Ending::Stopped => EndReason::SessionEnded,
        };
        let is_dark = reason == EndReason::DarkUnderLoad;
        let last = self.last_full(ending);
        let asks_if_empty = tripped || is_dark;
        let end = FoundEnd {
            reason,
            cutoff: crossed.and_then(|c| c.ok()),
            cutoff_unknown_because: self.unknown_because(crossed, reason, last),
            last_loaded_voltage_volt: last.and_then(|p| p.reading.voltage_volt),
            trip_means_empty: last
                .filter(|_| asks_if_empty)
                .and_then(|p| self.is_empty(&p, setting)),
            hidden_ah: self.hidden_ah(ending, judge),
            counted_in_dark_ah: None,
        };
        let is_emptied = crossed.is_some() || tripped || (is_dark && setting.powered_by_pack);
        (end, is_emptied)
    }

    /// A load that stops by itself at the cut-off leaves no time to hold: the
    /// voltage counts as held if it was at or below up to the load's end.
    fn crossed_at_the_end(&self, ending: &Ending, tripped: bool) -> Option<Crossing> {
        let load_went = matches!(ending, Ending::Rest { .. } | Ending::Charge);
        self.below.as_ref().filter(|_| load_went && !tripped).map(|b| b.crossing)
    }

    /// The last reading under the whole load: one that fell into the moment
    /// of switching off says nothing about the pack.
    fn last_full(&self, ending: &Ending) -> Option<Point> {
        match ending {
            Ending::Rest { load: Some(load), .. } | Ending::Dark { load: Some(load), .. } => {
                Some(load.last_full)
            }
            _ => self.last_loaded,
        }
    }

    fn unknown_because(
        &self,
        crossed: Option<Crossing>,
        reason: EndReason,
        last: Option<Point>,
    ) -> Option<String> {
        let cutoff = match (crossed, self.cutoff_volt) {
            (Some(Ok(_)), _) => return None,
            (Some(Err(gap)), _) => {
                return Some(format!(
                    "the cut-off voltage was crossed inside a silence of {gap:.0} s"
                ));
            }
            (None, None) => return Some("no cut-off voltage is set".to_owned()),
            (None, Some(cutoff)) => cutoff,
        };
        let Some(last) = last.and_then(|p| p.reading.voltage_volt).filter(|_| self.saw_voltage)
        else {
            return Some("no voltage was read under load".to_owned());
        };
        let what = match reason {
            EndReason::ProtectionTrip => "the protection tripped",
            EndReason::DarkUnderLoad => "the source went dark under load",
            EndReason::LoadRemoved => "the load was removed",
            EndReason::ChargeBegan => "a charge began",
            EndReason::SessionEnded => "the session was stopped",
            EndReason::Running | EndReason::CutoffVoltage => "it is still running",
        };
        Some(match last > cutoff {
            true => format!("{what} at {last:.2} V, above the cut-off of {cutoff:.2} V"),
            false => format!("{what} before the voltage had stayed at or below {cutoff:.2} V"),
        })
    }

    /// Whether a trip means an empty pack: by the voltage per cell, or by the
    /// knee. `None` where neither could be looked at.
    fn is_empty(&self, last: &Point, setting: &Setting) -> Option<bool> {
        let limit_volt = match setting.chemistry? {
            Chemistry::LithiumIronPhosphate => Some(setting.rules.empty_cell_voltage_lfp_volt),
            Chemistry::LithiumIon => Some(setting.rules.empty_cell_voltage_lithium_ion_volt),
            Chemistry::LeadAcid | Chemistry::Other => None,
        };
        let cells = setting.cells_in_series.filter(|n| *n > 0).map(f64::from);
        let per_cell = last.reading.voltage_volt.zip(cells).map(|(v, n)| v / n);
        let by_voltage = per_cell.zip(limit_volt).map(|(v, limit)| v <= limit);
        let by_knee = self.knee.is_there(last, setting);
        match (by_voltage, by_knee) {
            (None, None) => None,
            (a, b) => Some(a == Some(true) || b == Some(true)),
        }
    }

    fn hidden_ah(&self, ending: &Ending, judge: &Judge) -> Option<f64> {
        let Ending::Dark { seconds, .. } = ending else { return None };
        let last = self.last_loaded?.reading.current_ampere.abs();
        let hidden_second =
            if judge.setting.powered_by_pack { judge.interval_second } else { *seconds };
        hidden_second.map(|s| last * s / 3600.0)
    }
}
