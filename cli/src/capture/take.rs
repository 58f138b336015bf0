//! Takes a source's frames: out of a store, from the running daemon, or with a
//! daemon of the command's own.

use std::io::Write;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use ampledger_report::capture::{Stretch, write_frames};
use ampledger_report::{dates, parse_when};
use ampledger_store::Reader;
use ampledger_types::api::StatusResponse;
use clap::Args;
use jiff::{SignedDuration, Timestamp};
use rustix::time::{ClockId, clock_gettime};

use super::count::{Counting, Kept};
use super::private::Private;
use crate::client::{Client, segment};
use crate::context::Context;
use crate::exit::Failure;
use crate::origin::Origin;
use crate::stop::Stop;

/// Where frames come from, and which.
#[derive(Args, Clone, Debug, Default)]
pub struct TakeOptions {
    /// Out of this store file; no daemon is asked
    #[arg(long, value_name = "DB", conflicts_with_all = ["config", "length"])]
    pub store: Option<PathBuf>,
    /// From the device itself, as this configuration says, with no daemon
    /// running: a whole configuration or one `[sources.NAME]`
    #[arg(long, value_name = "FILE", conflicts_with_all = ["from", "to", "session"])]
    pub config: Option<PathBuf>,
    /// What was recorded from this time on
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// What was recorded up to this time
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// What was recorded in this session
    #[arg(long, value_name = "SESSION", conflicts_with_all = ["from", "to"])]
    pub session: Option<String>,
    /// What arrives from now on, for so long, as in 60s or 5min [default: until
    /// Ctrl-C]
    #[arg(long = "for", value_name = "LENGTH", value_parser = length)]
    #[arg(conflicts_with_all = ["from", "to", "session"])]
    pub length: Option<Duration>,
}

impl TakeOptions {
    /// Whether frames are to arrive while the command runs.
    pub fn is_live(&self) -> bool {
        let past = self.from.is_some() || self.to.is_some() || self.session.is_some();
        self.store.is_none() && !past
    }
}

/// `60s`, `5 min`, `1h 30m`, or a number of seconds.
fn length(text: &str) -> Result<Duration, String> {
    let seconds = match text.trim().parse::<f64>() {
        Ok(seconds) => seconds,
        Err(_) => {
            let read: SignedDuration =
                text.parse().map_err(|_| "write it as in 60s, 5min, 1h30m".to_owned())?;
            read.as_secs_f64()
        }
    };
    match seconds > 0.0 && seconds < 1e9 {
        true => Ok(Duration::from_secs_f64(seconds)),
        false => Err("must be above 0".to_owned()),
    }
}

/// What happens while frames arrive.
pub struct Waiting<'a> {
    /// Ends it.
    pub stop: &'a Stop,
    /// Called again and again.
    pub tick: &'a mut dyn FnMut(),
}

/// How often it is looked if the time is over.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

impl Waiting<'_> {
    /// Waits for so long, until a signal comes, or until `is_over`.
    pub fn wait(
        &mut self,
        length: Option<Duration>,
        mut is_over: impl FnMut() -> Result<bool, Failure>,
    ) -> Result<(), Failure> {
        let until = length.map(|length| Instant::now() + length);
        while !self.stop.is_set() && until.is_none_or(|until| Instant::now() < until) {
            if is_over()? {
                break;
            }
            (self.tick)();
            std::thread::sleep(LOOK_AGAIN);
        }
        Ok(())
    }
}

/// Writes the source's frames to `out`, as lines.
pub fn take(
    source: &str,
    options: &TakeOptions,
    context: &Context,
    waiting: &mut Waiting<'_>,
    out: &mut dyn Write,
) -> Result<Kept, Failure> {
    let mut counting = Counting::new(out);
    match (&options.store, &options.config) {
        (Some(path), _) => {
            let reader = Reader::open(path)?;
            known(&reader, source)?;
            write_frames(&reader, source, stretch(options, context, path)?, &mut counting)?;
        }
        (None, Some(config)) => {
            let mut private = Private::start(source, config)?;
            private.wait(waiting, options.length)?;
            let store = private.stop();
            let reader = Reader::open(&store.path())?;
            write_frames(&reader, source, Stretch::Everything, &mut counting)?;
        }
        (None, None) => {
            let path = path(source, options, context, waiting)?;
            context.client.download(&path, &mut counting)?;
        }
    }
    counting.flush()?;
    Ok(counting.kept)
}

fn known(reader: &Reader, source: &str) -> Result<(), Failure> {
    let all = reader.sources()?;
    if all.iter().any(|known| known == source) {
        return Ok(());
    }
    let message = match all.is_empty() {
        true => format!("{} has no source at all", reader.path().display()),
        false => format!("there is no source `{source}` in it; there are {}", all.join(", ")),
    };
    Err(Failure::Refused { code: "no_such_source", message })
}

fn stretch(
    options: &TakeOptions,
    context: &Context,
    path: &std::path::Path,
) -> Result<Stretch, Failure> {
    if let Some(text) = &options.session {
        let session = Origin::Store(Box::new(Reader::open(path)?)).session(text)?;
        return Ok(Stretch::Session(session.start, session.end));
    }
    match (&options.from, &options.to) {
        (None, None) => Ok(Stretch::Everything),
        (from, to) => Ok(Stretch::Dates(
            from.as_deref().map(|text| date(text, context)).transpose()?,
            to.as_deref().map(|text| date(text, context)).transpose()?,
        )),
    }
}

fn date(text: &str, context: &Context) -> Result<i64, Failure> {
    let now_us = Timestamp::now().as_microsecond();
    parse_when(text, now_us, &context.zone).map_err(|error| Failure::Usage(error.to_string()))
}

/// What to ask the daemon for: what is recorded, or what arrives from now on.
fn path(
    source: &str,
    options: &TakeOptions,
    context: &Context,
    waiting: &mut Waiting<'_>,
) -> Result<String, Failure> {
    let mut path = format!("/v1/sources/{}/frames", segment(source));
    if let Some(session) = &options.session {
        return Ok(format!("{path}?session={}", segment(session)));
    }
    if !options.is_live() {
        let mut sign = '?';
        for (name, text) in [("from", &options.from), ("to", &options.to)] {
            let Some(text) = text else { continue };
            // In this person's zone, not in the daemon's.
            let date = dates::utc(date(text, context)?);
            path.push_str(&format!("{sign}{name}={}", segment(&date)));
            sign = '&';
        }
        return Ok(path);
    }
    let status: StatusResponse = context.client.get("/v1/status")?;
    if !status.sources.iter().any(|known| known.name == source) {
        // The daemon says it better, with the nearest name.
        return Ok(path);
    }
    let from = dates::utc(dates::unix_us(status.clock.unix_time_second));
    waiting.wait(options.length, || Ok(false))?;
    Ok(format!("{path}?from={}", segment(&from)))
}

/// The clock of frames that arrive on this machine now, microseconds.
pub fn boot_clock_us() -> i64 {
    let now = clock_gettime(ClockId::Boottime);
    now.tv_sec * 1_000_000 + now.tv_nsec / 1000
}

/// Whether a source of that daemon has come to its end.
pub(super) fn is_finished(client: &Client) -> Result<bool, Failure> {
    use ampledger_types::api::SourceState;
    let status: StatusResponse = client.get("/v1/status")?;
    Ok(status.sources.iter().any(|source| source.state == SourceState::Finished))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_of_time_is_read_as_people_write_it() {
        for (text, seconds) in [("60s", 60), ("90", 90), ("5 min", 300), ("1h30m", 5400)] {
            assert_eq!(length(text), Ok(Duration::from_secs(seconds)), "{text}");
        }
        for text in ["", "soon", "-5s", "0"] {
            assert!(length(text).is_err(), "{text}");
        }
    }
}
