//! Which chunks of a source's frame log are decoded again for a session, and
//! from where. Looks at the chunks' heads only.

use ampledger_store::{ChunkHead, Stretch};
use ampledger_types::{Bound, DecodeSet, RunId, Session};

/// Chunks without a hole between them, and the stretch they decide.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// What is decoded again; of a replay, without bounds until it was tried.
    pub stretch: Stretch,
    /// Where the decoder begins, and what it then goes on with.
    pub chunks: Vec<ChunkHead>,
    /// Whether it begins with the state that the first chunk keeps.
    pub is_restored: bool,
    /// Samples it gives; 0 until it was tried.
    pub samples: u64,
}

/// The pieces of a session. `set` is what decodes now: only to the same
/// decoder does a saved state mean anything; another begins where the
/// connection was opened, or else as far back as the log goes.
pub fn pieces(heads: &[ChunkHead], session: &Session, set: &DecodeSet) -> Vec<Piece> {
    let follows = |a: &ChunkHead, b: &ChunkHead| {
        a.run == b.run && b.first_number == a.last_number.wrapping_add(1)
    };
    let of_run = |run| heads.iter().filter(|head| head.run == run).count();
    heads
        .chunk_by(follows)
        .filter(|whole| !whole[0].is_replayed || is_whole_replay(whole, of_run(whole[0].run)))
        .filter_map(|whole| piece(whole, session, set))
        .collect()
}

/// Which samples a part of a replay gave cannot be told from its frames, whose
/// times are not the samples'. So it is decoded as a whole, or left alone.
fn is_whole_replay(chunks: &[ChunkHead], of_run: usize) -> bool {
    chunks[0].opens && chunks.len() == of_run
}

fn piece(whole: &[ChunkHead], session: &Session, set: &DecodeSet) -> Option<Piece> {
    let run = whole.first()?.run;
    let end = session.end.unwrap_or(Bound { run: RunId(i64::MAX), t_us: i64::MAX });
    let inside = |head: &ChunkHead| head.may_reach(session.start, end);
    let first = whole.iter().position(inside)?;
    let last = whole.iter().rposition(inside)?;
    let restorable = |head: &ChunkHead| head.has_snapshot && is_same(&head.decode_set, set);
    let can_begin = |head: &ChunkHead| head.opens || restorable(head);
    let begin = whole[..=first].iter().rposition(can_begin).unwrap_or(0);
    let chunks = &whole[begin..=last];
    let (oldest, newest) = if chunks[0].is_replayed {
        (i64::MIN, i64::MAX)
    } else {
        (chunks[0].t_min_us, chunks.iter().map(|head| head.t_max_us).max()?)
    };
    let in_run = |bound: Bound, none| if bound.run == run { bound.t_us } else { none };
    let from_t_us = in_run(session.start, oldest).max(oldest);
    let to_t_us = in_run(end, newest).min(newest);
    let source = set.source.clone();
    Some(Piece {
        stretch: Stretch { source, run, from_t_us, to_t_us },
        chunks: chunks.to_vec(),
        is_restored: !chunks[0].opens && restorable(&chunks[0]),
        samples: 0,
    })
}

/// Whether two sets are one decoder with one configuration, whichever
/// instrument answered.
fn is_same(a: &DecodeSet, b: &DecodeSet) -> bool {
    (&a.decoder, &a.decoder_version, &a.config_digest)
        == (&b.decoder, &b.decoder_version, &b.config_digest)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;

    fn set(config_digest: &str) -> DecodeSet {
        DecodeSet {
            source: "bench-shunt".to_owned(),
            decoder: "text-lines".to_owned(),
            decoder_version: "1".to_owned(),
            config_digest: config_digest.to_owned(),
            identity: None,
        }
    }

    /// Chunks of ten frames, one frame a second; the first opens, each third
    /// keeps the decoder's state.
    fn heads(run: i64, count: i64) -> Vec<ChunkHead> {
        let head = |i: i64| ChunkHead {
            id: 100 * run + i,
            run: RunId(run),
            decode_set: Arc::new(set("then")),
            first_number: i as u64 * 10 + 1,
            last_number: i as u64 * 10 + 10,
            t_min_us: i * 10,
            t_max_us: i * 10 + 9,
            has_snapshot: i % 3 == 0,
            opens: i == 0,
            is_replayed: false,
            bytes: 1,
        };
        (0..count).map(head).collect()
    }

    fn session(start: (i64, i64), end: Option<(i64, i64)>) -> Session {
        let bound = |(run, t_us)| Bound { run: RunId(run), t_us };
        Session {
            id: 1,
            uuid: String::new(),
            pack: None,
            sources: vec!["bench-shunt".to_owned()],
            opened_by: Default::default(),
            start: bound(start),
            end: end.map(bound),
            revision: 1,
            cutoff_voltage_volt: None,
            cutoff_rule: Default::default(),
            tags: Vec::new(),
        }
    }

    #[test]
    fn the_same_decoder_begins_at_its_saved_state_another_where_the_line_was_opened() {
        let (heads, session) = (heads(1, 10), session((1, 55), Some((1, 72))));
        let same = pieces(&heads, &session, &set("then"));
        let ids = |piece: &Piece| piece.chunks.iter().map(|head| head.id).collect::<Vec<_>>();
        assert_eq!((ids(&same[0]), same[0].is_restored), ((103..=107).collect(), true));
        let other = pieces(&heads, &session, &set("now"));
        assert_eq!((ids(&other[0]), other[0].is_restored), ((100..=107).collect(), false));
        for piece in [&same[0], &other[0]] {
            assert_eq!((piece.stretch.from_t_us, piece.stretch.to_t_us), (55, 72));
        }
    }

    #[test]
    fn a_hole_in_the_log_parts_it_and_is_left_alone() {
        let mut heads = heads(1, 10);
        heads.remove(5);
        let pieces = pieces(&heads, &session((1, 20), None), &set("now"));
        let stretches: Vec<_> =
            pieces.iter().map(|p| (p.stretch.from_t_us, p.stretch.to_t_us)).collect();
        assert_eq!(stretches, [(20, 49), (60, 99)]);
    }

    /// A replay of the same frames, whose samples may lie anywhere.
    fn replayed(count: i64) -> Vec<ChunkHead> {
        heads(1, count).into_iter().map(|head| ChunkHead { is_replayed: true, ..head }).collect()
    }

    #[test]
    fn a_replay_is_decoded_as_a_whole_since_its_frames_have_not_its_samples_times() {
        let session = session((1, 2), Some((1, 5)));
        let pieces = pieces(&replayed(10), &session, &set("now"));
        assert_eq!((pieces.len(), pieces[0].chunks.len()), (1, 10));
        assert_eq!((pieces[0].stretch.from_t_us, pieces[0].stretch.to_t_us), (2, 5));
    }

    #[test]
    fn a_replay_with_a_hole_in_its_log_is_left_alone() {
        let session = session((1, 2), Some((1, 5)));
        for missing in [0, 4] {
            let mut heads = replayed(10);
            heads.remove(missing);
            assert_eq!(pieces(&heads, &session, &set("now")), []);
        }
    }

    #[test]
    fn a_session_over_two_runs_has_a_piece_in_each() {
        let heads: Vec<ChunkHead> = [heads(1, 3), heads(2, 3), heads(3, 3)].concat();
        let pieces = pieces(&heads, &session((1, 15), Some((2, 12))), &set("now"));
        let stretches: Vec<_> = pieces
            .iter()
            .map(|p| (p.stretch.run.0, p.stretch.from_t_us, p.stretch.to_t_us))
            .collect();
        assert_eq!(stretches, [(1, 15, 29), (2, 0, 12)]);
    }

    #[test]
    fn what_lies_outside_the_session_is_no_piece() {
        let heads = heads(2, 3);
        assert_eq!(pieces(&heads, &session((1, 0), Some((1, 50))), &set("now")), []);
        assert_eq!(pieces(&heads, &session((2, 90), None), &set("now")), []);
    }
}
