//! Whether a pack hangs on a source and what happens to it: connected, loaded,
//! charged, tripped, gone. Told from the source's rows as they come and from
//! the time that passes without any. Opens and closes nothing itself.

use ampledger_types::Chemistry;
use ampledger_types::result::PhaseKind;

use crate::axis::Row;
use crate::feed::{Fed, Feed, Point, seconds_between};
use crate::flow::{Flow, Turn};
use crate::rules::Setting;

/// Which rule decided.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum PackRule {
    /// A voltage appeared and settled while no current flowed.
    Connected,
    /// A load came on and stayed.
    LoadBegan,
    /// A charge began and went on.
    ChargeBegan,
    /// Current and voltage went at once under load.
    Tripped,
    /// Nothing more was heard while a current flowed.
    WentDark,
    /// The voltage is back after a trip or the dark.
    CameBack,
    /// A discharge is over, and the pack has rested since, or nothing was heard.
    Ended,
    /// The voltage is gone, or nothing was heard for long of a pack that was not
    /// under load.
    Gone,
}

/// What was decided, with the reading that decided it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PackEvent {
    /// By which rule.
    pub rule: PackRule,
    /// Since when it holds, µs on the rows' axis.
    pub since_us: i64,
    /// When it was certain, µs on the rows' axis.
    pub at_us: i64,
    /// The voltage then, V; the last one where nothing is heard any more.
    pub voltage_volt: Option<f64>,
    /// The current then, A.
    pub current_ampere: Option<f64>,
    /// It came back with the current and about the voltage of before.
    pub goes_on: bool,
}

impl PackEvent {
    /// From when on a test may be under way, if this begins one, µs.
    pub fn opens_us(&self) -> Option<i64> {
        let opens =
            matches!(self.rule, PackRule::Connected | PackRule::LoadBegan | PackRule::ChargeBegan);
        opens.then_some(self.since_us)
    }

    /// Up to when a test was under way, if this ends one, µs: the rest after a
    /// discharge belongs to it, the time without a pack does not.
    pub fn closes_us(&self) -> Option<i64> {
        match self.rule {
            PackRule::Ended => Some(self.at_us),
            PackRule::Gone => Some(self.since_us),
            _ => None,
        }
    }
}

/// Watches one source. Memory is bounded however long it goes on.
#[derive(Clone, Debug)]
pub struct PackWatch {
    setting: Setting,
    connect_volt: f64,
    feed: Feed,
    state: State,
    last: Option<Point>,
    /// The reading before that one.
    before: Option<Point>,
    /// When anything was heard last.
    heard_us: Option<i64>,
    events: Vec<PackEvent>,
}

#[derive(Clone, Debug)]
enum State {
    Absent,
    Appearing(Appearing),
    Present(Present),
}

/// A voltage that has not settled yet.
#[derive(Clone, Debug)]
struct Appearing {
    since_us: i64,
    settling_us: i64,
    lowest_volt: f64,
    highest_volt: f64,
    flow: Flow,
}

/// A pack that is there.
#[derive(Clone, Debug)]
struct Present {
    flow: Flow,
    /// Whether there is something to close: a discharge, or a load that was lost
    /// in the dark.
    closes: bool,
    low_since_us: Option<i64>,
    is_tripped: bool,
    /// Silent while a current flowed, since then.
    dark_since_us: Option<i64>,
}

impl Present {
    fn new(flow: Flow) -> Present {
        let closes = false;
        Present { flow, closes, low_since_us: None, is_tripped: false, dark_since_us: None }
    }
}

impl PackWatch {
    /// Nothing heard yet.
    pub fn new(setting: Setting) -> PackWatch {
        PackWatch {
            connect_volt: connect_volt(&setting),
            feed: Feed::new(&setting),
            state: State::Absent,
            last: None,
            before: None,
            heard_us: None,
            events: Vec::new(),
            setting,
        }
    }

    /// The meter is described otherwise from here on; what was seen stays seen.
    pub fn describe(&mut self, setting: Setting) {
        self.connect_volt = connect_volt(&setting);
        self.feed = Feed::new(&setting);
        match &mut self.state {
            State::Absent => {}
            State::Appearing(appearing) => appearing.flow.describe(&setting),
            State::Present(present) => present.flow.describe(&setting),
        }
        self.setting = setting;
    }

    /// Whether a pack is there.
    pub fn is_present(&self) -> bool {
        matches!(self.state, State::Present(_))
    }

    /// Takes it that a pack is there at `t_us`, as is known from elsewhere, and
    /// that the time before it was no silence; `closes`: there was a discharge
    /// that a rest will end.
    pub fn take_up(&mut self, t_us: i64, closes: bool) {
        if !self.is_present() {
            self.state = State::Present(Present::new(Flow::new(t_us, &self.setting)));
        }
        if let State::Present(present) = &mut self.state {
            present.closes |= closes;
        }
        self.heard_us = Some(t_us);
    }

    /// The clock breaks off before the next row: how long was it silent?
    pub fn break_of_unknown_length(&mut self) {
        self.feed = Feed::new(&self.setting);
        self.heard_us = None;
        match &mut self.state {
            State::Absent => {}
            State::Appearing(_) => self.state = State::Absent,
            State::Present(present) => (present.low_since_us, present.flow.turn) = (None, None),
        }
    }

    /// Takes the next row of the source; what it and the time before it decide.
    pub fn push(&mut self, row: &Row) -> Vec<PackEvent> {
        self.pass(row.t_us);
        let point = match self.feed.push(row) {
            Fed::Nothing => None,
            Fed::Start(point) | Fed::Repeated(point) => Some(point),
            Fed::Interval(interval) => Some(interval.to),
        };
        if let Some(point) = point {
            if self.heard_us.is_none() {
                self.begin_anew(&point);
            }
            self.heard_us = Some(point.t_us);
            self.before = self.last.replace(point);
            self.look(&point);
        }
        std::mem::take(&mut self.events)
    }

    /// Is told that it is `t_us` and nothing more was heard.
    pub fn time(&mut self, t_us: i64) -> Vec<PackEvent> {
        self.pass(t_us);
        std::mem::take(&mut self.events)
    }

    /// After a break the times before it say nothing.
    fn begin_anew(&mut self, point: &Point) {
        if let State::Present(present) = &mut self.state {
            present.flow.since_us = point.t_us;
        }
    }

    fn look(&mut self, point: &Point) {
        match std::mem::replace(&mut self.state, State::Absent) {
            State::Absent => self.appear(point),
            State::Appearing(appearing) => self.settle(appearing, point),
            State::Present(present) => self.follow(present, point),
        }
    }

    fn appear(&mut self, point: &Point) {
        let Some(volt) = point.reading.voltage_volt.filter(|v| *v > self.connect_volt) else {
            return;
        };
        let appearing = Appearing {
            since_us: point.t_us,
            settling_us: point.t_us,
            lowest_volt: volt,
            highest_volt: volt,
            flow: Flow::new(point.t_us, &self.setting),
        };
        self.settle(appearing, point);
    }

    fn settle(&mut self, mut appearing: Appearing, point: &Point) {
        let rules = self.setting.rules;
        let Some(volt) = point.reading.voltage_volt else {
            self.state = State::Appearing(appearing);
            return;
        };
        if volt <= self.connect_volt {
            return;
        }
        // A pack that is loaded as it is first seen need not settle.
        if let Some(turn) = appearing.flow.push(point, &rules) {
            self.state = State::Present(Present::new(appearing.flow));
            return self.turned(&turn, point);
        }
        let (low, high) = (appearing.lowest_volt.min(volt), appearing.highest_volt.max(volt));
        let is_steady = high - low <= rules.connect_settle_percent / 100.0 * (high + low);
        if is_steady && appearing.flow.is_rest(point) {
            (appearing.lowest_volt, appearing.highest_volt) = (low, high);
        } else {
            appearing.settling_us = point.t_us;
            (appearing.lowest_volt, appearing.highest_volt) = (volt, volt);
        }
        if seconds_between(appearing.settling_us, point.t_us) < rules.connect_settle_second {
            self.state = State::Appearing(appearing);
            return;
        }
        self.tell(PackRule::Connected, appearing.since_us, point.t_us);
        self.state = State::Present(Present::new(appearing.flow));
    }

    fn follow(&mut self, mut present: Present, point: &Point) {
        let rules = self.setting.rules;
        let volt = point.reading.voltage_volt;
        let is_back = volt.is_some_and(|v| v > self.connect_volt);
        let dark_us = present.dark_since_us.take();
        if let Some((dark_us, turn)) = dark_us.zip(present.flow.turned(point)) {
            // The current stopped, or turned, somewhere in the dark.
            present.flow.turn_to(&turn);
            present.flow.since_us = dark_us;
        }
        if is_back && (present.is_tripped || dark_us.is_some()) {
            let goes_on = !std::mem::take(&mut present.is_tripped) && self.goes_on(point);
            self.tell(PackRule::CameBack, point.t_us, point.t_us);
            if let Some(told) = self.events.last_mut() {
                told.goes_on = goes_on;
            }
        }
        let began_us = present.flow.since_us;
        let was = present.flow.kind;
        let turn = present.flow.push(point, &rules);
        let trip =
            present.flow.turn.filter(|turn| was == PhaseKind::Discharge && self.is_trip(turn));
        if let Some(trip) = trip {
            present.flow.turn_to(&trip);
            (present.is_tripped, present.closes) = (true, true);
            self.tell(PackRule::Tripped, trip.from.t_us, point.t_us);
        }
        if let Some(turn) = &turn {
            let lasted = seconds_between(began_us, turn.from.t_us);
            present.closes |= was == PhaseKind::Discharge && lasted >= rules.close_load_second;
        }
        let is_low = volt.is_some_and(|v| v < rules.connect_none_volt)
            && present.flow.kind == PhaseKind::Rest;
        present.low_since_us = is_low.then(|| present.low_since_us.unwrap_or(point.t_us));
        let low = present.low_since_us.filter(|_| !present.is_tripped);
        if let Some(low_us) = low
            && seconds_between(low_us, point.t_us) >= rules.gone_low_second
        {
            self.tell(PackRule::Gone, low_us, point.t_us);
            return self.forget();
        }
        self.state = State::Present(present);
        if let Some(turn) = turn {
            self.turned(&turn, point);
        }
    }

    /// Whether current and voltage are about what they were before the silence.
    fn goes_on(&self, point: &Point) -> bool {
        let rules = &self.setting.rules;
        let Some(before) = self.before else { return false };
        let is_near =
            |was: f64, is: f64, percent: f64| (is - was).abs() <= was.abs() * percent / 100.0;
        let (was, is) = (before.reading, point.reading);
        let volts = was.voltage_volt.zip(is.voltage_volt);
        volts.is_some_and(|(was, is)| is_near(was, is, rules.back_voltage_percent))
            && is_near(was.current_ampere, is.current_ampere, rules.back_current_percent)
    }

    /// A current came on and stayed.
    fn turned(&mut self, turn: &Turn, point: &Point) {
        let rule = match turn.kind {
            PhaseKind::Discharge => PackRule::LoadBegan,
            PhaseKind::Charge => PackRule::ChargeBegan,
            PhaseKind::Rest => return,
        };
        self.tell(rule, turn.from.t_us, point.t_us);
    }

    /// The current gone within two rows, and the voltage collapsed with it.
    fn is_trip(&self, turn: &Turn) -> bool {
        let rules = &self.setting.rules;
        let Some(load) = turn.load.filter(|_| turn.kind == PhaseKind::Rest) else { return false };
        let share = rules.trip_collapse_percent / 100.0;
        let collapsed =
            turn.lowest_volt.zip(load.voltage_volt).is_some_and(|(low, was)| low < was * share);
        collapsed && load.rows_since_full as f64 + 1.0 <= rules.trip_samples
    }

    /// What the time up to `t_us` decides, with nothing heard in it.
    fn pass(&mut self, t_us: i64) {
        let Some(heard_us) = self.heard_us else { return };
        let rules = self.setting.rules;
        let silent = seconds_between(heard_us, t_us);
        let is_dark = silent > self.feed.dark_second();
        let State::Present(present) = &mut self.state else {
            if is_dark {
                self.state = State::Absent;
            }
            return;
        };
        let flows = present.flow.kind != PhaseKind::Rest;
        if is_dark && flows && present.dark_since_us.is_none() {
            present.dark_since_us = Some(heard_us);
            // After a charge the discharge may still come.
            present.closes |= present.flow.kind == PhaseKind::Discharge;
            self.tell(PackRule::WentDark, heard_us, t_us);
        }
        self.close(t_us, is_dark);
        let State::Present(present) = &self.state else { return };
        let is_idle = present.flow.kind != PhaseKind::Discharge && !present.is_tripped;
        if is_dark && is_idle && silent >= rules.gone_dark_second {
            self.tell(PackRule::Gone, heard_us, heard_us + micros(rules.gone_dark_second));
            self.forget();
        }
    }

    /// After a discharge and a rest that lasted it is over.
    fn close(&mut self, t_us: i64, is_dark: bool) {
        let State::Present(present) = &mut self.state else { return };
        let rests_us = match (present.flow.kind, present.dark_since_us) {
            (PhaseKind::Rest, _) => present.flow.since_us,
            (_, Some(dark_us)) => dark_us,
            _ => return,
        };
        let due_us = rests_us.saturating_add(micros(self.setting.rules.close_rest_second));
        if !present.closes || due_us > t_us {
            return;
        }
        present.closes = false;
        let is_lost = is_dark || present.low_since_us.is_some();
        self.tell(PackRule::Ended, rests_us, due_us);
        if is_lost {
            self.forget();
        }
    }

    fn forget(&mut self) {
        self.state = State::Absent;
        self.feed = Feed::new(&self.setting);
        self.heard_us = None;
    }

    fn tell(&mut self, rule: PackRule, since_us: i64, at_us: i64) {
        let reading = self.last.map(|point| point.reading);
        self.events.push(PackEvent {
            rule,
            since_us,
            at_us,
            voltage_volt: reading.and_then(|r| r.voltage_volt),
            current_ampere: reading.map(|r| r.current_ampere),
            goes_on: false,
        });
    }
}

/// Above which voltage a pack is connected, V.
fn connect_volt(setting: &Setting) -> f64 {
    let rules = &setting.rules;
    let per_cell = match setting.chemistry {
        Some(Chemistry::LithiumIronPhosphate | Chemistry::LithiumIon) => rules.connect_lithium_volt,
        Some(Chemistry::LeadAcid) => rules.connect_lead_volt,
        Some(Chemistry::Other) | None => return rules.connect_unknown_volt,
    };
    let cells = setting.cells_in_series.filter(|n| *n > 0);
    cells.map_or(rules.connect_unknown_volt, |n| f64::from(n) * per_cell)
}

fn micros(second: f64) -> i64 {
    (second * 1e6) as i64
}
