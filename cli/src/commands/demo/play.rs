//! Plays the sensor's lines at their times while telling how things stand, and
//! stops at once when a signal comes.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use ampledger_types::api::{SourceState, StatusResponse};

use super::CLOCK_RATE;
use super::line::SerialLine;
use super::narrator::Narrator;
use super::scenario::Line;
use crate::client::Client;
use crate::exit::Failure;
use crate::stop::Stop;

/// Every line but the first is printed this much late, so that a hiccup before
/// the first does not make the others seem to come from the future. Much more
/// would look like a sensor that went dark.
const LAG: Duration = Duration::from_millis(5);
/// The sensor looks this often if a line is due.
const TICK: Duration = Duration::from_millis(2);
/// How long it takes until a silent sensor is called dark.
const SILENCE: Duration = Duration::from_millis(150);
/// How long the daemon may take to read what is on the line.
const PATIENCE: Duration = Duration::from_secs(10);

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
        let played = sensor
            .join()
            .unwrap_or_else(|_| Err(std::io::Error::other("the sensor's thread broke off")));
        told?;
        played.map_err(Failure::io("the demo's serial line cannot be written"))
    })?;
    narrator.through();
    if stop.is_set() {
        return Err(Failure::Interrupted);
    }
    let printed = lines.iter().filter(|line| !line.text.is_empty()).count();
    wait_until_read(printed as u64, client)
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
    let mut next = Instant::now() + narrator.interval();
    let latest = || lines.get(printed.load(Ordering::Relaxed).saturating_sub(1));
    while !done() {
        let Some(line) = latest() else { return Ok(()) };
        let silent = line.text.is_empty();
        if line.stage != stage {
            stage = line.stage;
            narrator.say(&format!("{}.", capitalised(stage)))?;
            if silent {
                next = Instant::now() + SILENCE;
            }
        }
        if Instant::now() >= next {
            let standing = how_it_stands(silent, client)?;
            let same_stage = latest().is_some_and(|line| line.stage == stage);
            if let (Some(sentence), true) = (standing, same_stage) {
                let share = printed.load(Ordering::Relaxed) as f64 / lines.len() as f64;
                narrator.progress(share, &sentence)?;
                next = Instant::now() + narrator.interval();
            }
        }
        thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}

/// How things stand in a sentence; `None` where the daemon has lost sight of a
/// sensor that prints: time runs so fast that the least hiccup of the machine
/// looks like minutes. Then it is worth asking again soon.
fn how_it_stands(silent: bool, client: &Client) -> Result<Option<String>, Failure> {
    let status: StatusResponse = client.get("/v1/status")?;
    let in_sight = status.sources.iter().all(|source| source.state == SourceState::Live);
    let sentence = status.open_sessions.into_iter().next().map(|open| open.sentence);
    Ok(sentence.filter(|_| in_sight != silent))
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
