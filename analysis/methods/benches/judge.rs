//! A session judged from memory: 5 h at 10 Hz, five quantities, 0.9 million
//! readings. Beside it a bare sum over the same slice in the same run, because
//! machines differ and the ratio is what counts.
//!
//! `cargo bench -p ampledger-methods`

#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_macros,
    reason = "a benchmark reads the clock and prints"
)]

use std::hint::black_box;
use std::time::{Duration, Instant};

use ampledger_methods::counters::Counters;
use ampledger_methods::{Row, SessionAnalysis, Setting};
use ampledger_types::Chemistry;

/// Rows of the session: 5 h at 10 Hz.
const ROWS: usize = 5 * 3600 * 10;
/// Quantities a row: current, voltage, power, Ah, Wh.
const QUANTITIES: usize = 5;
const ROUNDS: usize = 15;

fn main() {
    let rows = rows(ROWS);
    let (judged, given_ah) = fastest(|| judge(&rows));
    let (summed, bare_ah) = fastest(|| bare_sum(&rows));
    assert!((given_ah - bare_ah).abs() < 1e-6 * bare_ah, "{given_ah} Ah, the sum says {bare_ah}");
    let (half, _) = fastest(|| judge(&rows[..ROWS / 2]));
    let readings = (ROWS * QUANTITIES) as f64;
    println!("{readings} readings in {ROWS} rows, the fastest of {ROUNDS} rounds");
    line("judged", judged);
    line("bare sum", summed);
    println!("ratio to the bare sum      {:.1}", judged.as_secs_f64() / summed.as_secs_f64());
    println!("whole to its first half    {:.2}", judged.as_secs_f64() / half.as_secs_f64());
    println!("bytes a row                {}", size_of::<Row>());
}

fn line(name: &str, took: Duration) {
    let per_second = ROWS as f64 / took.as_secs_f64();
    println!("{name:<18} {:>8.2} ms  {per_second:>12.0} rows/s", took.as_secs_f64() * 1e3);
}

fn fastest(work: impl Fn() -> f64) -> (Duration, f64) {
    let mut best = (Duration::MAX, 0.0);
    for _ in 0..ROUNDS {
        let start = Instant::now();
        let result = black_box(work());
        let took = start.elapsed();
        if took < best.0 {
            best = (took, result);
        }
    }
    best
}

fn judge(rows: &[Row]) -> f64 {
    let mut analysis = SessionAnalysis::new(setting());
    rows.iter().for_each(|row| analysis.push(row));
    analysis.snapshot(None, true).totals.discharged_ah
}

/// The trapezoid and nothing else.
fn bare_sum(rows: &[Row]) -> f64 {
    let mut sum = 0.0;
    for pair in rows.windows(2) {
        let seconds = (pair[1].t_us - pair[0].t_us) as f64 / 1e6;
        let (from, to) = (pair[0].current_ampere, pair[1].current_ampere);
        sum -= (from.unwrap_or(0.0) + to.unwrap_or(0.0)) / 2.0 * seconds;
    }
    sum / 3600.0
}

fn setting() -> Setting {
    Setting {
        rated_ah: Some(60.0),
        cutoff_voltage_volt: Some(20.0),
        chemistry: Some(Chemistry::LithiumIronPhosphate),
        cells_in_series: Some(8),
        maximum_current_ampere: Some(60.0),
        ..Setting::default()
    }
}

/// GAL-07 at about −12 A with noise and jitter.
fn rows(count: usize) -> Vec<Row> {
    let mut state = 1_u64;
    let mut noise = || {
        // Knuth's MMIX generator, The Art of Computer Programming, vol. 2, 3.3.4.
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / f64::from(1_u32 << 31) - 0.5
    };
    let mut given_ah = 0.0;
    let row = |n| {
        let share = n as f64 / count as f64;
        let current = -12.0 + 0.02 * noise();
        let voltage = 26.4 - 1.2 * share - 4.0 * share.powi(24) + 0.004 * noise();
        given_ah -= current / 36_000.0;
        Row {
            t_us: n as i64 * 100_000 + (noise() * 2000.0) as i64,
            current_ampere: Some(current),
            voltage_volt: Some(voltage),
            power_watt: Some(voltage * current),
            counters: Counters { ah: Some(given_ah), wh: Some(given_ah * 26.0) },
            ..Row::default()
        }
    };
    (0..count).map(row).collect()
}
