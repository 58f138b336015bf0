//! A source's frame log as the lines of a `.frames.jsonl` file, between two
//! moments. Frames of several boots are put on one clock: by their dates where
//! both are known, else one behind the other.

use std::io::Write;

use ampledger_store::{ChunkHead, Reader};
use ampledger_types::{Bound, ClockMap, Frame, Run, RunId};

use crate::compute::ReportError;
use crate::subject::Clocks;

/// Which frames.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Stretch {
    /// All that are kept.
    #[default]
    Everything,
    /// Between two dates, in microseconds since 1970 UTC, both included. What
    /// was recorded without a date is left out.
    Dates(Option<i64>, Option<i64>),
    /// From a session's start to its end.
    Session(Bound, Option<Bound>),
}

impl Stretch {
    /// The part of a run that lies in it; `None` if none does.
    fn within(self, run: &Run, map: &ClockMap) -> Option<(i64, i64)> {
        let (from_us, to_us) = match self {
            Stretch::Everything => (i64::MIN, i64::MAX),
            Stretch::Dates(from, to) => {
                let at = |date: Option<i64>, none| match date {
                    Some(unix_us) => map.moment(unix_us),
                    None => map.date(run.started_t_us).map(|_| none),
                };
                (at(from, i64::MIN)?, at(to, i64::MAX)?)
            }
            Stretch::Session(start, end) => {
                let end = end.unwrap_or(Bound { run: RunId(i64::MAX), t_us: i64::MAX });
                let is_inside = (start.run..=end.run).contains(&run.id);
                let at = |bound: Bound, none| if bound.run == run.id { bound.t_us } else { none };
                is_inside.then(|| (at(start, i64::MIN), at(end, i64::MAX)))?
            }
        };
        (from_us <= to_us).then_some((from_us, to_us))
    }
}

/// Writes the frames, a line each, in order. Memory does not grow with them.
/// A damaged chunk is passed over; the reader names it.
pub fn write_frames(
    reader: &Reader,
    source: &str,
    stretch: Stretch,
    out: &mut dyn Write,
) -> Result<(), ReportError> {
    let clocks = Clocks::read(reader)?;
    let heads = reader.chunks(source)?;
    let mut line = OneClock::default();
    for run in &clocks.runs {
        let map = clocks.map(&run.boot_id);
        let Some((from_us, to_us)) = stretch.within(run, &map) else { continue };
        let at = |t_us| Bound { run: run.id, t_us };
        let is_inside =
            |head: &&ChunkHead| head.run == run.id && head.may_reach(at(from_us), at(to_us));
        for head in heads.iter().filter(is_inside) {
            // Chunks come whole and may reach beyond.
            let Some(chunk) = reader.chunk(head)? else { continue };
            let frames = chunk.frames.into_iter();
            for frame in frames.filter(|frame| (from_us..=to_us).contains(&frame.t_us)) {
                writeln!(out, "{}", line.place(frame, run, &map).to_line())?;
            }
        }
    }
    Ok(())
}

/// Puts frames of several boots on the clock of the first.
#[derive(Default)]
struct OneClock {
    boot_id: Option<String>,
    offset_us: i64,
    last_us: i64,
    last_unix_us: Option<i64>,
}

impl OneClock {
    fn place(&mut self, mut frame: Frame, run: &Run, map: &ClockMap) -> Frame {
        let unix_us = map.date(frame.t_us).map(|dated| dated.unix_us);
        if self.boot_id.as_ref() != Some(&run.boot_id) {
            if self.boot_id.is_some() {
                let between = unix_us.zip(self.last_unix_us).map(|(now, then)| now - then);
                let gap_us = between.unwrap_or(0).max(0);
                self.offset_us = self.last_us.saturating_add(gap_us).saturating_sub(frame.t_us);
            }
            self.boot_id = Some(run.boot_id.clone());
        }
        frame.t_us = frame.t_us.saturating_add(self.offset_us);
        (self.last_us, self.last_unix_us) = (frame.t_us, unix_us);
        frame
    }
}
