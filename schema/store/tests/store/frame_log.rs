//! The frame log under a budget: the oldest goes first, and nothing that a
//! session could be decoded from.

use ampledger_store::{Batch, ChunkHead, FrameChunk, Reader, Store};
use ampledger_types::{Frame, FrameKind, OpenedBy, RunId};

use crate::shed::{at, run, session, set, store};

/// A chunk of ten frames of 1000 bytes, one a second, from frame `10 * i`.
fn chunk(run: RunId, source: &str, i: u64, has_snapshot: bool) -> FrameChunk {
    let frame = |n: u64| Frame {
        number: n + 1,
        t_us: n.cast_signed() * 1_000_000,
        kind: if n == 0 { FrameKind::Opened } else { FrameKind::Received },
        endpoint: 0,
        payload: vec![7; 1000],
    };
    FrameChunk {
        run,
        decode_set: set(source),
        snapshot: has_snapshot.then(|| vec![1, 2, 3]),
        frames: (10 * i..10 * i + 10).map(frame).collect(),
    }
}

/// Ten chunks of `bench-shunt`, each third with the decoder's state, and as
/// many of `load`.
fn filled(store: &mut Store) -> RunId {
    let run = run(store).id;
    let of = |source| (0..10).map(move |i| chunk(run, source, i, i % 3 == 0));
    let frames = of("bench-shunt").chain(of("load")).collect();
    store.append(&Batch { frames, ..Batch::default() }).unwrap();
    run
}

fn heads(reader: &Reader, source: &str) -> Vec<ChunkHead> {
    reader.chunks(source).unwrap()
}

/// The first frames of the chunks that are left, in tens.
fn left(reader: &Reader, source: &str) -> Vec<u64> {
    heads(reader, source).iter().map(|head| (head.first_number - 1) / 10).collect()
}

#[test]
fn a_chunk_is_known_by_its_head() {
    let (_dir, path, mut store) = store();
    let run = filled(&mut store);
    let reader = Reader::open(&path).unwrap();
    let heads = heads(&reader, "bench-shunt");
    assert_eq!(heads.len(), 10);
    let opens: Vec<bool> = heads.iter().map(|head| head.opens).collect();
    assert_eq!(opens.iter().filter(|opens| **opens).count(), 1);
    assert!(opens[0] && heads[3].has_snapshot && !heads[4].has_snapshot);
    assert!((10_000..10_100).contains(&heads[4].bytes), "{}", heads[4].bytes);
    assert_eq!(reader.chunk(heads[4].id).unwrap(), chunk(run, "bench-shunt", 4, false));
}

#[test]
fn the_oldest_chunks_go_until_the_budget_is_met() {
    let (_dir, path, mut store) = store();
    filled(&mut store);
    let dropped = store.drop_old_frames(45_000).unwrap();
    let reader = Reader::open(&path).unwrap();
    for (source, dropped) in dropped {
        assert_eq!((dropped.chunks, dropped.held_bytes), (6, 0), "{source}");
        assert_eq!(left(&reader, &source), [6, 7, 8, 9], "{source}");
    }
    assert_eq!(store.drop_old_frames(45_000).unwrap(), []);
}

#[test]
fn what_a_session_is_decoded_from_stays_from_the_saved_state_before_it() {
    let (_dir, path, mut store) = store();
    let run = filled(&mut store);
    // From chunk 5 to chunk 6; the state before is that of chunk 3.
    let mut session = session(&mut store, at(run, 55_000_000));
    session.end = Some(at(run, 62_000_000));
    store.put_session(&session).unwrap();
    let dropped = store.drop_old_frames(0).unwrap();
    let reader = Reader::open(&path).unwrap();
    assert_eq!(left(&reader, "bench-shunt"), [3, 4, 5, 6]);
    // The session is not about `load`.
    assert!(left(&reader, "load").is_empty());
    let of = |name: &str| dropped.iter().find(|(source, _)| source == name).unwrap().1;
    assert!((40_000..41_000).contains(&of("bench-shunt").held_bytes));
    assert_eq!(of("load").held_bytes, 0);
}

#[test]
fn an_open_session_holds_everything_after_its_start() {
    let (_dir, path, mut store) = store();
    let run = filled(&mut store);
    session(&mut store, at(run, 75_000_000));
    store.drop_old_frames(0).unwrap();
    assert_eq!(left(&Reader::open(&path).unwrap(), "bench-shunt"), [6, 7, 8, 9]);
}

#[test]
fn a_session_that_a_rule_opened_holds_frames_once_a_person_takes_it_up() {
    for (opened_by, kept) in [(OpenedBy::Rule, 0), (OpenedBy::RuleAdopted, 4)] {
        let (_dir, path, mut store) = store();
        let run = filled(&mut store);
        let mut session = session(&mut store, at(run, 75_000_000));
        session.opened_by = opened_by;
        store.put_session(&session).unwrap();
        store.drop_old_frames(0).unwrap();
        let reader = Reader::open(&path).unwrap();
        assert_eq!(left(&reader, "bench-shunt").len(), kept, "{opened_by:?}");
        assert_eq!(reader.session(session.id).unwrap(), Some(session));
    }
}
