//! What a result cites from outside its session stays, whatever is thinned.

use ampledger_store::{FrameChunk, Range};
use ampledger_types::result::Status;
use ampledger_types::{Bound, Frame, FrameKind, OpenedBy};

use super::bench::*;

/// A charge that nobody marked, the recorder started again twice, and a
/// discharge session: the charge lies neither in its run nor in the one before.
fn charged_long_ago() -> (Bench, i64, Bound) {
    let mut bench = Bench::new();
    bench.describe("bench-shunt", described_shunt());
    proving_charge(&mut bench);
    let charged = bench.now();
    for _ in 0..2 {
        bench.restart();
        bench.for_seconds(60, |_| (26.8, 0.0));
    }
    let session = bench.start();
    discharge_to_cutoff(&mut bench);
    bench.stop(session);
    bench.restart();
    (bench, session, charged)
}

/// Samples up to the end of the charge.
fn of_the_charge(bench: &mut Bench, charged: Bound) -> Vec<(u64, Vec<u64>)> {
    let mut found = Vec::new();
    let range = Range { to: Some(charged), ..Range::everything() };
    let read = bench.reader().samples(&range, |sample| {
        let bits = sample.sample.values.iter().map(|value| value.to_bits()).collect();
        found.push((sample.seq, bits));
        std::ops::ControlFlow::Continue(())
    });
    read.unwrap();
    found
}

#[test]
fn a_charge_that_a_result_cites_stays_in_full_and_gives_the_same_digits() {
    let (mut bench, session, charged) = charged_long_ago();
    let whole = of_the_charge(&mut bench, charged);
    let issued = bench.issue(session);
    assert_eq!(issued.results.capacity_to_cutoff_ah.status, Status::Proven, "{}", issued.claim);
    let thinned = bench.store.thin(i64::MAX, usize::MAX).unwrap();
    assert_eq!(thinned.samples(), 0, "{thinned:?}");
    assert_eq!(of_the_charge(&mut bench, charged), whole);
    assert_eq!(bench.report(session), issued);
}

#[test]
fn without_a_result_that_cites_it_the_same_charge_is_thinned() {
    let (mut bench, session, charged) = charged_long_ago();
    assert!(bench.store.thin(i64::MAX, usize::MAX).unwrap().samples() > 0);
    assert_eq!(of_the_charge(&mut bench, charged), []);
    assert_eq!(bench.report(session).results.capacity_to_cutoff_ah.status, Status::Provisional);
}

/// Says who opened a session.
fn opened_by(bench: &mut Bench, session: i64, opened_by: OpenedBy) {
    let mut session = bench.reader().session(session).unwrap().unwrap();
    session.opened_by = opened_by;
    bench.store.put_session(&session).unwrap();
}

#[test]
fn a_session_that_a_rule_opened_keeps_nothing_until_a_person_takes_it_up() {
    for (opener, stays) in [(OpenedBy::RuleAdopted, true), (OpenedBy::Rule, false)] {
        let (mut bench, session, charged) = charged_long_ago();
        opened_by(&mut bench, session, OpenedBy::Rule);
        // Issued when it ended, and taken up only then.
        bench.issue(session);
        opened_by(&mut bench, session, opener);
        let before = bench.samples.len();
        bench.store.thin(i64::MAX, usize::MAX).unwrap();
        let left = of_the_charge(&mut bench, charged);
        assert_eq!(!left.is_empty(), stays, "{opener:?}: of {before} samples");
        let of_session = bench.report(session).results.main_discharge_ah.value;
        assert_eq!(of_session.is_some(), stays, "{opener:?}: {of_session:?}");
    }
}

#[test]
fn what_the_charge_was_decoded_from_stays_too() {
    let (mut bench, session, charged) = charged_long_ago();
    let set = bench.samples[0].decode_set.clone();
    let frames = |run, t_us: i64, number| FrameChunk {
        run,
        decode_set: set.clone(),
        snapshot: Some(vec![1]),
        frames: vec![Frame {
            number,
            t_us,
            kind: FrameKind::Received,
            endpoint: 0,
            payload: b"28.9,10.0\r\n".to_vec(),
        }],
    };
    let all = vec![
        frames(charged.run, charged.t_us - SECOND, 1),
        frames(bench.run, bench.t_us + SECOND, 1),
    ];
    let batch = ampledger_store::Batch { frames: all, ..Default::default() };
    bench.store.append(&batch).unwrap();
    bench.issue(session);
    bench.store.drop_old_frames(0).unwrap();
    let left = bench.reader().chunks("bench-shunt").unwrap();
    let left: Vec<_> = left.iter().map(|head| (head.run, head.t_max_us)).collect();
    assert_eq!(left, [(charged.run, charged.t_us - SECOND)]);
}
