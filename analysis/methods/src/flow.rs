//! Which way the current flows, over a stream that may never end: a change
//! counts once it has lasted. Needs no rating; knows no voltage.

use ampledger_types::result::PhaseKind;

use crate::feed::{Point, class, seconds_between};
use crate::rules::{Rules, Setting};
use crate::window::{LoadBefore, LoadWindow};

/// A current at or below this share of what counts as a load is none any more.
const BACK_TO_REST: f64 = 0.5;

/// A change that has not lasted long enough.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Turn {
    pub(crate) kind: PhaseKind,
    /// Its first reading.
    pub(crate) from: Point,
    /// What the load was before it.
    pub(crate) load: Option<LoadBefore>,
    /// The lowest voltage in it.
    pub(crate) lowest_volt: Option<f64>,
}

/// Follows the current of one source.
#[derive(Clone, Debug)]
pub(crate) struct Flow {
    pub(crate) kind: PhaseKind,
    /// Since when.
    pub(crate) since_us: i64,
    pub(crate) turn: Option<Turn>,
    window: LoadWindow,
    load_ampere: f64,
}

impl Flow {
    /// At rest, as far as is known.
    pub(crate) fn new(t_us: i64, setting: &Setting) -> Flow {
        Flow {
            kind: PhaseKind::Rest,
            since_us: t_us,
            turn: None,
            window: LoadWindow::new(setting.rules.dark_load_window_second),
            load_ampere: load_ampere(setting),
        }
    }

    /// The meter is described otherwise: another current counts as a load.
    pub(crate) fn describe(&mut self, setting: &Setting) {
        self.load_ampere = load_ampere(setting);
    }

    /// Whether a reading is one of a resting pack.
    pub(crate) fn is_rest(&self, point: &Point) -> bool {
        self.wanted(point) == PhaseKind::Rest
    }

    /// Takes a reading; says so when a change has lasted.
    pub(crate) fn push(&mut self, point: &Point, rules: &Rules) -> Option<Turn> {
        let wanted = self.wanted(point);
        if wanted == self.kind {
            self.turn = None;
        } else {
            let load = self.window.load();
            let turn = match self.turn.filter(|turn| turn.kind == wanted) {
                Some(turn) => turn,
                None => Turn { kind: wanted, from: *point, load, lowest_volt: None },
            };
            let volts = [turn.lowest_volt, point.reading.voltage_volt];
            let lowest_volt = volts.into_iter().flatten().reduce(f64::min);
            self.turn = Some(Turn { lowest_volt, ..turn });
        }
        self.window.push(*point);
        let needed = match wanted {
            PhaseKind::Rest => rules.rest_enter_second,
            _ => rules.rest_leave_second,
        };
        let lasted = |turn: &Turn| seconds_between(turn.from.t_us, point.t_us) >= needed;
        let turn = self.turn.filter(lasted)?;
        self.turn_to(&turn);
        Some(turn)
    }

    /// A change counts from here on, however short it was.
    pub(crate) fn turn_to(&mut self, turn: &Turn) {
        (self.kind, self.since_us, self.turn) = (turn.kind, turn.from.t_us, None);
    }

    /// What a reading would make of it, if it lasted.
    pub(crate) fn turned(&self, point: &Point) -> Option<Turn> {
        let kind = self.wanted(point);
        let turn = Turn { kind, from: *point, load: None, lowest_volt: None };
        (kind != self.kind).then_some(turn)
    }

    fn wanted(&self, point: &Point) -> PhaseKind {
        let current = point.reading.current_ampere;
        let clear = class(current, self.load_ampere);
        match (self.kind, clear) {
            (PhaseKind::Rest, _) => clear,
            (kind, PhaseKind::Rest) => match class(current, self.load_ampere * BACK_TO_REST) {
                PhaseKind::Rest => PhaseKind::Rest,
                _ => kind,
            },
            _ => clear,
        }
    }
}

/// From which current on a pack is loaded or charged, A: above standby where
/// the rating is known, and above what the meter cannot tell from nothing.
fn load_ampere(setting: &Setting) -> f64 {
    let rules = &setting.rules;
    let positive = |x: Option<f64>| x.filter(|x| x.is_finite() && *x > 0.0);
    let base = positive(setting.rated_ah)
        .map_or(rules.connect_load_ampere, |ah| ah / rules.standby_divisor_hour);
    let offset = positive(setting.current_offset).unwrap_or(0.0) * rules.rest_offset_factor;
    let step = positive(setting.current_resolution).unwrap_or(0.0) * rules.rest_resolution_steps;
    base.max(offset).max(step)
}
