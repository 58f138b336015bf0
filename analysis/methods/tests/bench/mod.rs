//! A synthetic bench: pack GAL-07 (24 V, 8-series lithium iron phosphate,
//! 60 Ah) read once a second, played from a script of loads. Not every test
//! file uses all of it.
#![allow(dead_code)]

pub mod proven;

use ampledger_methods::{Analysis, FoundPhase, Row, SessionAnalysis, Setting};
use ampledger_types::Chemistry;
use ampledger_types::result::{AnomalyKind, PhaseKind};

/// What is configured for GAL-07.
pub fn gal_07() -> Setting {
    Setting {
        rated_ah: Some(60.0),
        cutoff_voltage_volt: Some(20.0),
        chemistry: Some(Chemistry::LithiumIronPhosphate),
        cells_in_series: Some(8),
        maximum_current_ampere: Some(60.0),
        ..Setting::default()
    }
}

/// Second, current, voltage.
pub fn row(second: f64, current: f64, voltage: f64) -> Row {
    Row {
        t_us: (second * 1e6).round() as i64,
        current_ampere: Some(current),
        voltage_volt: Some(voltage),
        ..Row::default()
    }
}

/// Plays loads on a pack and keeps the rows.
pub struct Bench {
    pub rows: Vec<Row>,
    pub second: f64,
    pub interval: f64,
    pub given_ah: f64,
    noise: u32,
}

impl Bench {
    /// A full pack that has given nothing yet, rows every second.
    pub fn full() -> Self {
        Bench { rows: Vec::new(), second: 0.0, interval: 1.0, given_ah: 0.0, noise: 1 }
    }

    /// Open-circuit voltage of 8 cells: a flat curve with a steep end. Shape
    /// only, common practice, no source.
    fn open_volt(&self) -> f64 {
        let left = (1.0 - self.given_ah / 60.0).clamp(-0.2, 1.0);
        8.0 * (3.25 + 0.08 * left + 0.05 * (left - 0.98).max(0.0) / 0.02
            - 0.9 * ((0.05 - left) / 0.05).max(0.0).powi(2))
    }

    fn noise(&mut self) -> f64 {
        self.noise = self.noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        f64::from(self.noise >> 16) / 65_536.0 * 0.004 - 0.002
    }

    /// One row with this current and voltage.
    pub fn read(&mut self, current: f64, voltage: f64) -> &mut Self {
        self.rows.push(row(self.second, current, voltage));
        self.second += self.interval;
        self
    }

    /// Loaded with `current` for `seconds`; 20 mΩ between pack and meter.
    pub fn run(&mut self, current: f64, seconds: f64) -> &mut Self {
        for _ in 0..(seconds / self.interval).round() as usize {
            let voltage = self.open_volt() + 0.02 * current + self.noise();
            self.read(current, voltage);
            self.given_ah -= current * self.interval / 3600.0;
        }
        self
    }

    /// Nothing is heard for a time in which this current flows.
    pub fn dark(&mut self, current: f64, seconds: f64) -> &mut Self {
        self.given_ah -= current * seconds / 3600.0;
        self.second += seconds;
        self
    }

    pub fn analyse(&self, setting: Setting) -> SessionAnalysis {
        let mut analysis = SessionAnalysis::new(setting);
        self.rows.iter().for_each(|row| analysis.push(row));
        analysis
    }

    /// The findings with the session stopped at the last row.
    pub fn stopped(&self, setting: Setting) -> Analysis {
        self.analyse(setting).snapshot(None, true)
    }
}

pub fn kinds(analysis: &Analysis) -> Vec<PhaseKind> {
    analysis.phases.iter().map(|p| p.kind).collect()
}

pub fn count(analysis: &Analysis, kind: AnomalyKind) -> u64 {
    analysis.anomalies.iter().find(|a| a.kind == kind).map_or(0, |a| a.count)
}

pub fn main_discharge(analysis: &Analysis) -> &FoundPhase {
    let place = analysis.main_discharge.unwrap_or_else(|| panic!("no main discharge"));
    &analysis.phases[place]
}

pub fn near(a: f64, b: f64, relative: f64) -> bool {
    (a - b).abs() <= relative * b.abs().max(1e-9)
}
