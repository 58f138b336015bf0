//! Lays what was decoded so far beside what is decoded now, channel by
//! channel.

use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::ops::ControlFlow;
use std::sync::Arc;

use ampledger_store::{NumberedSample, Range, Reader, Stretch};
use ampledger_types::api::{ChannelChange, ChannelTotal, RedecodedSource};
use ampledger_types::{Bound, DecodeSet, Quantity, Session};

use super::plan::Piece;
use super::range;
use super::replay::{Replay, Said};
use crate::api::ApiError;

/// Compares one source of a session, and notes in the pieces how many samples
/// they give.
pub fn compare(
    reader: &Reader,
    session: &Session,
    replay: &Replay,
    pieces: &mut [Piece],
) -> Result<RedecodedSource, ApiError> {
    let source = &replay.decode_set().source;
    let (mut before, mut after) = (Side::default(), Side::default());
    let mut complaints: BTreeMap<String, u64> = BTreeMap::new();
    let mut first_complaint = None;
    for piece in pieces {
        let counted = after.samples;
        let mut reach = Reach::default();
        replay.play(reader, piece, |said| {
            match said {
                Said::Sample(sample) => {
                    reach.note(sample.sample.t_us);
                    after.note(&sample);
                }
                Said::Complaint(complaint) => {
                    *complaints.entry(complaint.kind.word().to_owned()).or_default() += 1;
                    first_complaint.get_or_insert(complaint.detail);
                }
            }
            ControlFlow::Continue(())
        })?;
        piece.samples = after.samples - counted;
        // Where nothing can be read any more, what was read stays.
        if piece.samples > 0 {
            if piece.chunks.iter().any(|head| head.is_replayed) {
                reach.draw_in(&mut piece.stretch);
            }
            let at = |t_us| Bound { run: piece.stretch.run, t_us };
            let (from, to) = (at(piece.stretch.from_t_us), at(piece.stretch.to_t_us));
            each(reader, &range(source, from, Some(to)), |sample| before.note(sample))?;
        }
    }
    let mut whole = Side::default();
    each(reader, &range(source, session.start, session.end), |sample| whole.note(sample))?;
    Ok(RedecodedSource {
        source: source.clone(),
        differs: before.hash.finish() != after.hash.finish(),
        samples: [before.samples, after.samples],
        samples_left: whole.samples.saturating_sub(before.samples),
        channels: changes(&before, &after),
        before: before.sets.iter().map(|set| (**set).clone()).collect(),
        after: after.sets.iter().map(|set| (**set).clone()).collect(),
        complaints,
        first_complaint,
    })
}

fn each(
    reader: &Reader,
    range: &Range,
    mut note: impl FnMut(&NumberedSample),
) -> Result<(), ApiError> {
    reader.samples(range, |sample| {
        note(&sample);
        ControlFlow::Continue(())
    })?;
    Ok(())
}

/// From the earliest to the latest sample.
#[derive(Default)]
struct Reach(Option<(i64, i64)>);

impl Reach {
    fn note(&mut self, t_us: i64) {
        let (from, to) = self.0.unwrap_or((t_us, t_us));
        self.0 = Some((from.min(t_us), to.max(t_us)));
    }

    /// To what was read anew: where frames at an end of it are missing, what
    /// they gave stays.
    fn draw_in(&self, stretch: &mut Stretch) {
        if let Some((from, to)) = self.0 {
            stretch.from_t_us = stretch.from_t_us.max(from);
            stretch.to_t_us = stretch.to_t_us.min(to);
        }
    }
}

/// What was read, so far or now.
#[derive(Default)]
struct Side {
    samples: u64,
    sets: Vec<Arc<DecodeSet>>,
    channels: BTreeMap<(String, String), (Quantity, Total)>,
    /// Of everything a sample says but who decoded it.
    hash: DefaultHasher,
}

impl Side {
    fn note(&mut self, stored: &NumberedSample) {
        self.samples += 1;
        if !self.sets.iter().rev().any(|set| Arc::ptr_eq(set, &stored.decode_set))
            && !self.sets.contains(&stored.decode_set)
        {
            self.sets.push(stored.decode_set.clone());
        }
        let sample = &stored.sample;
        (stored.run, sample.t_us, sample.instrument_t_us).hash(&mut self.hash);
        sample.group.name.hash(&mut self.hash);
        for (channel, value) in sample.group.channels.iter().zip(&sample.values) {
            (&channel.instrument, &channel.name, channel.quantity).hash(&mut self.hash);
            value.to_bits().hash(&mut self.hash);
            let key = (channel.instrument.clone(), channel.name.clone());
            let (_, total) =
                self.channels.entry(key).or_insert_with(|| (channel.quantity, Total::default()));
            total.note(*value);
        }
    }
}

/// Count, mean and reach of a channel's readings.
#[derive(Clone, Copy, Default)]
struct Total {
    count: u64,
    mean: f64,
    lowest: f64,
    highest: f64,
}

impl Total {
    fn note(&mut self, value: f64) {
        if value.is_nan() {
            return;
        }
        self.count += 1;
        // Welford's running mean: exact for equal values, safe for long sums.
        self.mean += (value - self.mean) / self.count as f64;
        let is_first = self.count == 1;
        self.lowest = if is_first { value } else { self.lowest.min(value) };
        self.highest = if is_first { value } else { self.highest.max(value) };
    }

    fn told(self) -> Option<ChannelTotal> {
        let Total { count, mean, lowest, highest } = self;
        (count > 0).then_some(ChannelTotal { count, mean, lowest, highest })
    }
}

fn changes(before: &Side, after: &Side) -> Vec<ChannelChange> {
    let mut keys: Vec<_> = before.channels.keys().chain(after.channels.keys()).collect();
    keys.sort();
    keys.dedup();
    let change = |key: &(String, String)| {
        let found = |side: &Side| side.channels.get(key).copied();
        let quantity = found(after).or(found(before)).map(|(quantity, _)| quantity)?;
        let total = |side: &Side| found(side).and_then(|(_, total)| total.told());
        let (before, after) = (total(before), total(after));
        Some(ChannelChange {
            channel: match key.0.as_str() {
                "" => key.1.clone(),
                instrument => format!("{instrument} {}", key.1),
            },
            quantity,
            unit: quantity.unit().symbol().to_owned(),
            mean_shift: before.zip(after).map(|(b, a)| a.mean - b.mean),
            before,
            after,
        })
    };
    keys.into_iter().filter_map(change).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_channels_total_passes_over_missing_readings() {
        let mut total = Total::default();
        assert!(total.told().is_none());
        [f64::NAN, 26.5, 26.5, f64::NAN, 20.5].into_iter().for_each(|value| total.note(value));
        let told = total.told().unwrap();
        assert_eq!((told.count, told.mean, told.lowest, told.highest), (3, 24.5, 20.5, 26.5));
    }
}
