//! Charges played in rows: constant current, a taper at the charge voltage, a
//! hold; then a rest and a load. Not every test file uses all of it.
#![allow(dead_code)]
#![allow(clippy::unwrap_used, reason = "a run that gives nothing fails the test")]

use ampledger_methods::evidence::FullEvidence;
use ampledger_methods::{Row, SessionAnalysis, Setting};
use ampledger_types::result::PhaseKind;

use crate::bench::row;

/// A charge, a rest and the beginning of a discharge, each as wanted.
#[derive(Clone)]
pub struct Script {
    pub interval: f64,
    pub bulk_ampere: f64,
    pub bulk_second: f64,
    pub charge_volt: f64,
    pub tau_second: f64,
    pub end_ampere: f64,
    pub hold_second: f64,
    pub rest_second: f64,
    pub rest_volt: f64,
    pub load_ampere: f64,
}

impl Script {
    pub fn gal_07() -> Script {
        Script {
            interval: 5.0,
            bulk_ampere: 12.0,
            bulk_second: 1800.0,
            charge_volt: 29.2,
            tau_second: 600.0,
            end_ampere: 1.9,
            hold_second: 400.0,
            rest_second: 3660.0,
            rest_volt: 27.2,
            load_ampere: -12.0,
        }
    }

    /// Lead-acid at its absorption voltage; `end_ampere` is where it floats to.
    pub fn tug_3() -> Script {
        Script {
            bulk_ampere: 16.0,
            charge_volt: 14.4,
            end_ampere: 1.5,
            hold_second: 3700.0,
            rest_second: 2.0 * 3600.0,
            rest_volt: 12.78,
            load_ampere: -8.0,
            ..Script::gal_07()
        }
    }

    pub fn rows(&self) -> Rows {
        let mut rows = Rows { rows: Vec::new(), second: 0.0, interval: self.interval };
        rows.hold(0.0, 26.0, 60.0);
        rows.hold(self.bulk_ampere, self.charge_volt - 1.0, self.bulk_second);
        let begin = rows.second;
        loop {
            let ampere = self.bulk_ampere * (-(rows.second - begin) / self.tau_second).exp();
            if ampere <= self.end_ampere {
                break;
            }
            rows.hold(ampere, self.charge_volt, self.interval);
        }
        rows.hold(self.end_ampere, self.charge_volt, self.hold_second);
        rows
    }

    pub fn evidence(&self, setting: &Setting) -> FullEvidence {
        let mut rows = self.rows();
        self.rest_and_load(&mut rows);
        rows.evidence(setting)
    }

    pub fn rest_and_load(&self, rows: &mut Rows) {
        rows.hold(0.0, self.rest_volt, self.rest_second);
        rows.hold(self.load_ampere, self.rest_volt - 0.5, 120.0);
    }
}

pub struct Rows {
    pub rows: Vec<Row>,
    pub second: f64,
    pub interval: f64,
}

impl Rows {
    pub fn hold(&mut self, ampere: f64, volt: f64, second: f64) {
        for _ in 0..(second / self.interval).round() as usize {
            self.rows.push(row(self.second, ampere, volt));
            self.second += self.interval;
        }
    }

    pub fn analyse(&self, setting: &Setting) -> SessionAnalysis {
        let mut analysis = SessionAnalysis::new(setting.clone());
        self.rows.iter().for_each(|row| analysis.push(row));
        analysis
    }

    pub fn evidence(&self, setting: &Setting) -> FullEvidence {
        of_last_discharge(&self.analyse(setting))
    }
}

/// What is known for the last discharge.
pub fn of_last_discharge(analysis: &SessionAnalysis) -> FullEvidence {
    let found = analysis.snapshot(None, true);
    let last = found.phases.iter().rfind(|p| p.kind == PhaseKind::Discharge);
    last.and_then(|p| p.full.clone()).unwrap()
}
