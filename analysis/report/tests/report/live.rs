//! The stream and the store are one way: same samples, same digits.

use std::ops::ControlFlow;

use ampledger_report::export::export_bdf_csv;
use ampledger_report::{SessionFeed, compute, holding_fed};
use ampledger_store::Range;
use ampledger_types::Quantity;
use ampledger_types::result::AnomalyKind;
use proptest::prelude::*;

use super::bench::*;

#[test]
fn a_live_feed_gives_the_report_of_the_store_at_every_moment() {
    let mut bench = Bench::new();
    let session = gone_dark(&mut bench);
    let subject = bench.subject(session);
    let mut view = bench.view();
    let mut live = SessionFeed::new(&subject);
    let reader = bench.reader();
    let samples = bench.samples.clone();
    for stored in &samples {
        live.feed(stored);
        if stored.seq % 300 == 0 {
            view.up_to = Some(stored.seq);
            view.now =
                Some(ampledger_types::Bound { run: stored.run, t_us: stored.sample.t_us + SECOND });
            let computed = compute(&reader, session, &view).unwrap();
            assert_eq!(live.report(&subject, &view), computed);
        }
    }
}

#[test]
fn a_session_closed_live_is_the_one_the_store_computes_and_again_the_same() {
    let mut bench = Bench::new();
    let session = whole_test(&mut bench);
    let open = {
        let mut subject = bench.subject(session);
        subject.session.end = None;
        subject
    };
    let view = bench.view();
    let mut live = SessionFeed::new(&open);
    for stored in &bench.samples {
        live.feed(stored);
    }
    let closed = bench.subject(session);
    assert!(live.fits(&closed));
    let computed = bench.report(session);
    assert_eq!(live.report(&closed, &view), computed);
    assert_eq!(bench.report(session), computed);
}

#[test]
fn a_feed_of_columns_gives_the_report_of_the_store_and_one_that_lacks_some_is_read_anew() {
    let mut bench = Bench::new();
    let session = whole_test(&mut bench);
    let open = {
        let mut subject = bench.subject(session);
        subject.session.end = None;
        subject
    };
    let (view, reader) = (bench.view(), bench.reader());
    let (mut whole, mut parted) = (SessionFeed::new(&open), SessionFeed::new(&open));
    let fed = reader.columns(
        &Range::everything(),
        |_| true,
        |block| {
            if whole.fed_up_to() == 0 {
                parted.feed_block(&block);
            }
            whole.feed_block(&block);
            ControlFlow::Continue(())
        },
    );
    fed.unwrap();
    let computed = bench.report(session);
    assert_eq!(whole.report(&bench.subject(session), &view), computed);
    assert!(parted.fed_up_to() < whole.fed_up_to());
    for feed in [whole, parted, SessionFeed::new(&open)] {
        assert_eq!(holding_fed(&reader, session, &view, feed).unwrap().report, computed);
    }
}

#[test]
fn a_feed_goes_on_where_the_store_ends_and_takes_no_sample_twice() {
    let mut bench = Bench::new();
    let session = gone_dark(&mut bench);
    let subject = bench.subject(session);
    let mut view = bench.view();
    let reader = bench.reader();
    view.up_to = Some(900);
    let mut feed = SessionFeed::read(&reader, &subject, &view).unwrap();
    view.up_to = None;
    for stored in &bench.samples[700..] {
        feed.feed(stored);
    }
    assert_eq!(feed.report(&subject, &view), compute(&reader, session, &view).unwrap());
}

#[test]
fn a_feed_knows_when_it_no_longer_fits() {
    let mut bench = Bench::new();
    let session = gone_dark(&mut bench);
    let subject = bench.subject(session);
    let view = bench.view();
    let feed = SessionFeed::read(&bench.reader(), &subject, &view).unwrap();
    assert!(feed.fits(&subject));
    let mut moved = subject.clone();
    moved.session.start.t_us += SECOND;
    assert!(!feed.fits(&moved), "a moved start");
    let mut ended = subject.clone();
    ended.session.end = Some(moved.session.start);
    assert!(!feed.fits(&ended), "an end before the last sample");
    ended.session.end = view.now;
    assert!(feed.fits(&ended), "an end now");
    let mut repacked = subject.clone();
    repacked.pack.as_mut().unwrap().cutoff_voltage_volt = Some(21.0);
    assert!(!feed.fits(&repacked), "another cut-off");
}

#[test]
fn over_a_reboot_with_a_synchronised_clock_the_gap_has_its_length() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(60, |_| (26.6, 0.0));
    bench.for_seconds(600, |s| (26.0 - s * 1e-4, -LOAD_AMPERE));
    let lasted = (bench.t_us - 2 * SECOND - 100 * SECOND) / SECOND;
    bench.reboot("boot-b");
    // The first reading comes 95 s after the last one.
    bench.observe("boot-b", BEGAN_UNIX_SECOND + lasted + 95, true);
    bench.for_seconds(600, |s| (25.5 - s * 1e-4, -LOAD_AMPERE));
    bench.stop(session);
    let report = bench.report(session);
    let main = &report.phases[report.main_discharge.unwrap()];
    assert_eq!(main.gaps.len(), 1, "{main:#?}");
    let length = main.gaps[0].end.test_time_second - main.gaps[0].start.test_time_second;
    assert_eq!(length, 95.0);
    let end = report.session.ended.unwrap();
    assert_eq!(end.unix_time_second, Some(BEGAN_UNIX_SECOND as f64 + end.test_time_second));
}

#[test]
fn over_a_reboot_without_a_trusted_clock_the_length_is_unknown_and_said() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(60, |_| (26.6, 0.0));
    bench.for_seconds(600, |s| (26.0 - s * 1e-4, -LOAD_AMPERE));
    bench.reboot("boot-b");
    bench.observe("boot-b", 1_000, false);
    bench.for_seconds(600, |s| (25.5 - s * 1e-4, -LOAD_AMPERE));
    bench.stop(session);
    let report = bench.report(session);
    let kinds: Vec<AnomalyKind> = report.anomalies.iter().map(|a| a.kind).collect();
    assert!(kinds.contains(&AnomalyKind::GapLengthUnknown), "{kinds:?}");
    assert!(kinds.contains(&AnomalyKind::ClockNotSet), "{kinds:?}");
    assert!(!report.session.clock_synchronised);
    let reasons = &report.results.discharging_capacity_ah.reasons;
    let why = "the boot clock broke off and how long the break was cannot be known";
    assert!(reasons.iter().any(|r| r == why), "{reasons:?}");
}

#[test]
fn a_header_that_changes_in_mid_stream_does_not_end_the_count() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(600, |s| (26.0 - s * 1e-4, -LOAD_AMPERE));
    let wider = group(&[Quantity::Voltage, Quantity::Current, Quantity::Temperature(1)]);
    for second in 0..300 {
        bench.says(
            "bench-shunt",
            wider.clone(),
            vec![25.9 - f64::from(second) * 1e-4, -12.0, 21.0],
        );
        bench.t_us += 2 * SECOND;
    }
    bench.stop(session);
    let report = bench.report(session);
    let seen = report.results.discharging_capacity_ah.value.unwrap();
    assert!((seen - 12.0 * 1200.0 / 3600.0).abs() < 1e-6, "{seen}");
}

/// Steps in time, voltage and current of a stretch as nasty as they come.
fn stretch() -> impl Strategy<Value = (i64, f64, f64, u16)> {
    let step_us = prop_oneof![
        8 => 100_000_i64..3_000_000,
        1 => Just(0),
        1 => -5_000_000_i64..0,
        1 => 10_000_000_i64..5_000_000_000,
    ];
    let ampere = prop_oneof![4 => -30.0..0.0, 2 => Just(0.0), 2 => 0.0..30.0, 1 => Just(f64::NAN)];
    let volt = prop_oneof![8 => 15.0..29.2, 1 => Just(f64::NAN), 1 => Just(0.0)];
    (step_us, volt, ampere, 1_u16..60)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn whatever_is_read_stream_store_and_export_agree(
        stretches in prop::collection::vec(stretch(), 1..12),
        cut in any::<prop::sample::Index>(),
    ) {
        let mut bench = Bench::new();
        let session = bench.start();
        for (step_us, volt, ampere, times) in stretches {
            for i in 0..times {
                if volt.is_nan() && ampere.is_nan() {
                    continue;
                }
                bench.reads(volt - f64::from(i) * 1e-3, ampere);
                bench.t_us += step_us;
            }
        }
        let subject = bench.subject(session);
        let reader = bench.reader();
        let mut view = bench.view();
        view.up_to = Some(cut.index(bench.samples.len() + 1) as u64);
        let mut live = SessionFeed::read(&reader, &subject, &view).unwrap();
        prop_assert_eq!(
            live.report(&subject, &view),
            compute(&reader, session, &view).unwrap()
        );
        view.up_to = None;
        for stored in &bench.samples {
            live.feed(stored);
        }
        let report = live.report(&subject, &view);
        prop_assert_eq!(&report, &compute(&reader, session, &view).unwrap());
        let exported = export_bdf_csv(&reader, session, &view, &mut Vec::new()).unwrap();
        prop_assert_eq!(&exported.report, &report);
        let text = serde_json::to_string(&report).unwrap();
        prop_assert_eq!(serde_json::from_str::<ampledger_types::result::SessionReport>(&text).unwrap(), report);
    }
}

#[test]
fn an_open_discharge_says_how_far_it_has_come_and_what_is_left() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(60, |_| (26.4, 0.0));
    // Bit for bit the same it would be a stuck channel.
    bench.for_seconds(3600, |s| (25.5, -12.0 - 1e-5 * s));
    let (subject, view) = (bench.subject(session), bench.view());
    let snapshot =
        SessionFeed::read(&bench.reader(), &subject, &view).unwrap().snapshot(&subject, &view);
    let progress = snapshot.progress;
    let near = |a: Option<f64>, b: f64| a.is_some_and(|a| (a - b).abs() < 0.01 * b.abs());
    assert!(near(progress.delivered_ah.value, 12.0), "{progress:?}");
    assert!(near(progress.delivered_wh.value, 12.0 * 25.5), "{progress:?}");
    assert!(near(progress.share_of_rating, 0.2), "{progress:?}");
    assert!(near(progress.current_ampere, -12.0) && near(progress.power_watt, -306.0));
    assert!(near(progress.c_rate, 0.2), "{progress:?}");
    assert!(near(progress.to_cutoff_ah.value, 48.0), "{progress:?}");
    assert!(near(progress.to_cutoff_second.value, 4.0 * 3600.0), "{progress:?}");
    // The rating may be 20 % off, evenly spread: 2 × 12 Ah / √3 at 12 A is
    // 1.155 h (JCGM 100:2008, 4.3.7).
    let doubt = progress.to_cutoff_second.expanded_uncertainty;
    assert!(near(doubt, 1.1547 * 3600.0), "{doubt:?}");
    assert!(!progress.to_cutoff_second.reasons.is_empty(), "it rests on the rating");
    assert!(
        snapshot.sentence.contains("about 3 h 59 min (± 1 h 9 min) to 20.0 V"),
        "{}",
        snapshot.sentence
    );
}

#[test]
fn what_is_left_rests_on_what_the_pack_gave_before() {
    let mut bench = Bench::new();
    let first = bench.start();
    discharge_to_cutoff(&mut bench);
    bench.stop(first);
    let report = bench.report(first);
    let before = report.results.capacity_to_cutoff_ah.value.unwrap();
    bench.store.save_report(first, 1, &report, &[]).unwrap();
    bench.for_seconds(600, |_| (26.4, 0.0));
    let session = bench.start();
    bench.for_seconds(1800, |s| (25.5, -12.0 - 1e-5 * s));
    let (subject, view) = (bench.subject(session), bench.view());
    let snapshot =
        SessionFeed::read(&bench.reader(), &subject, &view).unwrap().snapshot(&subject, &view);
    let left = &snapshot.progress.to_cutoff_ah;
    assert!((left.value.unwrap() - (before - 6.0)).abs() < 0.05, "{before}: {left:?}");
    // 10 % of it, evenly spread, as the meter is not described: 2 × 0.1 × C / √3
    // (JCGM 100:2008, 4.3.7).
    let doubt = left.expanded_uncertainty.unwrap();
    assert!((doubt - 0.2 * before / 3.0_f64.sqrt()).abs() < 0.05 * doubt, "{left:?}");
    assert!(left.reasons[0].contains("it rests on what session 1 gave"), "{left:?}");
    assert!(left.reasons[0].contains("not proven), which may be 10 % off"), "{left:?}");
}

#[test]
fn nothing_is_left_to_say_of_a_pack_that_rests() {
    let mut bench = Bench::new();
    let session = bench.start();
    bench.for_seconds(600, |_| (26.4, 0.0));
    let (subject, view) = (bench.subject(session), bench.view());
    let snapshot =
        SessionFeed::read(&bench.reader(), &subject, &view).unwrap().snapshot(&subject, &view);
    let left = &snapshot.progress.to_cutoff_second;
    assert_eq!(
        (left.value, left.reasons.as_slice()),
        (None, &["no discharge is under way".to_owned()][..])
    );
}
