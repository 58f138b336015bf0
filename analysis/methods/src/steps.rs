//! Finds steps of the load as rows come and reads the resistance at each delay.
//! Holds one step at a time; what a step must be is in the rules.

use crate::budget::of_difference;
use crate::feed::{Interval, Silence, seconds_between};
use crate::resistance::{FoundStep, StepRead, of_ratio};
use crate::rules::{Rules, Setting};
use crate::window::LoadWindow;

/// Steps kept.
const KEPT: usize = 100;
/// A step may take so many rows.
const ROWS: u32 = 2;

/// A step that is being read.
#[derive(Clone, Debug)]
struct Open {
    step: FoundStep,
    interval_second: f64,
    rows: u32,
    delays: [f64; 3],
    at: usize,
}

/// Finds and reads.
#[derive(Clone, Debug)]
pub(crate) struct StepWatch {
    least_ampere: Option<f64>,
    skew_us: i64,
    before_us: i64,
    settled: f64,
    /// Nothing before this moment counts.
    broken_us: i64,
    open: Option<Open>,
    found: Vec<FoundStep>,
}

impl StepWatch {
    pub(crate) fn new(setting: &Setting) -> StepWatch {
        let rules = &setting.rules;
        let rated = setting.rated_ah.filter(|c| *c > 0.0);
        StepWatch {
            least_ampere: rated.map(|c| c / rules.step_divisor_hour),
            skew_us: (rules.step_skew_second * 1e6) as i64,
            before_us: (rules.step_before_second * 1e6) as i64,
            settled: rules.step_settled_percent / 100.0,
            broken_us: i64::MIN,
            open: None,
            found: Vec::new(),
        }
    }

    /// The steps read so far, the one being read as far as it is.
    pub(crate) fn found(&self) -> Vec<FoundStep> {
        let open = self.open.as_ref().map(|o| &o.step).filter(|s| !s.read.is_empty());
        self.found.iter().chain(open).take(KEPT).cloned().collect()
    }

    /// Nothing before this moment counts.
    pub(crate) fn break_off(&mut self, t_us: i64) {
        self.close();
        self.broken_us = t_us;
    }

    /// `window`: the readings of the last seconds.
    pub(crate) fn interval(&mut self, interval: &Interval, window: &LoadWindow, setting: &Setting) {
        let Some(least) = self.least_ampere else { return };
        if interval.silence != Silence::None {
            self.break_off(interval.to.t_us);
        }
        let (from, to) = (&interval.from, &interval.to);
        let change = to.reading.current_ampere - from.reading.current_ampere;
        if self.open.is_some() {
            self.go_on(interval, setting);
        }
        if change.abs() >= least && self.open.is_none() && interval.silence == Silence::None {
            self.begin(interval, window, setting);
        }
    }

    fn begin(&mut self, interval: &Interval, window: &LoadWindow, setting: &Setting) {
        let (from, to) = (&interval.from, &interval.to);
        if self.found.len() >= KEPT {
            return;
        }
        let Some((from_ampere, from_volt)) = self.settled_before(interval, window) else { return };
        let rules = &setting.rules;
        let delays = [rules.step_short_second, rules.step_middle_second, rules.step_long_second];
        let step = FoundStep {
            t_us: from.t_us,
            from_ampere,
            to_ampere: to.reading.current_ampere,
            from_volt,
            read: Vec::new(),
            lacking: Vec::new(),
        };
        self.open = Some(Open { step, interval_second: interval.seconds, rows: 1, delays, at: 0 });
    }

    /// Means before a step, where the current had settled and each voltage is
    /// of its current's moment.
    fn settled_before(&self, interval: &Interval, window: &LoadWindow) -> Option<(f64, f64)> {
        let (from, to) = (&interval.from, &interval.to);
        let begin_us = from.t_us.saturating_sub(self.before_us);
        let begin_us = begin_us.max(self.broken_us);
        let points = window.between(begin_us, from.t_us);
        let (mut n, mut amperes, mut volts) = (0.0, 0.0, 0.0);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for point in points {
            let volt = point.reading.voltage_volt.filter(|_| point.skew_us <= self.skew_us)?;
            let ampere = point.reading.current_ampere;
            (n, amperes, volts) = (n + 1.0, amperes + ampere, volts + volt);
            (low, high) = (low.min(ampere), high.max(ampere));
        }
        let change = (to.reading.current_ampere - from.reading.current_ampere).abs();
        (n > 0.0 && high - low <= self.settled * change).then(|| (amperes / n, volts / n))
    }

    fn go_on(&mut self, interval: &Interval, setting: &Setting) {
        let Some(open) = &mut self.open else { return };
        let (from, to) = (&interval.from.reading, &interval.to.reading);
        let height = (open.step.to_ampere - open.step.from_ampere).abs();
        if (to.current_ampere - open.step.to_ampere).abs() > self.settled * height {
            let went_on = (to.current_ampere - from.current_ampere)
                * (open.step.to_ampere - open.step.from_ampere)
                > 0.0;
            if open.rows < ROWS && went_on {
                open.step.to_ampere = to.current_ampere;
                open.interval_second += interval.seconds;
                open.rows += 1;
                return;
            }
            open.step.lacking.push("the load changed again".to_owned());
            self.close();
            return;
        }
        open.rows = ROWS;
        let is_done = open.read(interval, setting, self.skew_us);
        if is_done {
            self.close();
        }
    }

    fn close(&mut self) {
        if let Some(open) = self.open.take()
            && !open.step.read.is_empty()
        {
            self.found.push(open.step);
        }
    }
}

impl Open {
    /// Reads what falls into the interval; says whether it was the last.
    fn read(&mut self, interval: &Interval, setting: &Setting, skew_us: i64) -> bool {
        let (from, to) = (&interval.from, &interval.to);
        let to_second = seconds_between(self.step.t_us, to.t_us);
        while let Some(delay_second) = self.delays.get(self.at).copied() {
            if to_second < delay_second {
                return false;
            }
            self.at += 1;
            let before = seconds_between(self.step.t_us, from.t_us);
            let share = ((delay_second - before) / interval.seconds).clamp(0.0, 1.0);
            let there = from.reading.towards(&to.reading, share);
            let is_of_one_moment = from.skew_us.max(to.skew_us) <= skew_us;
            // A reading at just that moment needs no line to the next.
            let is_on_a_reading = !(1e-9..=1.0 - 1e-9).contains(&share);
            let between = if is_on_a_reading { 0.0 } else { interval.seconds };
            let slowest = between.max(self.interval_second);
            let volt = there.voltage_volt.filter(|_| is_of_one_moment);
            match self.judge(delay_second, (there.current_ampere, volt), slowest, setting) {
                Ok(read) => self.step.read.push(read),
                Err(why) => self.step.lacking.push(format!("at {delay_second} s: {why}")),
            }
        }
        true
    }

    fn judge(
        &self,
        delay_second: f64,
        (ampere, volt): (f64, Option<f64>),
        slowest_second: f64,
        setting: &Setting,
    ) -> Result<StepRead, String> {
        let rules = &setting.rules;
        if slowest_second > rules.step_interval_share * delay_second {
            return Err(format!("rows every {slowest_second:.1} s are too slow for it"));
        }
        let volt = volt.ok_or("voltage and current are not of one moment")?;
        let (fell, rose) = (self.step.from_volt - volt, self.step.from_ampere - ampere);
        enough(fell, rules, setting)?;
        let ohm = fell / rose;
        if !(ohm > 0.0 && ohm.is_finite()) {
            return Err("the voltage moved the wrong way".to_owned());
        }
        Ok(StepRead {
            delay_second,
            interval_second: self.interval_second,
            ampere,
            volt,
            ohm,
            standard_ohm: standard(ohm, fell, rose, setting),
        })
    }
}

fn enough(fell: f64, rules: &Rules, setting: &Setting) -> Result<(), String> {
    let step = setting.voltage_resolution.unwrap_or(0.0);
    let least = rules.step_resolution_steps * step;
    match fell.abs() >= least {
        true => Ok(()),
        false => Err(format!("the voltage moved by {:.3} V, less than {least:.3} V", fell.abs())),
    }
}

/// Gains and resolutions of both channels; offsets cancel in the differences.
fn standard(ohm: f64, fell: f64, rose: f64, setting: &Setting) -> Option<f64> {
    let (of_volt, of_ampere) = setting.voltage_gain_percent.zip(setting.current_gain_percent)?;
    let volt = of_difference(fell, of_volt, setting.voltage_resolution?);
    let ampere = of_difference(rose, of_ampere, setting.current_resolution?);
    Some(of_ratio(ohm, rose.abs(), (volt, ampere)))
}
