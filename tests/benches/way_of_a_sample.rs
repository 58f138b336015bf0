//! The way of a sample, timed: decoded, recorded, read back, each beside a
//! bare loop that only inserts the same numbers with a prepared statement.
//! Machines differ, so the ratio to that loop in the same run is what counts.
//!
//! `cargo bench -p ampledger-tests`

use std::hint::black_box;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use ampledger_decoders::{DecoderConfig, Driver, Input, Output, builtin, config::FieldConfig};
use ampledger_store::{Batch, NewRun, NumberedSample, Range, Reader, Store};
use ampledger_types::{Bound, DecodeSet, Quantity, RunId, Sample};
use rustix::time::{ClockId, clock_gettime};

type Failure = Box<dyn std::error::Error>;

/// Samples a round.
const SAMPLES: usize = 100_000;
/// Samples a commit: a second's worth of four sources at 50 Hz.
const A_SECOND: usize = 200;
/// Rounds, all four parts in each.
const ROUNDS: usize = 7;

const PARTS: [&str; 4] = ["bare insert", "decode", "record", "read back"];

fn main() -> Result<(), Failure> {
    let lines = lines();
    let all = tempfile::tempdir()?;
    let mut rounds = Vec::new();
    for round in 0..ROUNDS {
        let dir = all.path().join(round.to_string());
        std::fs::create_dir(&dir)?;
        let (bare, ()) = timed(|| bare_insert(&dir.join("bare.db"), &lines))?;
        let (decoded, samples) = timed(|| decode(&lines))?;
        let given = samples.clone();
        let (recorded, ()) = timed(|| record(&dir.join("store.db"), given))?;
        let (read, found) = timed(|| read_back(&dir.join("store.db")))?;
        if found != samples {
            return Err("what was read back is not what was recorded".into());
        }
        rounds.push([bare, decoded, recorded, read]);
    }
    print(&rounds);
    Ok(())
}

/// What one part of one round took.
#[derive(Clone, Copy)]
struct Took {
    wall: Duration,
    /// Of the whole process.
    cpu: Duration,
}

fn timed<T>(part: impl FnOnce() -> Result<T, Failure>) -> Result<(Took, T), Failure> {
    let (wall, cpu) = (Instant::now(), cpu_time()?);
    let made = black_box(part()?);
    Ok((Took { wall: wall.elapsed(), cpu: cpu_time()?.saturating_sub(cpu) }, made))
}

fn cpu_time() -> Result<Duration, Failure> {
    Ok(Duration::try_from(clock_gettime(ClockId::ProcessCPUTime))?)
}

/// A line a sample as `bench-shunt` prints them: voltage, current, temperature.
fn lines() -> Vec<String> {
    let mut state = 1u64;
    let mut noise = |steps: u64| {
        // Knuth's MMIX generator, The Art of Computer Programming, vol. 2, 3.3.4.
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % steps
    };
    let line = |n| {
        let voltage = 26_800 - n / 50 + noise(5);
        let (current, temperature) = (12_100 + noise(9), 220 + noise(2));
        format!(
            "{}.{:03},-{}.{:03},{}.{}\n",
            voltage / 1000,
            voltage % 1000,
            current / 1000,
            current % 1000,
            temperature / 10,
            temperature % 10
        )
    };
    (0..SAMPLES as u64).map(line).collect()
}

fn t_us(n: usize) -> i64 {
    n as i64 * 20_000
}

/// The peer: plain columns, the same journal and synchronisation, as many rows
/// a transaction. The numbers are parsed beforehand.
fn bare_insert(path: &Path, lines: &[String]) -> Result<(), Failure> {
    let db = rusqlite::Connection::open(path)?;
    db.pragma_update(None, "journal_mode", "WAL")?;
    db.pragma_update(None, "synchronous", "FULL")?;
    db.execute_batch("CREATE TABLE sample (seq INTEGER PRIMARY KEY, t_us, u, i, t)")?;
    let values = [26.4, -12.1, 22.0];
    let mut seq = 0;
    for second in lines.chunks(A_SECOND) {
        db.execute_batch("BEGIN")?;
        let mut insert = db.prepare_cached("INSERT INTO sample VALUES (?1, ?2, ?3, ?4, ?5)")?;
        for _ in second {
            seq += 1;
            insert.execute((seq as i64, t_us(seq), values[0], values[1], values[2]))?;
        }
        db.execute_batch("COMMIT")?;
    }
    Ok(())
}

/// Line by line, as from a serial line, with the frame log's entries made.
fn decode(lines: &[String]) -> Result<Vec<Sample>, Failure> {
    let mut config = DecoderConfig::default();
    config.options.insert("columns".to_owned(), serde_json::json!(["U", "I", "T"]));
    let quantities = [Quantity::Voltage, Quantity::Current, Quantity::SurfaceTemperature];
    for (name, quantity) in ["U", "I", "T"].into_iter().zip(quantities) {
        config.fields.insert(name.to_owned(), FieldConfig::of(quantity));
    }
    let decoder = builtin::find("text-lines").ok_or("there is no decoder text-lines")?;
    let mut driver = Driver::new((decoder.build)(&config)?);
    let mut samples = Vec::with_capacity(lines.len());
    driver.give(0, Input::Opened { record: true });
    for (n, line) in lines.iter().enumerate() {
        let input = Input::Received { endpoint: 0, bytes: line.as_bytes() };
        let (frame, outputs) = driver.give(t_us(n), input);
        black_box(frame);
        samples.extend(outputs.filter_map(|output| match output {
            Output::Sample(sample) => Some(sample),
            _ => None,
        }));
    }
    if samples.len() != lines.len() {
        return Err(format!("{} samples from {} lines", samples.len(), lines.len()).into());
    }
    Ok(samples)
}

fn record(path: &Path, samples: Vec<Sample>) -> Result<(), Failure> {
    let mut store = Store::open(path)?;
    let run = store.begin_run(&NewRun {
        boot_id: "bench".to_owned(),
        started_t_us: 0,
        clock_rate: 1.0,
        recorded_by: "bench".to_owned(),
        replay_of: None,
    })?;
    let decode_set = Arc::new(DecodeSet {
        source: "bench-shunt".to_owned(),
        decoder: "text-lines".to_owned(),
        decoder_version: String::new(),
        config_digest: String::new(),
        identity: None,
    });
    let mut numbered = (1..).zip(samples).map(|(seq, sample)| NumberedSample {
        seq,
        run: run.id,
        decode_set: decode_set.clone(),
        sample,
    });
    loop {
        let samples: Vec<_> = numbered.by_ref().take(A_SECOND).collect();
        if samples.is_empty() {
            return Ok(());
        }
        store.append(&Batch { samples, ..Batch::default() })?;
    }
}

fn read_back(path: &Path) -> Result<Vec<Sample>, Failure> {
    let reader = Reader::open(path)?;
    let range = Range {
        sources: vec!["bench-shunt".to_owned()],
        from: Bound { run: RunId(1), t_us: 0 },
        to: None,
        up_to: None,
    };
    let mut samples = Vec::with_capacity(SAMPLES);
    reader.samples(&range, |found| {
        samples.push(found.sample);
        ControlFlow::Continue(())
    })?;
    Ok(samples)
}

fn print(rounds: &[[Took; 4]]) {
    println!("{SAMPLES} samples of 3 readings, {A_SECOND} a commit, medians of {ROUNDS} rounds");
    println!(
        "{:<12} {:>15} {:>12} {:>22}",
        "", "samples/CPU s", "samples/s", "CPU, times bare insert"
    );
    for (part, name) in PARTS.iter().enumerate() {
        let rate = |time: fn(&Took) -> Duration| {
            median(rounds.iter().map(|r| SAMPLES as f64 / time(&r[part]).as_secs_f64()))
        };
        let ratios = rounds.iter().map(|r| r[0].cpu.as_secs_f64() / r[part].cpu.as_secs_f64());
        println!(
            "{name:<12} {:>15.0} {:>12.0} {:>22.2}",
            rate(|t| t.cpu),
            rate(|t| t.wall),
            median(ratios)
        );
    }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}
