//! Was the pack full when its discharge began? Looks for the proving charge as
//! rows come: current seen, voltage reached, taper finished and held, then
//! nothing drawn and never out of sight. A few numbers, whatever the length;
//! may be carried over from an earlier session of the same pack and source.

use ampledger_types::Chemistry;

use crate::budget::voltage_limit;
use crate::feed::{Interval, Point};
use crate::rules::Setting;

/// The taper's time constant is taken from where the current has come down to
/// this many times its end.
const TAPER_FROM: f64 = 4.0;

/// A charge after so many times what still counts as nothing drawn is another
/// one, with its own proof.
const ANOTHER_CHARGE: f64 = 10.0;

/// What is looked for, worked out once.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Wanted {
    pub(crate) is_lead: bool,
    /// The least current that counts as the proving charge, A.
    pub(crate) bulk_ampere: Option<f64>,
    /// Where the voltage counts as reached, V; and for lead-acid its other end.
    pub(crate) low_volt: Option<f64>,
    high_volt: f64,
    /// Where the taper is finished, A.
    pub(crate) tail_ampere: Option<f64>,
    pub(crate) hold_second: f64,
    step_share: f64,
    steady_share: f64,
    steady_second: f64,
    /// Up to this nothing was drawn, Ah.
    pub(crate) drawn_ah: f64,
    /// Below this no pack is connected, V.
    pub(crate) connect_volt: f64,
    /// Dark is longer than so many intervals, and than so many seconds.
    dark: (f64, f64),
}

impl Wanted {
    pub(crate) fn new(setting: &Setting) -> Wanted {
        let rules = &setting.rules;
        let positive = |x: Option<f64>| x.filter(|x| x.is_finite() && *x > 0.0);
        let (rated, volt) = (positive(setting.rated_ah), positive(setting.charge_voltage_volt));
        let is_lead = setting.chemistry == Some(Chemistry::LeadAcid);
        let off = voltage_limit(volt.unwrap_or(0.0), setting).unwrap_or(0.0);
        let cells = setting.cells_in_series.filter(|n| *n > 0).map(f64::from);
        let per_cell = if is_lead { rules.connect_lead_volt } else { rules.connect_lithium_volt };
        let common = Wanted {
            is_lead,
            step_share: rules.full_step_percent / 100.0,
            steady_share: rules.full_lead_change_percent / 100.0,
            steady_second: rules.full_lead_change_second,
            dark: (rules.dark_interval_factor, rules.dark_floor_second),
            drawn_ah: rated.unwrap_or(0.0) * rules.full_drawn_percent / 100.0,
            connect_volt: cells.map_or(rules.connect_unknown_volt, |n| n * per_cell),
            ..Wanted::default()
        };
        if is_lead {
            let share = rules.full_lead_voltage_percent / 100.0;
            return Wanted {
                bulk_ampere: Some(0.0),
                low_volt: volt.map(|v| v * (1.0 - share)),
                high_volt: volt.map_or(0.0, |v| v * (1.0 + share)),
                tail_ampere: rated.map(|c| c * rules.full_lead_tail_percent / 100.0),
                hold_second: rules.full_lead_hold_second,
                ..common
            };
        }
        Wanted {
            bulk_ampere: rated.map(|c| c / rules.full_bulk_divisor_hour),
            low_volt: volt.map(|v| v - (v * rules.full_voltage_percent / 100.0).max(off)),
            high_volt: f64::INFINITY,
            tail_ampere: rated.map(|c| c / rules.full_taper_divisor_hour),
            hold_second: rules.full_hold_second,
            ..common
        }
    }

    fn is_at_voltage(&self, volt: f64) -> bool {
        self.low_volt.is_some_and(|low| volt >= low && volt <= self.high_volt)
    }
}

/// Why custody is broken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Broken {
    /// Dark for so many seconds.
    Dark(f64),
    /// Dark, and nobody knows for how long.
    DarkUnknown,
    /// A voltage too low for any pack.
    NoPack(f64),
    /// Another instrument on the line.
    OtherInstrument,
}

/// What a charge has shown so far, and what came after it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Seen {
    /// Time at or above the bulk current, s.
    pub(crate) bulk_second: f64,
    pub(crate) highest_volt: Option<f64>,
    /// When the voltage was first reached.
    pub(crate) reached_us: Option<i64>,
    /// The current fell through the taper's end in one step.
    pub(crate) stepped_us: Option<i64>,
    /// The current has come down to the taper's end at that voltage.
    pub(crate) finished_us: Option<i64>,
    /// Voltage and finished taper held at a stretch, s: the longest, and now.
    pub(crate) held_second: f64,
    holding_second: f64,
    /// Its last current, and when, while charging at that voltage.
    pub(crate) end: Option<(i64, f64)>,
    /// Current where the taper is measured from, and the charge since, A·s.
    anchor: Option<(f64, f64)>,
    /// Since when the current is steady, and at what.
    steady: Option<(i64, f64)>,
    /// The last moment with a charging current.
    pub(crate) charged_us: Option<i64>,
    /// Drawn since then, net, Ah.
    pub(crate) drawn_ah: f64,
    pub(crate) broken: Option<(i64, Broken)>,
}

/// Streaming, in bounded memory.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FullWatch {
    pub(crate) wanted: Wanted,
    pub(crate) seen: Seen,
    pub(crate) last_rest_volt: Option<(i64, f64)>,
    /// The last reading's time, and the interval before it, µs.
    last: Option<(i64, i64)>,
}

/// What the watch must know of the feed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bounds {
    /// Up to here the pack rests, A.
    pub(crate) rest_ampere: f64,
    /// The stretch was so long that the source counts as dark.
    pub(crate) is_dark: bool,
}

impl FullWatch {
    /// Nothing seen yet.
    pub fn new(setting: &Setting) -> FullWatch {
        FullWatch {
            wanted: Wanted::new(setting),
            seen: Seen::default(),
            last_rest_volt: None,
            last: None,
        }
    }

    /// The same on an axis that begins `us` later: for the next session.
    pub fn later(mut self, us: i64) -> FullWatch {
        let back = |t: &mut i64| *t = t.saturating_sub(us);
        let seen = &mut self.seen;
        for time in [
            &mut seen.reached_us,
            &mut seen.stepped_us,
            &mut seen.finished_us,
            &mut seen.charged_us,
        ] {
            time.iter_mut().for_each(back);
        }
        seen.end.iter_mut().for_each(|(t, _)| back(t));
        seen.steady.iter_mut().for_each(|(t, _)| back(t));
        seen.broken.iter_mut().for_each(|(t, _)| back(t));
        self.last_rest_volt.iter_mut().for_each(|(t, _)| back(t));
        self.last.iter_mut().for_each(|(t, _)| back(t));
        self
    }

    /// Whether any charge was seen.
    pub fn has_charge(&self) -> bool {
        self.seen.charged_us.is_some()
    }

    /// With what is wanted under another setting; what was seen stays.
    pub(crate) fn under(mut self, setting: &Setting) -> FullWatch {
        self.wanted = Wanted::new(setting);
        self
    }

    /// A moment at which the pack, or the instrument, may have been another.
    pub(crate) fn break_custody(&mut self, t_us: i64, why: Broken) {
        if self.seen.finished_us.is_some() && self.seen.broken.is_none() {
            self.seen.broken = Some((t_us, why));
        }
    }

    /// A first reading: of the record, or of a session that goes on from an
    /// earlier one.
    pub(crate) fn start(&mut self, point: &Point, bounds: Bounds) {
        if let Some((last_us, interval_us)) = self.last {
            let second = point.t_us.saturating_sub(last_us) as f64 / 1e6;
            let (factor, floor) = self.wanted.dark;
            if second > (factor * interval_us as f64 / 1e6).max(floor) {
                self.break_custody(last_us, Broken::Dark(second));
            }
        }
        self.last = Some((point.t_us, self.last.map_or(0, |(_, interval)| interval)));
        self.look(point, bounds);
    }

    /// A stretch between two readings.
    pub(crate) fn interval(&mut self, interval: &Interval, bounds: Bounds) {
        let (from, to) = (&interval.from, &interval.to);
        self.last = Some((to.t_us, to.t_us.saturating_sub(from.t_us)));
        if bounds.is_dark {
            self.break_custody(from.t_us, Broken::Dark(interval.seconds));
            self.seen.anchor = None;
            self.look(to, bounds);
            return;
        }
        let (a, b) = (from.reading.current_ampere, to.reading.current_ampere);
        let charge = (a + b) / 2.0 * interval.seconds;
        if a > bounds.rest_ampere && b > bounds.rest_ampere {
            self.charging(interval, charge, bounds);
        } else {
            // Net, so that noise at rest does not add up.
            self.seen.drawn_ah -= charge / 3600.0;
        }
        self.hold(interval, bounds);
        self.look(to, bounds);
    }

    /// A stretch of charging: one that follows something drawn is another charge.
    fn charging(&mut self, interval: &Interval, charge: f64, bounds: Bounds) {
        if self.seen.drawn_ah > ANOTHER_CHARGE * self.wanted.drawn_ah {
            self.seen = Seen::default();
        }
        let seen = &mut self.seen;
        let (a, b) = (interval.from.reading.current_ampere, interval.to.reading.current_ampere);
        let least = self.wanted.bulk_ampere.map(|least| least.max(bounds.rest_ampere));
        if least.is_some_and(|least| a >= least && b >= least) {
            seen.bulk_second += interval.seconds;
        }
        if let Some((_, since)) = &mut seen.anchor {
            *since += charge;
        }
        seen.charged_us = Some(interval.to.t_us);
        // A short top-up gives back what it gives, and proves no more.
        seen.drawn_ah = (seen.drawn_ah - charge / 3600.0).max(0.0);
    }

    /// The finished taper goes on, or begins.
    fn hold(&mut self, interval: &Interval, bounds: Bounds) {
        let (from, to) = (&interval.from.reading, &interval.to.reading);
        let Some((volt, tail)) = to.voltage_volt.zip(self.wanted.tail_ampere) else { return };
        let (a, b) = (from.current_ampere, to.current_ampere);
        if a > tail && b <= tail && self.seen.finished_us.is_none() {
            let is_step = a - b > self.wanted.step_share * a;
            self.seen.stepped_us = is_step.then_some(interval.to.t_us);
        }
        if !self.wanted.is_at_voltage(volt) || b < -bounds.rest_ampere {
            self.seen.steady = None;
            self.seen.holding_second = 0.0;
            return;
        }
        let is_steady = self.wanted.is_lead && self.is_steady(&interval.to);
        let seen = &mut self.seen;
        if b > tail && !is_steady {
            (seen.held_second, seen.holding_second) = (0.0, 0.0);
            seen.finished_us = None;
        } else if a <= tail || is_steady {
            seen.holding_second += interval.seconds;
            seen.held_second = seen.held_second.max(seen.holding_second);
        }
    }

    fn is_steady(&mut self, point: &Point) -> bool {
        let current = point.reading.current_ampere;
        let (since_us, at) = *self.seen.steady.get_or_insert((point.t_us, current));
        if (current - at).abs() >= self.wanted.steady_share * at.abs() {
            self.seen.steady = Some((point.t_us, current));
            return false;
        }
        let second = point.t_us.saturating_sub(since_us) as f64 / 1e6;
        second >= self.wanted.steady_second
    }

    fn look(&mut self, point: &Point, bounds: Bounds) {
        let (current, t_us) = (point.reading.current_ampere, point.t_us);
        let Some(volt) = point.reading.voltage_volt else { return };
        if volt < self.wanted.connect_volt {
            self.break_custody(t_us, Broken::NoPack(volt));
        }
        if current.abs() <= bounds.rest_ampere {
            self.last_rest_volt = Some((t_us, volt));
        }
        let is_charging = current > bounds.rest_ampere;
        let seen = &mut self.seen;
        if is_charging {
            seen.highest_volt = Some(seen.highest_volt.map_or(volt, |v| v.max(volt)));
        }
        if !self.wanted.is_at_voltage(volt) || current < -bounds.rest_ampere {
            return;
        }
        let Some(tail) = self.wanted.tail_ampere else { return };
        if is_charging {
            seen.reached_us.get_or_insert(t_us);
            seen.end = Some((t_us, current));
            if current > TAPER_FROM * tail {
                seen.anchor = None;
            } else if seen.anchor.is_none() {
                seen.anchor = Some((current, 0.0));
            }
        }
        let is_finished = current <= tail || seen.held_second > 0.0;
        if is_finished && seen.reached_us.is_some() {
            seen.finished_us.get_or_insert(t_us);
        }
    }

    /// What a finished taper leaves uncharged, Ah: of `I = I0·exp(−t/τ)` there
    /// is `τ·I_end` left, and `τ` is the charge over the fall of the current.
    pub(crate) fn uncharged_ah(&self) -> Option<f64> {
        let (from, charge) = self.seen.anchor?;
        let (_, end) = self.seen.end.filter(|_| self.seen.finished_us.is_some())?;
        let fell = from - end;
        (fell > 0.0 && charge > 0.0).then(|| charge / fell * end / 3600.0)
    }
}
