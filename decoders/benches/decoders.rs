//! Frames a second of every built-in decoder on a generated capture, and beside
//! three of them the library that parses the same bytes bare. Machines differ, so
//! the ratio to that library in the same run is what counts.
//!
//! `cargo bench -p ampledger-decoders`, or with `-- text-lines` for that one alone.
#![allow(clippy::disallowed_methods, reason = "a benchmark reads the clock")]
#![allow(clippy::disallowed_macros, reason = "a benchmark prints")]

#[path = "decoders/bare.rs"]
mod bare;
#[path = "decoders/captures.rs"]
mod captures;

use std::hint::black_box;
use std::time::Instant;

use ampledger_decoders::{Driver, Output, builtin};

use captures::{Capture, FRAMES};

type Failure = Box<dyn std::error::Error>;

/// Rounds, all decoders and libraries in each.
const ROUNDS: usize = 7;

/// One line of the result: a name, and for a library the decoder it stands beside.
struct Line {
    name: String,
    beside: Option<&'static str>,
    seconds: Vec<f64>,
}

fn main() -> Result<(), Failure> {
    let mut captures = captures::all()?;
    for descriptor in builtin::BUILTIN {
        if !captures.iter().any(|capture| capture.decoder == descriptor.name) {
            return Err(format!("there is no capture for {}", descriptor.name).into());
        }
    }
    let asked: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with("--")).collect();
    captures.retain(|c| asked.is_empty() || asked.iter().any(|name| name == c.decoder));
    let mut lines: Vec<Line> = Vec::new();
    for _ in 0..ROUNDS {
        for capture in &captures {
            let (seconds, samples) = timed(|| decode(capture))?;
            let expected = if capture.decoder == "raw" { 0 } else { FRAMES };
            if samples < expected {
                return Err(format!("{}: {samples} samples", capture.decoder).into());
            }
            note(&mut lines, capture.decoder.to_owned(), None, seconds);
        }
        for (name, beside, parse) in bare::ALL {
            let capture = captures.iter().find(|capture| capture.decoder == *beside);
            let Some(capture) = capture else { continue };
            let (seconds, values) = timed(|| parse(capture))?;
            if values < FRAMES {
                return Err(format!("{name}: {values} frames").into());
            }
            note(&mut lines, (*name).to_owned(), Some(beside), seconds);
        }
    }
    print(&lines);
    Ok(())
}

fn timed<T>(part: impl FnOnce() -> Result<T, Failure>) -> Result<(f64, T), Failure> {
    let began = Instant::now();
    let made = black_box(part()?);
    Ok((began.elapsed().as_secs_f64(), made))
}

/// Decodes the capture as the daemon does, frame log's entries included.
fn decode(capture: &Capture) -> Result<usize, Failure> {
    let mut driver = Driver::new(capture.build()?);
    let mut samples = 0;
    for (t_us, event) in &capture.events {
        let (frame, outputs) = driver.give(*t_us, event.input());
        black_box(frame);
        samples += outputs.filter(|output| matches!(output, Output::Sample(_))).count();
    }
    Ok(samples)
}

fn note(lines: &mut Vec<Line>, name: String, beside: Option<&'static str>, seconds: f64) {
    match lines.iter_mut().find(|line| line.name == name) {
        Some(line) => line.seconds.push(seconds),
        None => lines.push(Line { name, beside, seconds: vec![seconds] }),
    }
}

fn print(lines: &[Line]) {
    println!("{FRAMES} frames of two or three readings, medians of {ROUNDS} rounds");
    println!("{:<32} {:>12} {:>10}", "", "frames/s", "ns/frame");
    for line in lines {
        let seconds = median(line.seconds.iter().copied());
        let (rate, each) = (FRAMES as f64 / seconds, seconds * 1e9 / FRAMES as f64);
        print!("{:<32} {rate:>12.0} {each:>10.0}", line.name);
        let decoder = line.beside.and_then(|name| lines.iter().find(|other| other.name == name));
        if let Some(decoder) = decoder {
            let ratios = decoder.seconds.iter().zip(&line.seconds).map(|(ours, bare)| ours / bare);
            print!("   {} takes {:.2} times as long", decoder.name, median(ratios));
        }
        println!();
    }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}
