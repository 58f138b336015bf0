//! What a process of its own costs a decoder: the same plugin, the example in C,
//! called in this process and in a host, frame by frame and in batches; then both
//! ways as the daemon goes them, at 10 000 frames a second. All in one run,
//! because machines differ.
//!
//! `cargo bench -p ampledger-tests --bench plugin_boundary`

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use ampledger_boundary::{Launch, Process};
use ampledger_decoders::config::{FieldConfig, Sign};
use ampledger_decoders::{DecoderConfig, Driver, Input};
use ampledger_host::adapter::Adapter;
use ampledger_host::library::Library;
use ampledger_types::{Frame, FrameKind, Quantity};

// Shared with the tests, which may panic.
#[allow(clippy::expect_used)]
#[path = "../util/binaries.rs"]
mod binaries;
#[path = "plugin_boundary/daemon.rs"]
mod daemon;

type Failure = Box<dyn std::error::Error>;

/// Frames a round.
const FRAMES: usize = 20_000;
/// Rounds, all ways in each.
const ROUNDS: usize = 5;
/// Inputs a batch.
const BATCHES: [usize; 4] = [1, 10, 64, 256];
/// Frames a second, as they come from a fast instrument.
const A_SECOND: u64 = 10_000;
/// How often they are handed over then, milliseconds.
const TICKS_MS: [u64; 2] = [1, 10];

fn main() -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    let library = build(folder.path())?;
    let frames = frames();
    let launch = Launch {
        host: binaries::binary("ampledger-host"),
        file: library.clone(),
        config: config(),
        memory_bytes: 256 << 20,
        reply_limit: Duration::from_secs(5),
        called_off: Arc::default(),
    };
    let mut here = here(&library)?;
    let (mut there, described) = Process::start(&launch).map_err(|fault| fault.text)?;
    println!(
        "{} {}, {FRAMES} frames of 6 bytes, medians of {ROUNDS} rounds",
        described.name, described.version
    );
    let mut rounds = Vec::new();
    for _ in 0..ROUNDS {
        rounds.push(round(&mut here, &mut there, &frames)?);
    }
    print(&rounds);
    daemon::compare(folder.path(), &library, &frames)
}

/// What one frame cost, microseconds.
#[derive(Clone, Copy)]
struct Cost {
    median: f64,
    p99: f64,
    cpu: f64,
}

/// The example, built by its own Makefile.
fn build(folder: &Path) -> Result<PathBuf, Failure> {
    let example = binaries::root().join("decoders/examples/c");
    for name in ["Makefile", "yard_shunt.c"] {
        std::fs::copy(example.join(name), folder.join(name))?;
    }
    let include = format!("INCLUDE={}", binaries::root().join("decoders/include").display());
    let made = Command::new("make").arg("-s").arg("-C").arg(folder).arg(include).status()?;
    if !made.success() {
        return Err("the example cannot be built".into());
    }
    Ok(folder.join("yard_shunt.so"))
}

fn config() -> DecoderConfig {
    let mut config = DecoderConfig::default();
    let current =
        FieldConfig { sign: Sign::DischargingPositive, ..FieldConfig::of(Quantity::Current) };
    config.fields.insert("U".to_owned(), FieldConfig::of(Quantity::Voltage));
    config.fields.insert("I".to_owned(), current);
    config
}

/// 24 to 26 V at 12.1 A, a frame an input.
fn frames() -> Vec<Frame> {
    let frame = |n: usize| {
        let volt = (2400 + n % 200) as i16;
        let mut payload = vec![0xA5];
        payload.extend(volt.to_le_bytes().into_iter().chain(1210i16.to_le_bytes()));
        payload.push(payload.iter().fold(0u8, |sum, byte| sum.wrapping_add(*byte)));
        let t_us = n as i64 * (1_000_000 / A_SECOND as i64);
        Frame { number: n as u64 + 1, t_us, kind: FrameKind::Received, endpoint: 0, payload }
    };
    (0..FRAMES).map(frame).collect()
}

/// The plugin in this process, which only a measurement may do.
fn here(library: &Path) -> Result<Driver, Failure> {
    let library = Library::load(library)?;
    let adapter = Adapter::open(&library, &config());
    let adapter = adapter.map_err(|problems| format!("{problems:?}"))?;
    Ok(Driver::new(Box::new(adapter)))
}

fn called(driver: &mut Driver, frames: &[Frame]) -> Result<Cost, Failure> {
    let (mut spent, mut samples) = (Vec::with_capacity(frames.len()), 0);
    let began = cpu(std::process::id())?;
    for frame in frames {
        let at = Instant::now();
        samples += call(driver, frame);
        spent.push(at.elapsed());
    }
    let cpu = cpu(std::process::id())? - began;
    cost(spent, cpu, (samples, frames.len()))
}

/// Batch after batch, as fast as they go.
fn exchanged(there: &mut Process, frames: &[Frame], size: usize) -> Result<Cost, Failure> {
    let (mut spent, mut samples) = (Vec::new(), 0);
    let began = cpu(std::process::id())? + cpu(there.id())?;
    for batch in frames.chunks(size) {
        let at = Instant::now();
        let reply = there.exchange(batch.iter()).map_err(|fault| fault.text)?;
        spent.push(at.elapsed() / batch.len() as u32);
        samples += reply.outputs.len();
    }
    let cpu = cpu(std::process::id())? + cpu(there.id())? - began;
    cost(spent, cpu, (samples, frames.len()))
}

/// As they come: what has come within a tick goes as one batch.
fn paced(
    frames: &[Frame],
    tick_ms: u64,
    mut give: impl FnMut(&[Frame]) -> Result<usize, Failure>,
    cpu: impl Fn() -> Result<Duration, Failure>,
) -> Result<Cost, Failure> {
    let (mut spent, mut samples, mut given) = (Vec::new(), 0, 0);
    let (began, start) = (cpu()?, Instant::now());
    while given < frames.len() {
        std::thread::sleep(Duration::from_millis(tick_ms));
        let due = (start.elapsed().as_secs_f64() * A_SECOND as f64) as usize;
        let due = due.min(frames.len()).min(given + 256);
        let batch = &frames[given..due];
        if batch.is_empty() {
            continue;
        }
        let at = Instant::now();
        samples += give(batch)?;
        spent.push(at.elapsed() / batch.len() as u32);
        given = due;
    }
    cost(spent, cpu()? - began, (samples, frames.len()))
}

/// All ways once: each beside the same in this process.
type Round = Vec<(String, Cost, Cost)>;

fn round(here: &mut Driver, there: &mut Process, frames: &[Frame]) -> Result<Round, Failure> {
    let base = called(here, frames)?;
    let mut round = Round::new();
    for size in BATCHES {
        round.push((format!("{size} a batch"), base, exchanged(there, frames, size)?));
    }
    for tick_ms in TICKS_MS {
        let own = || cpu(std::process::id());
        let give = |batch: &[Frame]| Ok(batch.iter().map(|frame| call(here, frame)).sum());
        let base = paced(frames, tick_ms, give, own)?;
        let id = there.id();
        let both = || Ok(cpu(std::process::id())? + cpu(id)?);
        let give = |batch: &[Frame]| {
            let reply = there.exchange(batch.iter()).map_err(|fault| fault.text)?;
            Ok(reply.outputs.len())
        };
        let name = format!("{A_SECOND} a second, each {tick_ms} ms");
        round.push((name, base, paced(frames, tick_ms, give, both)?));
    }
    Ok(round)
}

fn call(here: &mut Driver, frame: &Frame) -> usize {
    let input = Input::Received { endpoint: 0, bytes: &frame.payload };
    here.give(frame.t_us, input).1.count()
}

fn cost(spent: Vec<Duration>, cpu: Duration, got: (usize, usize)) -> Result<Cost, Failure> {
    if got.0 != got.1 {
        return Err(format!("{} samples of {} frames", got.0, got.1).into());
    }
    let mut sorted: Vec<f64> = spent.iter().map(|d| d.as_nanos() as f64 / 1000.0).collect();
    sorted.sort_by(f64::total_cmp);
    let at = |part: f64| sorted[((sorted.len() - 1) as f64 * part) as usize];
    Ok(Cost { median: at(0.5), p99: at(0.99), cpu: cpu.as_secs_f64() * 1e6 / got.1 as f64 })
}

/// Time on a processor, of a whole process, from the kernel: the first number
/// of each thread's `schedstat` (Documentation/scheduler/sched-stats.rst).
fn cpu(process: u32) -> Result<Duration, Failure> {
    let mut total = 0;
    for thread in std::fs::read_dir(format!("/proc/{process}/task"))? {
        let text = std::fs::read_to_string(thread?.path().join("schedstat"))?;
        total += text.split(' ').next().unwrap_or_default().parse::<u64>()?;
    }
    Ok(Duration::from_nanos(total))
}

fn print(rounds: &[Round]) {
    println!(
        "{:<28} {:>10} {:>10} {:>10} {:>12} {:>12}",
        "us a frame", "here", "there", "p99", "added", "added CPU"
    );
    for at in 0..rounds.first().map_or(0, Vec::len) {
        let middle = |of: fn(&Cost, &Cost) -> f64| {
            median(rounds.iter().map(|round| of(&round[at].1, &round[at].2)))
        };
        println!(
            "{:<28} {:>10.3} {:>10.3} {:>10.3} {:>12.3} {:>12.3}",
            rounds[0][at].0,
            middle(|here, _| here.median),
            middle(|_, there| there.median),
            middle(|_, there| there.p99),
            middle(|here, there| there.median - here.median),
            middle(|here, there| there.cpu - here.cpu)
        );
    }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

/// A program that ends with this one.
struct Running(Child);

impl Running {
    fn start(command: &mut Command) -> Result<Running, Failure> {
        let command = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        Ok(Running(command.spawn()?))
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // Both fail only where it has ended already.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
