//! Is the bench wired as the configuration says? Looked at when a session
//! begins: cells × rest voltage, the sign of the current, voltage × current
//! against the meter's own power, a second ammeter. Each failure is loud;
//! nothing is corrected.

use ampledger_types::Chemistry;
use ampledger_types::api::{Check, CheckOutcome};
use ampledger_types::result::{AnomalyKind, PhaseKind};

use crate::axis::Row;
use crate::feed::{Feed, Point, class, seconds_between};
use crate::phases::Segment;
use crate::rules::Setting;
use crate::tally::Tally;

/// Readings under load compared before power or a second ammeter is judged.
const READINGS: u32 = 10;
/// Readings of two ammeters further apart are not compared, s.
const AMMETER_SKEW_SECOND: f64 = 2.0;
/// A current that moved by more than this share since the reading before is
/// not compared: the two sides may have seen different moments of it.
const STEADY: f64 = 0.1;
/// After a load or a charger comes on, the voltage is waited for this long, s.
const ONSET_SECOND: f64 = 30.0;

/// Two sums over the same readings.
#[derive(Clone, Copy, Debug, Default)]
struct Pair {
    ours: f64,
    theirs: f64,
    count: u32,
}

impl Pair {
    fn add(&mut self, ours: f64, theirs: f64) {
        self.ours += ours;
        self.theirs += theirs;
        self.count += 1;
    }

    fn is_done(&self) -> bool {
        self.count >= READINGS
    }

    fn means(&self) -> (f64, f64) {
        let n = f64::from(self.count.max(1));
        (self.ours / n, self.theirs / n)
    }

    fn is_within(&self, percent: f64) -> bool {
        (self.ours - self.theirs).abs() <= percent / 100.0 * self.ours.abs()
    }
}

/// The voltage before and after a load or a charge came on.
#[derive(Clone, Copy, Debug)]
struct Onset {
    kind: PhaseKind,
    before_volt: f64,
    after_volt: f64,
}

impl Onset {
    /// On discharge the voltage falls, on charge it rises.
    fn fits(&self) -> bool {
        let rose = self.after_volt > self.before_volt;
        rose == (self.kind == PhaseKind::Charge)
    }
}

/// A load or a charger came on; the voltage has not said anything yet.
#[derive(Clone, Copy, Debug)]
struct Waiting {
    kind: PhaseKind,
    since_us: i64,
    before_volt: f64,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct FirstMinute {
    first_us: Option<i64>,
    rest_voltage: Option<f64>,
    onset: Option<Onset>,
    waiting: Option<Waiting>,
    power: Pair,
    saw_power: bool,
    ammeters: Pair,
    saw_ammeter: bool,
    /// The last reading's time, µs, and current, A.
    main: Option<(i64, f64)>,
    is_steady: bool,
    told_voltage: bool,
    pub(crate) tally: Tally,
}

impl FirstMinute {
    pub(crate) fn row(&mut self, row: &Row, feed: &Feed, setting: &Setting) {
        let rest = feed.threshold.ampere();
        if feed.main_group != Some(row.group) {
            self.second_ammeter(row, rest, setting);
            return;
        }
        let Some(last) = feed.last.as_ref().filter(|p| p.t_us == row.t_us) else { return };
        let current = last.reading.current_ampere;
        let before = self.main.map(|(_, ampere)| ampere);
        self.is_steady = before.is_some_and(|b| (current - b).abs() <= STEADY * current.abs());
        self.main = Some((last.t_us, current));
        let kind = class(current, rest);
        if kind == PhaseKind::Rest {
            self.rest_voltage(last, setting);
        } else {
            self.power(row, last, setting);
        }
        self.wait_for_voltage(kind, last, setting);
    }

    fn rest_voltage(&mut self, point: &Point, setting: &Setting) {
        let first_us = *self.first_us.get_or_insert(point.t_us);
        let Some(voltage) = point.reading.voltage_volt else { return };
        let is_early = seconds_between(first_us, point.t_us) <= setting.rules.check_settle_second;
        if !is_early && self.rest_voltage.is_some() {
            return;
        }
        self.rest_voltage = Some(voltage);
        if let Some((false, text)) = fit(voltage, setting)
            && !self.told_voltage
        {
            self.told_voltage = true;
            self.tally.tell(AnomalyKind::VoltageDoesNotFitPack, point.t_us, text);
        }
    }

    fn power(&mut self, row: &Row, point: &Point, setting: &Setting) {
        let Some(power) = row.power_watt.filter(|p| p.is_finite()) else { return };
        self.saw_power = true;
        let Some(voltage) = point.reading.voltage_volt else { return };
        if self.power.is_done() || !self.is_steady {
            return;
        }
        // Some meters give power without a sign; the sign is another check.
        self.power.add((voltage * point.reading.current_ampere).abs(), power.abs());
        if self.power.is_done() && !self.power.is_within(setting.rules.check_power_percent) {
            let text = power_text(&self.power);
            self.tally.tell(AnomalyKind::PowerDisagrees, point.t_us, text);
        }
    }

    fn second_ammeter(&mut self, row: &Row, rest: f64, setting: &Setting) {
        let Some(theirs) = row.current_ampere.filter(|i| i.is_finite()) else { return };
        self.saw_ammeter = true;
        let main = self.main.filter(|_| self.is_steady && !self.ammeters.is_done());
        let Some((t_us, ours)) = main else { return };
        let is_near = seconds_between(t_us, row.t_us).abs() <= AMMETER_SKEW_SECOND;
        if !is_near || class(ours, rest) == PhaseKind::Rest {
            return;
        }
        self.ammeters.add(ours, theirs);
        if self.ammeters.is_done() && !self.ammeters.is_within(setting.rules.check_ammeters_percent)
        {
            let text = ammeters_text(&self.ammeters);
            self.tally.tell(AnomalyKind::AmmetersDisagree, row.t_us, text);
        }
    }

    /// A phase gives way to another: the first load or charge after a rest
    /// shows whether the sign is right.
    pub(crate) fn change(&mut self, old: &Segment, new: &Segment, now: &Point, setting: &Setting) {
        if self.onset.is_some() || old.kind != PhaseKind::Rest || new.kind == PhaseKind::Rest {
            return;
        }
        let since_us = new.start_us;
        self.waiting =
            old.last_voltage.map(|before_volt| Waiting { kind: new.kind, since_us, before_volt });
        self.wait_for_voltage(new.kind, now, setting);
    }

    fn wait_for_voltage(&mut self, kind: PhaseKind, point: &Point, setting: &Setting) {
        let Some(waiting) = self.waiting else { return };
        if kind != waiting.kind || seconds_between(waiting.since_us, point.t_us) > ONSET_SECOND {
            self.waiting = None;
            return;
        }
        let Some(after_volt) = point.reading.voltage_volt else { return };
        let before_volt = waiting.before_volt;
        let least = before_volt.abs() * setting.rules.check_sign_percent / 100.0;
        let steps = 2.0 * setting.voltage_resolution.unwrap_or(0.0);
        if (after_volt - before_volt).abs() <= least.max(steps) {
            return;
        }
        self.waiting = None;
        let onset = Onset { kind, before_volt, after_volt };
        self.onset = Some(onset);
        if !onset.fits() {
            let text = sign_text(&onset);
            self.tally.tell(AnomalyKind::CurrentSignReversed, waiting.since_us, text);
        }
    }

    /// The checks as far as they can be made now.
    pub(crate) fn checks(&self, feed: &Feed, setting: &Setting) -> Vec<Check> {
        let mut checks =
            vec![current_check(feed), self.voltage_check(feed, setting), self.sign_check()];
        if self.saw_power {
            let rule = setting.rules.check_power_percent;
            checks.push(pair_check("power", &self.power, rule, power_text));
        }
        if self.saw_ammeter {
            let rule = setting.rules.check_ammeters_percent;
            checks.push(pair_check("second ammeter", &self.ammeters, rule, ammeters_text));
        }
        checks
    }

    fn voltage_check(&self, feed: &Feed, setting: &Setting) -> Check {
        if feed.voltage.is_none() {
            return check("voltage", CheckOutcome::Open, "no voltage has been read yet".into());
        }
        let Some(voltage) = self.rest_voltage else {
            let text = "the pack has not been seen at rest yet".into();
            return check("voltage", CheckOutcome::Open, text);
        };
        match fit(voltage, setting) {
            Some((true, text)) => check("voltage", CheckOutcome::Good, text),
            Some((false, text)) => check("voltage", CheckOutcome::Bad, text),
            None => check(
                "voltage",
                CheckOutcome::Open,
                format!("{voltage:.2} V at rest; cells and chemistry of the pack are not known"),
            ),
        }
    }

    fn sign_check(&self) -> Check {
        let Some(onset) = self.onset else {
            let text = "shows when the load or the charger comes on".into();
            return check("sign of current", CheckOutcome::Open, text);
        };
        let outcome = if onset.fits() { CheckOutcome::Good } else { CheckOutcome::Bad };
        check("sign of current", outcome, sign_text(&onset))
    }
}

fn check(name: &str, outcome: CheckOutcome, text: String) -> Check {
    Check { name: name.to_owned(), outcome, text }
}

fn current_check(feed: &Feed) -> Check {
    let newest_us = feed.latest_row_us();
    let age = |last: &Point| seconds_between(last.t_us, newest_us.unwrap_or(last.t_us));
    match feed.last {
        Some(last) if age(&last) > feed.dark_second() => {
            let text = format!(
                "none for {:.0} s, while other readings come; the last was {}",
                age(&last),
                signed(last.reading.current_ampere)
            );
            check("current", CheckOutcome::Bad, text)
        }
        Some(last) => check("current", CheckOutcome::Good, signed(last.reading.current_ampere)),
        None => check("current", CheckOutcome::Open, "no current has been read yet".into()),
    }
}

/// With the sign of the trade: a minus, not a hyphen.
fn signed(ampere: f64) -> String {
    format!("{ampere:+.2} A").replace('-', "−")
}

fn pair_check(name: &str, pair: &Pair, percent: f64, text: fn(&Pair) -> String) -> Check {
    let outcome = match (pair.is_done(), pair.is_within(percent)) {
        (false, _) => {
            let text = "shows when current flows".into();
            return check(name, CheckOutcome::Open, text);
        }
        (true, true) => CheckOutcome::Good,
        (true, false) => CheckOutcome::Bad,
    };
    check(name, outcome, text(pair))
}

fn power_text(pair: &Pair) -> String {
    let (ours, theirs) = pair.means();
    format!("voltage × current is {ours:.1} W, the meter itself says {theirs:.1} W")
}

fn ammeters_text(pair: &Pair) -> String {
    let (ours, theirs) = pair.means();
    format!("{} on the ammeter used, {} on the second one", signed(ours), signed(theirs))
}

fn sign_text(onset: &Onset) -> String {
    let Onset { kind, before_volt, after_volt } = *onset;
    let what = if kind == PhaseKind::Charge { "charge" } else { "discharge" };
    let moved = if after_volt > before_volt { "rose" } else { "fell" };
    let seen =
        format!("the voltage {moved} from {before_volt:.2} V to {after_volt:.2} V as {what} began");
    match onset.fits() {
        true => seen,
        false => format!("{seen}: turn the sign of the current round in the configuration"),
    }
}

/// Whether a rest voltage fits the pack at any state of charge. The band goes
/// from 'empty' to 'charged' of the chemistry, wide enough for every pack that
/// works, too narrow for a cell count that is wrong by a quarter:
/// lithium iron phosphate 2.5 to 3.65 V and 4.2 V types 2.5 to 4.2 V a cell
/// (makers' data sheets), lead-acid 1.75 to 2.45 V (20 h end voltage; charge
/// voltage: common practice, no source); 1 % is allowed on both sides.
fn fit(voltage_volt: f64, setting: &Setting) -> Option<(bool, String)> {
    let (low, high) = match setting.chemistry? {
        Chemistry::LithiumIronPhosphate => (2.5, 3.65),
        Chemistry::LithiumIon => (2.5, 4.2),
        Chemistry::LeadAcid => (1.75, 2.45),
        Chemistry::Other => return None,
    };
    let cells = setting.cells_in_series.filter(|n| *n > 0)?;
    let per_cell = voltage_volt / f64::from(cells);
    let fits = per_cell >= low * 0.99 && per_cell <= high * 1.01;
    let verdict = if fits { "fits the pack" } else { "does not fit the pack" };
    let mut text = format!(
        "{voltage_volt:.2} V at rest is {per_cell:.2} V for each of {cells} cells: {verdict}"
    );
    if !fits {
        text += &format!(" ({low} to {high} V); check cells in series, chemistry and wiring");
    }
    Some((fits, text))
}
