//! A run of GAL-07 that proves its capacity: charged full, rested, emptied at
//! −12 A to its cut-off, once a second. Tests spoil it in one way each.

use ampledger_methods::standing::{Doubt, DoubtKind, Judged, Of, judge};
use ampledger_methods::{Analysis, Row, SessionAnalysis, Setting};

use super::{gal_07, row};

/// Where the load comes on, s.
pub const LOAD_ON: usize = 6000;
/// For how long it stays on, s.
pub const LOADED: usize = 2400;
/// Its current, A.
pub const LOAD: f64 = -12.0;

/// GAL-07 with a meter of stated accuracy.
pub fn stated() -> Setting {
    Setting {
        charge_voltage_volt: Some(29.2),
        current_gain_percent: Some(0.25),
        current_offset: Some(0.01),
        current_resolution: Some(0.001),
        voltage_gain_percent: Some(0.05),
        voltage_offset: Some(0.002),
        voltage_resolution: Some(0.001),
        reading_is_average: Some(true),
        ..gal_07()
    }
}

/// What flows at a second, A.
pub fn current(second: usize) -> f64 {
    match second {
        0..60 => 0.0,
        60..1860 => 12.0,
        1860..3600 => 12.0 * (-((second - 1860) as f64) / 600.0).exp(),
        3600..LOAD_ON => 0.0,
        _ if second < LOAD_ON + LOADED => LOAD,
        _ => 0.0,
    }
}

/// The voltage at a second, V: a slope, and a knee in the last 200 s.
pub fn voltage(second: usize) -> f64 {
    let loaded = second.saturating_sub(LOAD_ON) as f64;
    let knee = (loaded - (LOADED as f64 - 200.0)).max(0.0) / 200.0;
    match second {
        0..60 => 26.4,
        60..1860 => 27.5 + 5e-4 * second as f64,
        1860..3600 => 29.2,
        3600..LOAD_ON => 27.2,
        _ if second < LOAD_ON + LOADED => 26.2 - 2e-4 * loaded - 5.9 * knee * knee,
        _ => 24.0,
    }
}

/// The whole run with two minutes of rest after it.
pub fn rows() -> Vec<Row> {
    let all = 0..LOAD_ON + LOADED + 120;
    all.map(|second| row(second as f64, current(second), voltage(second))).collect()
}

/// What the pack gave, Ah: the load's current over its time.
pub fn truth_ah() -> f64 {
    -LOAD * LOADED as f64 / 3600.0
}

pub fn analyse(rows: &[Row], setting: &Setting) -> Analysis {
    let mut analysis = SessionAnalysis::new(setting.clone());
    rows.iter().for_each(|row| analysis.push(row));
    analysis.snapshot(None, true)
}

pub fn judged(rows: &[Row], setting: &Setting) -> Judged {
    judge(&analyse(rows, setting), Of::Charge, setting)
}

/// Whether there is a doubt of a kind that says so.
pub fn doubts(judged: &Judged, kind: DoubtKind, says: &str) -> bool {
    let fits = |d: &Doubt| d.kind == kind && d.text.contains(says);
    judged.doubts.iter().any(fits)
}

/// A pseudo-random step from -0.5 to 0.5.
pub struct Noise(pub u64);

impl Noise {
    pub fn even(&mut self) -> f64 {
        // Knuth's MMIX generator, The Art of Computer Programming, vol. 2, 3.3.4.
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as f64 / f64::from(1_u32 << 31) - 0.5
    }

    /// About normal, of deviation 1: a sum of twelve even steps.
    pub fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum()
    }
}
