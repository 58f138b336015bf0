//! Plays the sensor's lines at their times while telling how things stand, and
//! stops at once when a signal comes.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use ampledger_types::api::StatusResponse;
use tokio::signal::unix::{SignalKind, signal};

use super::CLOCK_RATE;
use super::line::SerialLine;
use super::narrator::Narrator;
use super::scenario::Line;
use crate::client::Client;
use crate::exit::Failure;

/// Every line but the first is printed this much late, so that a hiccup before
/// the first does not make the others seem to come from the future.
const LAG: Duration = Duration::from_millis(50);
/// The sensor looks this often if a line is due.
const TICK: Duration = Duration::from_millis(2);
/// How long the daemon may take to read what is on the line.
const PATIENCE: Duration = Duration::from_secs(10);

/// Whether to stop.
#[derive(Clone, Debug, Default)]
pub struct Stop(Arc<AtomicBool>);

impl Stop {
    /// Set by Ctrl-C, a hang-up, or a request to end.
    pub fn on_signals() -> Result<Stop, Failure> {
        let stop = Stop::default();
        let seen = stop.clone();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(Failure::io("signals cannot be heard"))?;
        thread::spawn(move || {
            runtime.block_on(async {
                if any_signal().await.is_ok() {
                    seen.set();
                }
            });
        });
        Ok(stop)
    }

    fn set(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

async fn any_signal() -> std::io::Result<()> {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    let mut hangup = signal(SignalKind::hangup())?;
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
        _ = hangup.recv() => {}
    }
    Ok(())
}

/// Plays all lines and waits until the daemon has read them.
pub fn play(
    lines: &[Line],
    line: &SerialLine,
    client: &Client,
    stop: &Stop,
    narrator: &Narrator,
) -> Result<(), Failure> {
    let printed = AtomicUsize::new(0);
    let over = Stop::default();
    thread::scope(|scope| {
        let sensor = scope.spawn(|| print_all(lines, line, &printed, &[stop, &over]));
        // However this ends, the sensor must end with it.
        let _end = EndWith(&over);
        let told = tell(lines, &printed, (client, narrator), || sensor.is_finished());
        if told.is_err() {
            over.set();
        }
        let played = sensor.join().unwrap_or_else(|_| {
            Err(std::io::Error::other("the sensor's thread broke off"))
        });
        told?;
        played.map_err(Failure::io("the demo's serial line cannot be written"))
    })?;
    narrator.through();
    if stop.is_set() {
        return Err(Failure::Interrupted);
    }
    wait_until_read(lines.len() as u64, client)
}

struct EndWith<'a>(&'a Stop);

impl Drop for EndWith<'_> {
    fn drop(&mut self) {
        self.0.set();
    }
}

fn print_all(
    lines: &[Line],
    line: &SerialLine,
    printed: &AtomicUsize,
    stops: &[&Stop],
) -> std::io::Result<()> {
    let begun = Instant::now();
    for (number, next) in lines.iter().enumerate() {
        let lag = if number == 0 { Duration::ZERO } else { LAG };
        let due = Duration::from_secs_f64(f64::from(next.at_second) / CLOCK_RATE) + lag;
        while begun.elapsed() < due {
            if stops.iter().any(|stop| stop.is_set()) {
                return Ok(());
            }
            thread::sleep(TICK);
        }
        line.print(&next.text)?;
        printed.store(number + 1, Ordering::Relaxed);
    }
    Ok(())
}

fn tell(
    lines: &[Line],
    printed: &AtomicUsize,
    (client, narrator): (&Client, &Narrator),
    done: impl Fn() -> bool,
) -> Result<(), Failure> {
    let mut stage = "";
    let mut told = Instant::now();
    while !done() {
        let count = printed.load(Ordering::Relaxed);
        let now = lines.get(count.saturating_sub(1)).map_or("", |line| line.stage);
        if now != stage {
            stage = now;
            narrator.say(&format!("{}.", capitalised(stage)))?;
        }
        if told.elapsed() >= narrator.interval() {
            told = Instant::now();
            let status: StatusResponse = client.get("/v1/status")?;
            let sentence = status.open_sessions.first().map_or("", |open| open.sentence.as_str());
            narrator.progress(count as f64 / lines.len() as f64, sentence)?;
        }
        thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

fn wait_until_read(lines: u64, client: &Client) -> Result<(), Failure> {
    let begun = Instant::now();
    loop {
        let status: StatusResponse = client.get("/v1/status")?;
        let read: u64 = status.sources.iter().map(|source| source.counters.samples).sum();
        if read >= lines && status.store.recorded_up_to >= status.store.newest {
            return Ok(());
        }
        if begun.elapsed() > PATIENCE {
            let what = format!("the demo's daemon has read {read} of {lines} lines only");
            return Err(Failure::io(what)(std::io::ErrorKind::TimedOut.into()));
        }
        thread::sleep(Duration::from_millis(50));
    }
}

fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}
