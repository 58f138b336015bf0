//! Stretches of the record that look like a test, for somebody who forgot to
//! begin a session: found by the rules that open and close sessions live.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use ampledger_methods::PackRule;
use ampledger_store::{NumberedSample, Range, Reader};
use ampledger_types::api::{Stretch, Suggestion};
use ampledger_types::session::OpenedBy;
use ampledger_types::{Bound, Run, RunId, Seq, Session};

use crate::compute::ReportError;
use crate::feed::SessionFeed;
use crate::pack_feed::{PackFeed, PackNews};
use crate::sentences;
use crate::setting::unnamed;
use crate::subject::{Clocks, Subject, View};

/// Every stretch since a date (microseconds since 1970; since ever if `None`)
/// that looks like a test and that no person has made a session of, in order.
pub fn suggestions(
    reader: &Reader,
    since_unix_us: Option<i64>,
    view: &View,
) -> Result<Vec<Suggestion>, ReportError> {
    let clocks = Clocks::read(reader)?;
    let from = match since_unix_us {
        Some(unix_us) => since(&clocks, unix_us),
        None => Range::everything().from,
    };
    let sessions = reader.sessions()?;
    let mut all = Vec::new();
    for found in find(reader, &clocks, from, view)? {
        let of_it = |s: &&Session| s.sources.contains(&found.source) && overlaps(s, &found.stretch);
        let same: Vec<&Session> = sessions.iter().filter(of_it).collect();
        if !same.iter().any(|session| session.is_adopted()) {
            let session = same.iter().find(|session| covers(session, &found.stretch));
            let session = session.map(|session| session.id);
            all.push(Suggestion { session, ..suggestion(reader, &clocks, view, found)? });
        }
    }
    all.sort_by_key(|suggestion| suggestion.stretch.start);
    Ok(all)
}

/// A stretch in which a load or charge was seen.
struct Found {
    source: String,
    first: Seq,
    stretch: Stretch,
}

/// One source while the record is read.
struct Ward {
    feed: PackFeed,
    /// The stretch under way, and whether a current flowed in it.
    open: Option<(Bound, bool)>,
    found: Vec<Stretch>,
}

impl Ward {
    fn take(&mut self, news: &PackNews) {
        if let Some(start) = news.opens {
            let (_, flowed) = self.open.get_or_insert((start, false));
            *flowed |= news.event.rule != PackRule::Connected;
        }
        if let Some(end) = news.closes {
            self.close(Some(end));
        }
    }

    fn close(&mut self, end: Option<Bound>) {
        if let Some((start, true)) = self.open.take() {
            self.found.push(Stretch { start, end });
        }
    }
}

fn find(
    reader: &Reader,
    clocks: &Clocks,
    from: Bound,
    view: &View,
) -> Result<Vec<Found>, ReportError> {
    let live: BTreeMap<RunId, &Run> =
        clocks.runs.iter().filter(|r| r.replay_of.is_none()).map(|run| (run.id, run)).collect();
    let instruments = reader.instruments(RunId(i64::MAX))?;
    let mut wards: BTreeMap<String, Ward> = BTreeMap::new();
    let range = Range { from, ..Range::everything() };
    reader.samples(&range, |stored: NumberedSample| {
        let source = &stored.decode_set.source;
        let Some(run) = live.get(&stored.run) else { return ControlFlow::Continue(()) };
        if !wards.contains_key(source) {
            let setting = instruments.get(source).map(unnamed).unwrap_or_default();
            let feed = PackFeed::new(source, setting);
            wards.insert(source.clone(), Ward { feed, open: None, found: Vec::new() });
        }
        if let Some(ward) = wards.get_mut(source) {
            let news = ward.feed.sample(run, &stored.sample);
            news.iter().for_each(|news| ward.take(news));
        }
        ControlFlow::Continue(())
    })?;
    let mut all = Vec::new();
    for (source, mut ward) in wards {
        // Silence until now may have ended it, if that is on the same clock.
        if let Some((now, run)) = view.now.and_then(|now| Some((now, clocks.run(now.run)?))) {
            let news = ward.feed.time_in(run, now.t_us);
            news.iter().for_each(|news| ward.take(news));
        }
        ward.close(None);
        for stretch in ward.found {
            let first = first_number(reader, &source, &stretch)?;
            all.push(Found { source: source.clone(), first, stretch });
        }
    }
    Ok(all)
}

fn first_number(reader: &Reader, source: &str, stretch: &Stretch) -> Result<Seq, ReportError> {
    let range = Range {
        sources: vec![source.to_owned()],
        from: stretch.start,
        to: stretch.end,
        up_to: None,
    };
    let mut first = 0;
    reader.samples(&range, |stored| {
        first = stored.seq;
        ControlFlow::Break(())
    })?;
    Ok(first)
}

fn overlaps(session: &Session, stretch: &Stretch) -> bool {
    let ends_before = |end: Option<Bound>, start: Bound| end.is_some_and(|end| end < start);
    !ends_before(session.end, stretch.start) && !ends_before(stretch.end, session.start)
}

/// Whether a session that began by rule has all of a stretch in it: then it only
/// needs a name. One that began with the pack ends when a person says so, and the
/// test may have come after it.
fn covers(session: &Session, stretch: &Stretch) -> bool {
    let is_long_enough = match (session.end, stretch.end) {
        (None, _) => true,
        (Some(end), Some(stretch_end)) => end >= stretch_end,
        (Some(_), None) => false,
    };
    session.start <= stretch.start && is_long_enough
}

fn suggestion(
    reader: &Reader,
    clocks: &Clocks,
    view: &View,
    found: Found,
) -> Result<Suggestion, ReportError> {
    let date = |at: Bound| {
        let run = clocks.run(at.run)?;
        Some(clocks.map(&run.boot_id).date(at.t_us)?.unix_us as f64 / 1e6)
    };
    let Stretch { start, end } = found.stretch;
    let subject = Subject::of(reader, imagined(&found))?;
    // How well it is known is not told, so what was before it need not be read:
    // for each of many stretches that would be a week of the record.
    let feed = SessionFeed::read_alone(reader, &subject, view)?;
    Ok(Suggestion {
        number: found.first,
        start_unix_time_second: date(start),
        end_unix_time_second: end.and_then(date),
        claim: sentences::came_out(&feed.report(&subject, view)),
        session: None,
        source: found.source,
        stretch: found.stretch,
    })
}

/// The session that it would be.
fn imagined(found: &Found) -> Session {
    Session {
        id: 0,
        uuid: String::new(),
        pack: None,
        sources: vec![found.source.clone()],
        opened_by: OpenedBy::Rule,
        start: found.stretch.start,
        end: found.stretch.end,
        revision: 1,
        cutoff_voltage_volt: None,
        cutoff_rule: Default::default(),
        tags: Vec::new(),
    }
}

/// The moment of the record that a date stands for; the very beginning where
/// nothing had been recorded by then.
fn since(clocks: &Clocks, unix_us: i64) -> Bound {
    let live = clocks.runs.iter().rev().filter(|run| run.replay_of.is_none());
    let moment = |run: &Run| {
        let t_us = clocks.map(&run.boot_id).moment(unix_us)?;
        (t_us >= run.started_t_us).then_some(Bound { run: run.id, t_us })
    };
    live.filter_map(moment).next().unwrap_or(Range::everything().from)
}
