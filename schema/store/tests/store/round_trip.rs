//! Everything that is written comes back as it was.

use std::collections::BTreeMap;
use std::ops::{ControlFlow, RangeInclusive};

use ampledger_store::{Batch, FrameChunk, NewRun, Range, Reader, Refusal, Store, StoreError};
use ampledger_types::result::{DatedMarker, Figure, Results, SessionHead, SessionReport};
use ampledger_types::{
    Chemistry, ClockObservation, Frame, FrameKind, Instrument, LineMark, Marker, MarkerKind, Pack,
    Rating, RatingBasis, RunId, Seq, Session, Tag, Unit,
};
use proptest::prelude::*;

use crate::shed;

/// A batch with something of everything.
pub fn full_batch(run: RunId, numbers: RangeInclusive<Seq>) -> Batch {
    let samples = shed::samples(run, numbers);
    let set = samples[0].decode_set.clone();
    let frame = |number: u64, kind, payload: &[u8]| Frame {
        number,
        t_us: number.cast_signed() * 100_000,
        kind,
        endpoint: 0,
        payload: payload.to_vec(),
    };
    let chunk = |snapshot, frames| FrameChunk { run, decode_set: set.clone(), snapshot, frames };
    Batch {
        samples,
        blocks: Vec::new(),
        frames: vec![
            chunk(
                Some(b"state".to_vec()),
                vec![
                    frame(1, FrameKind::Opened, b""),
                    frame(2, FrameKind::Received, b"26.4,-12.1\n"),
                ],
            ),
            chunk(None, vec![frame(3, FrameKind::Closed, b"")]),
        ],
        markers: vec![
            marker(run, 0, MarkerKind::RecordingBegan, None),
            marker(run, 5, MarkerKind::Note, Some("bench-shunt")),
            marker(run, 5, MarkerKind::Note, None),
        ],
        line_marks: vec![LineMark { run, seq: 1, line: 2 }],
        observations: vec![
            ("5d1c".to_owned(), seen(1, 2, false)),
            ("5d1c".to_owned(), seen(3, 4, true)),
        ],
    }
}

fn marker(run: RunId, t_us: i64, kind: MarkerKind, source: Option<&str>) -> Marker {
    let text = "lead moved to the other stud".to_owned();
    let source = source.map(str::to_owned);
    Marker { source, count: 3, ..Marker::new(shed::at(run, t_us), kind, text) }
}

fn seen(t_us: i64, unix_us: i64, synchronised: bool) -> ClockObservation {
    ClockObservation { t_us, unix_us, synchronised }
}

fn chunks(
    reader: &Reader,
    source: &str,
    from: (RunId, i64),
    to: Option<(RunId, i64)>,
) -> Vec<FrameChunk> {
    let mut all = Vec::new();
    let bound = |(run, t_us)| shed::at(run, t_us);
    let done = reader.frames(source, bound(from), to.map(bound), |chunk| {
        all.push(chunk);
        ControlFlow::Continue(())
    });
    done.unwrap();
    all
}

#[test]
fn one_batch_with_everything_comes_back() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let batch = full_batch(run, 1..=20);
    assert_eq!(store.append(&batch).unwrap(), 20);
    let reader = store.reader().unwrap();
    assert!(shed::same_bits(&shed::read(&reader, &Range::everything()), &batch.samples));
    assert_eq!(chunks(&reader, "bench-shunt", (run, i64::MIN), None), batch.frames);
    assert_eq!(reader.markers(shed::at(run, 0), None).unwrap(), batch.markers);
    assert_eq!(reader.markers(shed::at(run, 1), None).unwrap(), batch.markers[1..]);
    let first = reader.markers(shed::at(run, 0), Some(shed::at(run, 4))).unwrap();
    assert_eq!(first, batch.markers[..1]);
    assert_eq!(reader.observations("5d1c").unwrap(), [seen(1, 2, false), seen(3, 4, true)]);
    assert_eq!(reader.clock_map("5d1c").unwrap().date(4).unwrap().unix_us, 5);
    assert_eq!(reader.observations("another").unwrap(), []);
    assert_eq!(reader.sources().unwrap(), ["bench-shunt"]);
}

#[test]
fn frames_of_one_source_between_two_moments_come_in_whole_chunks() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let batch = full_batch(run, 1..=2);
    store.append(&batch).unwrap();
    let reader = store.reader().unwrap();
    assert_eq!(chunks(&reader, "bench-shunt", (run, 200_000), None), batch.frames);
    assert_eq!(chunks(&reader, "bench-shunt", (run, 200_001), None), batch.frames[1..]);
    assert_eq!(chunks(&reader, "bench-shunt", (run, 0), Some((run, 299_999))), batch.frames[..1]);
    assert_eq!(chunks(&reader, "clamp", (run, 0), None), []);
}

#[test]
fn a_chunk_too_big_for_one_row_comes_back_in_several_with_the_snapshot_first() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let mut batch = full_batch(run, 1..=1);
    batch.frames.truncate(1);
    let mut third = batch.frames[0].frames[1].clone();
    (third.number, third.payload) = (3, vec![b'x'; 3 << 20]);
    let fourth = Frame { number: 4, ..third.clone() };
    batch.frames[0].frames.extend([third, fourth]);
    store.append(&batch).unwrap();
    let found = chunks(&store.reader().unwrap(), "bench-shunt", (run, 0), None);
    assert_eq!(found.len(), 2);
    assert_eq!((&found[0].snapshot, &found[1].snapshot), (&Some(b"state".to_vec()), &None));
    let frames: Vec<_> = found.into_iter().flat_map(|c| c.frames).collect();
    assert_eq!(frames, batch.frames[0].frames);
}

#[test]
fn runs_come_back_in_order() {
    let (_dir, _path, mut store) = shed::store();
    let live = shed::run(&mut store);
    let new = NewRun {
        boot_id: "replay".to_owned(),
        started_t_us: -7,
        clock_rate: 60.0,
        recorded_by: "ampledgerd test".to_owned(),
        replay_of: Some("clamp".to_owned()),
    };
    let replay = store.begin_run(&new).unwrap();
    assert_eq!((live.id, replay.id), (RunId(1), RunId(2)));
    assert_eq!(store.reader().unwrap().runs().unwrap(), [live, replay]);
}

#[test]
fn an_instrument_is_as_it_was_described_until_it_is_described_anew() {
    let (_dir, _path, mut store) = shed::store();
    let runs = [(); 4].map(|()| shed::run(&mut store).id);
    let described = |serial: &str| {
        let serial_number = Some(serial.to_owned());
        let instrument = Instrument { serial_number, ..Instrument::default() };
        BTreeMap::from([("bench-shunt".to_owned(), instrument)])
    };
    for (run, serial) in runs.into_iter().zip(["A1", "A1", "B2", "A1"]) {
        store.put_instruments(run, &described(serial)).unwrap();
    }
    let reader = store.reader().unwrap();
    for (run, serial) in runs.into_iter().zip(["A1", "A1", "B2", "A1"]) {
        assert_eq!(reader.instruments(run).unwrap(), described(serial), "{run:?}");
    }
    assert_eq!(reader.instruments(RunId(0)).unwrap(), BTreeMap::new());
}

#[test]
fn what_is_written_whole_is_seen_at_its_end_or_never() {
    let (_dir, path, mut store) = shed::store();
    let kept = shed::run(&mut store).id;
    let reader = Reader::open(&path).unwrap();
    for is_finished in [false, true] {
        store.begin_whole().unwrap();
        let run = shed::run(&mut store).id;
        for first in [1, 10_001] {
            let samples = shed::samples(run, first..first + 10_000);
            store.append(&Batch { samples, ..Batch::default() }).unwrap();
        }
        store
            .append(&Batch { samples: shed::samples(RunId(99), [1]), ..Batch::default() })
            .unwrap_err();
        shed::session(&mut store, shed::at(run, 0));
        assert_eq!((reader.recorded_up_to(), reader.sessions().unwrap().len()), (Ok(0), 0));
        if is_finished {
            store.finish_whole().unwrap();
        }
        drop(store);
        store = Store::open(&path).unwrap();
        let seen = (store.recorded_up_to(), reader.runs().unwrap().len());
        assert_eq!(seen, if is_finished { (20_000, 2) } else { (0, 1) });
    }
    assert_eq!(reader.runs().unwrap()[0].id, kept);
    assert_eq!(shed::read(&reader, &Range::everything()).len(), 20_000);
}

fn gal_07() -> Pack {
    Pack {
        label: "GAL-07".to_owned(),
        rating: Some(Rating {
            capacity_ah: 60.0,
            basis: Some(RatingBasis::CurrentAmpere(12.0)),
            temperature_celsius: Some(25.0),
            end_voltage_volt: Some(20.0),
        }),
        chemistry: Some(Chemistry::LithiumIronPhosphate),
        cells_in_series: Some(8),
        charge_voltage_volt: Some(29.2),
        visual_findings: Some("refurbished; one terminal re-tapped".to_owned()),
        ..Pack::default()
    }
}

#[test]
fn a_pack_is_kept_by_its_label_and_replaced_whole() {
    let (_dir, _path, mut store) = shed::store();
    let tug = Pack { label: "TUG-3".to_owned(), ..Pack::default() };
    let mut gal = gal_07();
    store.put_pack(&tug).unwrap();
    store.put_pack(&gal).unwrap();
    gal.is_unsafe = true;
    gal.visual_findings = None;
    store.put_pack(&gal).unwrap();
    let reader = store.reader().unwrap();
    assert_eq!(reader.packs().unwrap(), [gal.clone(), tug]);
    assert_eq!(reader.pack("GAL-07").unwrap(), Some(gal));
    assert_eq!(reader.pack("GAL-08").unwrap(), None);
}

#[test]
fn a_figure_that_is_no_number_is_refused_rather_than_lost() {
    let (_dir, _path, mut store) = shed::store();
    let mut gal = gal_07();
    gal.charge_voltage_volt = Some(f64::NAN);
    let refused = store.put_pack(&gal).unwrap_err();
    assert!(matches!(refused, StoreError::Refused(Refusal::Unkeepable { .. })), "{refused}");
    assert_eq!(store.reader().unwrap().packs().unwrap(), []);
}

#[test]
fn a_session_comes_back_with_all_that_was_changed_in_it() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let other = shed::session(&mut store, shed::at(run, 5));
    let mut session = shed::session(&mut store, shed::at(run, 1_000));
    assert_eq!((session.id, session.revision, session.is_open()), (2, 1, true));
    assert_ne!(session.uuid, other.uuid);
    let reader = store.reader().unwrap();
    assert_eq!(reader.session(2).unwrap().as_ref(), Some(&session));

    session.pack = None;
    session.sources.pop();
    session.start.t_us = -4;
    session.end = Some(shed::at(run, 9_000));
    session.revision = 3;
    session.cutoff_voltage_volt = None;
    session.tags = vec![Tag { key: "b".to_owned(), value: Some(String::new()) }];
    store.put_session(&session).unwrap();
    assert_eq!(reader.sessions().unwrap(), [other, session]);
    assert_eq!(reader.session(3).unwrap(), None);
}

#[test]
fn a_session_needs_its_number_and_its_run() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let mut session = shed::session(&mut store, shed::at(run, 0));
    session.end = Some(shed::at(RunId(77), 0));
    let refused = store.put_session(&session).unwrap_err();
    assert!(matches!(refused, StoreError::Refused(Refusal::Unkeepable { .. })), "{refused}");
    session.id = 9;
    let refused = store.put_session(&session).unwrap_err();
    assert_eq!(refused, StoreError::Refused(Refusal::NoSuchSession { id: 9 }));
    assert!(store.reader().unwrap().session(1).unwrap().unwrap().is_open());
}

pub fn report(session: &Session, claim: &str) -> SessionReport {
    let none = |unit| Figure::undetermined(unit, "none", vec!["no samples".to_owned()]);
    let ah = || none(Unit::AmpereHour);
    let wh = || none(Unit::WattHour);
    let moment =
        ampledger_types::result::Moment { test_time_second: 0.1, unix_time_second: Some(1.7e9) };
    SessionReport {
        session: SessionHead {
            session: session.clone(),
            started: moment,
            ended: None,
            clock_synchronised: true,
            clock_rate: 1.0,
        },
        pack: Some(gal_07()),
        claim: claim.to_owned(),
        phases: Vec::new(),
        main_discharge: None,
        verdict: None,
        temperatures: Vec::new(),
        results: Results {
            discharging_capacity_ah: ah(),
            discharging_energy_wh: wh(),
            charging_capacity_ah: ah(),
            charging_energy_wh: wh(),
            capacity_to_cutoff_ah: ah(),
            energy_to_cutoff_wh: wh(),
            main_discharge_ah: ah(),
            main_discharge_wh: wh(),
            rest_net_ah: ah(),
        },
        further: Default::default(),
        anomalies: Vec::new(),
        calibrations: Vec::new(),
        earlier: Vec::new(),
        notes: Vec::new(),
        markers: vec![DatedMarker {
            marker: marker(session.start.run, 3, MarkerKind::Gap, None),
            moment: None,
        }],
        rules: BTreeMap::new(),
        computed_up_to: 12,
        computed_by: "ampledger test".to_owned(),
    }
}

#[test]
fn a_report_on_an_ended_session_never_changes() {
    let (_dir, _path, mut store) = shed::store();
    let run = shed::run(&mut store).id;
    let mut session = shed::session(&mut store, shed::at(run, 0));
    store.save_report(1, 1, &report(&session, "so far 3.1 Ah"), &[]).unwrap();
    store.save_report(1, 1, &report(&session, "so far 3.2 Ah"), &[]).unwrap();
    session.end = Some(shed::at(run, 9_000));
    let ended = report(&session, "57.4 Ah");
    store.save_report(1, 1, &ended, &[]).unwrap();
    store.save_report(1, 1, &ended, &[]).unwrap();
    let refused = store.save_report(1, 1, &report(&session, "57.5 Ah"), &[]).unwrap_err();
    let issued = Refusal::ReportIssued { session: 1, revision: 1 };
    assert_eq!(refused, StoreError::Refused(issued));
    let second = report(&session, "57.5 Ah");
    store.save_report(1, 2, &second, &[]).unwrap();
    assert_eq!(store.reader().unwrap().reports(1).unwrap(), [(1, ended), (2, second)]);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn any_values_and_times_come_back_bit_for_bit(
        rows in proptest::collection::vec(
            ([shed::value(), shed::value()], any::<i64>(), any::<Option<i64>>()), 1..80),
    ) {
        let (_dir, path, mut store) = shed::store();
        let run = shed::run(&mut store).id;
        let mut samples = shed::samples(run, 1..=rows.len() as u64);
        for (sample, (values, t_us, instrument_t_us)) in samples.iter_mut().zip(rows) {
            sample.sample.values = values.to_vec();
            (sample.sample.t_us, sample.sample.instrument_t_us) = (t_us, instrument_t_us);
        }
        store.append(&Batch { samples: samples.clone(), ..Batch::default() }).unwrap();
        drop(store);
        let found = shed::read(&Reader::open(&path).unwrap(), &Range::everything());
        prop_assert!(shed::same_bits(&found, &samples));
    }
}
