//! The file that is imported: a bench that empties a 12.8 V pack of 50 Ah at
//! about 10 A for five hours, ten rows a second, then stays dark for two, again
//! and again. Every value is a decimal as an instrument prints them.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use super::Failure;

/// Quantities a row: voltage, current, temperature, power, Ah given.
const QUANTITIES: usize = 5;
/// Rows of one discharge.
const ROWS: usize = 5 * 3600 * 10;
/// From the beginning of one to the beginning of the next, µs. The dark between
/// them is too long to be counted by a straight line.
const PERIOD_US: i64 = 7 * 3600 * 1_000_000;

/// What was written.
pub struct Written {
    /// By trapezoid over the rows of each discharge.
    pub discharged_ah: f64,
}

/// Pseudo-random steps.
struct Noise(u64);

impl Noise {
    /// 0 to `below` - 1.
    fn even(&mut self, below: u64) -> i64 {
        // Knuth's MMIX generator, The Art of Computer Programming, vol. 2, 3.3.4.
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) % below) as i64
    }

    /// About normal, with this standard deviation: a sum of twelve even steps.
    fn bell(&mut self, deviation: f64) -> i64 {
        let sum: i64 = (0..12).map(|_| self.even(1001)).sum();
        ((sum - 6000) as f64 / 1000.0 * deviation).round() as i64
    }
}

/// One row, in thousandths but for the time (µs) and the temperature (tenths).
struct Row {
    t_us: i64,
    millivolt: i64,
    milliampere: i64,
    tenth_degree: i64,
}

/// The `row`th row of a discharge that began at `begin_us`.
fn row(noise: &mut Noise, begin_us: i64, row: usize) -> Row {
    let share = row as f64 / ROWS as f64;
    // A flat middle and a knee, as lithium iron phosphate has them.
    let volt = 13.25 - 0.45 * share - 2.2 * share.powi(24);
    let stall = if noise.even(1000) == 0 { noise.even(20_000) } else { 0 };
    Row {
        t_us: begin_us + row as i64 * 100_000 + noise.bell(1200.0) + stall,
        millivolt: (volt * 1000.0) as i64 + noise.bell(2.0),
        milliampere: 10_000 + noise.bell(4.0),
        tenth_degree: 220 + (70.0 * share) as i64 + noise.even(2),
    }
}

/// Writes a file of so many readings.
pub fn write(path: &Path, readings: usize) -> Result<Written, Failure> {
    let mut out = BufWriter::with_capacity(1 << 20, File::create(path)?);
    writeln!(out, "time_s,voltage_V,current_A,temperature_degC,power_W,discharging_capacity_Ah")?;
    let rows = readings / QUANTITIES;
    let mut noise = Noise(1);
    // Charge given so far, in mA·µs: exact, in whole numbers but for the half.
    let mut given: i128 = 0;
    let mut before: Option<Row> = None;
    for n in 0..rows {
        if n % ROWS == 0 {
            before = None;
        }
        let begin_us = 10_000 + (n / ROWS) as i64 * PERIOD_US;
        let row = row(&mut noise, begin_us, n % ROWS);
        if let Some(before) = &before {
            let twice = i128::from(row.milliampere + before.milliampere);
            given += twice * i128::from(row.t_us - before.t_us);
        }
        put(&mut out, &row, given)?;
        before = Some(row);
    }
    out.flush()?;
    let discharged_ah = given as f64 / 2.0 / 1e9 / 3600.0;
    Ok(Written { discharged_ah })
}

fn put(out: &mut impl Write, row: &Row, given: i128) -> Result<(), Failure> {
    let milliwatt = (row.millivolt * row.milliampere + 500) / 1000;
    let milliampere_hour = given / 2 / 3_600_000_000;
    write!(out, "{}.{:06},", row.t_us / 1_000_000, row.t_us % 1_000_000)?;
    write!(out, "{}.{:03},", row.millivolt / 1000, row.millivolt % 1000)?;
    write!(out, "-{}.{:03},", row.milliampere / 1000, row.milliampere % 1000)?;
    write!(out, "{}.{},", row.tenth_degree / 10, row.tenth_degree % 10)?;
    write!(out, "-{}.{:03},", milliwatt / 1000, milliwatt % 1000)?;
    writeln!(out, "{}.{:03}", milliampere_hour / 1000, milliampere_hour % 1000)?;
    Ok(())
}
