//! The frame log under a budget: the oldest goes first, and nothing that a
//! session could be decoded from.

use ampledger_store::{Batch, ChunkHead, FrameChunk, Reader, Store};
use ampledger_types::{Frame, FrameKind, OpenedBy, RunId};

use crate::shed::{at, run, session, set, store};

/// A thousand bytes that nothing makes fewer.
fn noise(seed: u64) -> Vec<u8> {
    let mut state = seed + 1;
    let next = || {
        state =
            state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 56) as u8
    };
    std::iter::repeat_with(next).take(1000).collect()
}

/// A chunk of ten frames of 1000 bytes, one a second, from frame `10 * i`.
fn chunk(run: RunId, source: &str, i: u64, has_snapshot: bool) -> FrameChunk {
    let frame = |n: u64| Frame {
        number: n + 1,
        t_us: n.cast_signed() * 1_000_000,
        kind: if n == 0 { FrameKind::Opened } else { FrameKind::Received },
        endpoint: 0,
        payload: noise(n),
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
    let read = reader.chunk(&heads[4]).unwrap();
    assert_eq!(read, Some(chunk(run, "bench-shunt", 4, false)));
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

/// Frames as a text line gives them: a chunk a second, ten frames in each; the
/// decoder's state each five minutes.
fn seconds(run: RunId, seconds: std::ops::Range<u64>) -> Vec<FrameChunk> {
    let frame = |n: u64| Frame {
        number: n + 1,
        t_us: n.cast_signed() * 100_000,
        kind: if n == 0 { FrameKind::Opened } else { FrameKind::Received },
        endpoint: 0,
        payload: format!("26.{:03},-12.{:03}\r\n", n * 7 % 50, n * n % 90).into_bytes(),
    };
    let second = |i: u64| FrameChunk {
        run,
        decode_set: set("bench-shunt"),
        snapshot: i.is_multiple_of(300).then(|| vec![1, 2, 3]),
        frames: (10 * i..10 * i + 10).map(frame).collect(),
    };
    seconds.map(second).collect()
}

fn all_frames(reader: &Reader) -> Vec<Frame> {
    let mut all = Vec::new();
    let from = ampledger_store::Range::everything().from;
    let done = reader.frames("bench-shunt", from, None, |chunk| {
        all.extend(chunk.frames);
        std::ops::ControlFlow::Continue(())
    });
    done.unwrap();
    all
}

#[test]
fn small_chunks_become_few_while_recording_and_no_frame_changes() {
    let (_dir, path, mut store) = store();
    let run = run(&mut store).id;
    let all = seconds(run, 0..1_500);
    let reader = Reader::open(&path).unwrap();
    let mut before = Vec::new();
    for minute in all.chunks(60) {
        store.append(&Batch { frames: minute.to_vec(), ..Batch::default() }).unwrap();
        before.extend(reader.chunks("bench-shunt").unwrap());
        store.compact_frames().unwrap();
    }
    while store.compact_frames().unwrap() > 0 {}
    let heads = reader.chunks("bench-shunt").unwrap();
    assert!(heads.len() < 200, "{} chunks are left of 1500", heads.len());
    assert_eq!(heads.iter().filter(|head| head.has_snapshot).count(), 5);
    let frames: Vec<Frame> = all.iter().flat_map(|chunk| chunk.frames.clone()).collect();
    assert_eq!(all_frames(&reader), frames);
    // Who knew a chunk before still finds it, wherever it lies.
    for head in before.into_iter().step_by(11) {
        let found = reader.chunk(&head).unwrap().unwrap();
        let of_head = head.first_number as usize - 1..head.last_number as usize;
        assert_eq!(found.frames, frames[of_head]);
    }
    // What was confirmed can still be given again.
    store.append(&Batch { frames: all[1_400..].to_vec(), ..Batch::default() }).unwrap();
    assert_eq!(all_frames(&reader), frames);
}

#[test]
fn a_damaged_chunk_is_named_and_passed_over_and_salvage_leaves_it() {
    let (dir, path, mut store) = store();
    filled(&mut store);
    let fourth = Reader::open(&path).unwrap().chunks("bench-shunt").unwrap()[3].clone();
    drop(store);
    for column in ["frames", "snapshot"] {
        let damaged = dir.path().join(format!("{column}.db"));
        std::fs::copy(&path, &damaged).unwrap();
        let spoil = format!(
            "UPDATE frame_chunk SET {column} = CAST(substr({column}, 1, length({column}) - 1) \
             || x'77' AS BLOB) WHERE id = ?1"
        );
        let db = rusqlite::Connection::open(&damaged).unwrap();
        assert_eq!(db.execute(&spoil, [fourth.id]).unwrap(), 1);
        drop(db);

        let reader = Reader::open(&damaged).unwrap();
        assert_eq!(reader.chunk(&fourth).unwrap(), None);
        let numbers: Vec<u64> = all_frames(&reader).iter().map(|frame| frame.number).collect();
        assert_eq!(numbers, (1..=30).chain(41..=100).collect::<Vec<_>>());
        let named = reader.damaged_frames();
        let checked = reader.check(|_, _| std::ops::ControlFlow::Continue(())).unwrap();
        assert_eq!((named.len(), &checked.damaged_frames), (1, &named));
        assert_eq!((named[0].source.as_str(), named[0].frames), ("bench-shunt", 10));
        assert!(named[0].detail.contains("checksum"), "{named:?}");

        let saved = dir.path().join(format!("{column}-saved.db"));
        let salvaged =
            ampledger_store::salvage(&damaged, &saved, |_, _| std::ops::ControlFlow::Continue(()));
        let salvaged = salvaged.unwrap().unwrap();
        assert_eq!(salvaged.lost_frames, [fourth.id]);
        let saved = Reader::open(&saved).unwrap();
        assert_eq!((all_frames(&saved).len(), saved.chunks("load").unwrap().len()), (90, 10));
        assert!(saved.check(|_, _| std::ops::ControlFlow::Continue(())).unwrap().is_sound());
    }
}

#[test]
fn a_pin_holds_frames_only_for_a_session_that_a_person_stands_behind() {
    for (opened_by, kept) in [(OpenedBy::Rule, 0), (OpenedBy::RuleAdopted, 4)] {
        let (_dir, path, mut store) = store();
        let run = filled(&mut store);
        // The session lies after all frames, what it cites in chunks 5 and 6.
        let mut session = session(&mut store, at(run, 500_000_000));
        session.opened_by = opened_by;
        session.end = Some(at(run, 501_000_000));
        store.put_session(&session).unwrap();
        let cited = ampledger_store::Stretch {
            source: "bench-shunt".to_owned(),
            run,
            from_t_us: 55_000_000,
            to_t_us: 62_000_000,
        };
        let report = crate::round_trip::report(&session, "57.4 Ah");
        store.save_report(session.id, 1, &report, &[cited]).unwrap();
        store.drop_old_frames(0).unwrap();
        let reader = Reader::open(&path).unwrap();
        assert_eq!(left(&reader, "bench-shunt").len(), kept, "{opened_by:?}");
    }
}
