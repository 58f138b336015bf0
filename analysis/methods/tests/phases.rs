//! Gaps, phases and anomalies on pack GAL-07: for each bench rule one case
//! that meets it and one that just fails.

mod bench;

use ampledger_methods::{Row, SessionAnalysis, Setting};
use ampledger_types::api::CheckOutcome;
use ampledger_types::result::{AnomalyKind, EndReason, PhaseKind};
use bench::{Bench, count, gal_07, kinds, main_discharge, near, row};

use PhaseKind::{Charge, Discharge, Rest};

#[test]
fn a_silence_is_a_gap_above_two_seconds_and_five_intervals() {
    let gaps = |interval: f64, silence: f64| {
        let mut bench = Bench::full();
        bench.interval = interval;
        bench.run(-12.0, 150.0 * interval).dark(-12.0, silence - interval).run(-12.0, interval);
        count(&bench.stopped(gal_07()), AnomalyKind::Gap)
    };
    assert_eq!((gaps(0.1, 2.0), gaps(0.1, 2.1)), (0, 1));
    assert_eq!((gaps(1.0, 5.0), gaps(1.0, 5.1)), (0, 1));
    assert_eq!((gaps(20.0, 100.0), gaps(20.0, 101.0)), (0, 1));
}

#[test]
fn a_gap_is_counted_by_the_straight_line_up_to_one_hour() {
    let counted = |silence: f64| {
        let mut bench = Bench::full();
        bench.run(-12.0, 600.0).dark(-12.0, silence - 1.0).run(-12.0, 600.0);
        let found = bench.stopped(gal_07());
        let gap = main_discharge(&found).gaps[0];
        assert!(near(gap.highest_ah, 12.0 * silence / 3600.0, 1e-9));
        (gap.estimated_ah, found.totals.discharged_ah)
    };
    let (estimate, total) = counted(3600.0);
    assert!(near(estimate.unwrap(), 12.0, 1e-12));
    assert!(near(total, 12.0 * (1198.0 + 3600.0) / 3600.0, 1e-9));
    let (estimate, total) = counted(3601.0);
    assert_eq!(estimate, None);
    assert!(near(total, 12.0 * 1198.0 / 3600.0, 1e-9));
}

#[test]
fn the_interval_in_which_the_load_comes_on_is_the_discharges_by_trapezoid() {
    let mut bench = Bench::full();
    bench.interval = 20.0;
    bench.run(0.0, 200.0).run(-12.0, 400.0).run(0.0, 200.0);
    let found = bench.stopped(gal_07());
    assert_eq!(kinds(&found), [Rest, Discharge, Rest]);
    assert_eq!(count(&found, AnomalyKind::Gap), 0);
    assert_eq!(found.phases[1].start_us, 180_000_000);
    assert!(near(found.totals.discharged_ah, 12.0 * 400.0 / 3600.0, 1e-12));
    assert_eq!(found.totals.rest_net_ah, 0.0);
}

#[test]
fn a_load_that_came_on_in_the_dark_is_bounded_and_not_counted() {
    let on_after = |silence: f64| {
        let mut bench = Bench::full();
        bench.run(0.0, 200.0).dark(0.0, silence - 1.0).run(-12.0, 101.0);
        bench.stopped(gal_07())
    };
    let slow = on_after(10.0);
    assert!(near(slow.totals.discharged_ah, 12.0 * 105.0 / 3600.0, 1e-12));
    let dark = on_after(11.0);
    assert!(near(dark.totals.discharged_ah, 12.0 * 100.0 / 3600.0, 1e-12));
    let gap = dark.phases[1].gaps[0];
    assert_eq!(gap.estimated_ah, None);
    assert!(near(gap.highest_ah, 12.0 * 11.0 / 3600.0, 1e-12));
}

#[test]
fn rest_begins_after_ten_seconds_at_rest_and_is_dated_back() {
    let pause = |seconds: f64| {
        let mut bench = Bench::full();
        bench.run(-12.0, 100.0).run(0.05, seconds).run(12.0, 100.0);
        bench.stopped(gal_07())
    };
    assert_eq!(kinds(&pause(10.0)), [Discharge, Charge], "9 s from first to last row");
    let long = pause(11.0);
    assert_eq!(kinds(&long), [Discharge, Rest, Charge]);
    assert_eq!((long.phases[1].start_us, long.phases[1].end_us), (100_000_000, 110_000_000));
}

#[test]
fn rest_is_left_after_two_seconds_above_twice_the_threshold() {
    let blip = |current: f64, seconds: f64| {
        let mut bench = Bench::full();
        bench.run(0.0, 100.0).run(current, seconds).run(0.0, 100.0);
        bench.stopped(gal_07())
    };
    assert_eq!(kinds(&blip(-12.0, 2.0)), [Rest], "1 s from first to last row");
    assert_eq!(kinds(&blip(-12.0, 3.0)), [Rest, Discharge, Rest]);
    assert_eq!(kinds(&blip(-0.24, 60.0)), [Rest]);
    assert_eq!(kinds(&blip(-0.25, 60.0)), [Rest, Discharge, Rest]);
}

#[test]
fn what_a_rest_carries_is_booked_net_on_its_own_line() {
    let mut bench = Bench::full();
    for n in 0..3601 {
        bench.read(if n % 2 == 0 { 0.1 } else { -0.06 }, 26.6);
    }
    let found = bench.stopped(gal_07());
    assert_eq!((found.totals.discharged_ah, found.totals.charged_ah), (0.0, 0.0));
    assert!(near(found.totals.rest_net_ah, 0.02, 1e-9));
    assert_eq!(found.phases[0].discharged_ah, 0.0);
    assert!(near(found.phases[0].charged_ah, 0.02, 1e-9));
}

#[test]
fn discharges_parted_by_up_to_ten_minutes_are_one() {
    let parted = |rest: f64| {
        let mut bench = Bench::full();
        bench.run(-12.0, 300.0).run(0.0, rest).run(-12.0, 300.0).run(0.0, 30.0);
        bench.stopped(gal_07())
    };
    // From the first row at rest to the last.
    let one = parted(601.0);
    assert_eq!(kinds(&one), [Discharge, Rest]);
    assert_eq!(one.phases[0].interruptions, [(300_000_000, 900_000_000)]);
    assert!(near(one.phases[0].discharged_ah, 12.0 * (299.5 + 300.0) / 3600.0, 1e-12));
    let mean = one.phases[0].mean_current_ampere.unwrap();
    assert!(mean < -11.9, "{mean}: the interruption is no part of the mean");
    assert_eq!(kinds(&parted(602.0)), [Discharge, Rest, Discharge, Rest]);
}

#[test]
fn what_an_interruption_carries_is_the_rests_and_not_the_discharges() {
    let mut bench = Bench::full();
    bench.run(-12.0, 300.0).run(0.1, 361.0).run(-12.0, 300.0);
    let found = bench.stopped(gal_07());
    assert_eq!(kinds(&found), [Discharge]);
    assert!(near(found.totals.rest_net_ah, 0.01, 1e-9));
}

#[test]
fn a_standby_draw_after_a_discharge_is_not_merged_with_it() {
    let mut bench = Bench::full();
    bench.run(-12.0, 300.0).run(0.0, 60.0).run(-0.3, 300.0);
    assert_eq!(kinds(&bench.stopped(gal_07())), [Discharge, Rest, Discharge]);
}

#[test]
fn a_cutoff_in_the_second_stretch_counts_from_the_first_start() {
    let mut bench = Bench::full();
    bench.run(-12.0, 300.0).run(0.0, 60.0).run(-12.0, 300.0);
    for n in 0..10 {
        bench.read(-12.0, 20.0 - 0.001 * f64::from(n));
    }
    bench.run(0.0, 60.0).run(-12.0, 60.0);
    let found = bench.stopped(gal_07());
    assert_eq!(kinds(&found), [Discharge, Rest, Discharge], "never across a confirmed cut-off");
    let cutoff = found.phases[0].end.clone().unwrap().cutoff.unwrap();
    assert!(near(cutoff.discharged_ah, 12.0 * (299.5 + 300.5) / 3600.0, 1e-12));
    assert_eq!(count(&found, AnomalyKind::SecondRun), 1);
}

#[test]
fn a_standby_draw_is_said_and_is_not_the_main_discharge() {
    let drawn = |standby: f64| {
        let mut bench = Bench::full();
        bench.run(0.0, 60.0).run(-12.0, 60.0).run(12.0, 60.0).run(standby, 7200.0);
        bench.stopped(gal_07())
    };
    let found = drawn(-0.59);
    assert_eq!(found.main_discharge, Some(1));
    assert!(found.notes.iter().any(|n| n.contains("standby level")));
    let found = drawn(-0.6);
    assert_eq!(found.main_discharge, Some(3), "C/100 is a discharge");
    assert!(!found.notes.iter().any(|n| n.contains("standby level")));
}

#[test]
fn without_a_rating_the_threshold_is_said() {
    let mut bench = Bench::full();
    bench.run(0.01, 100.0).run(-12.0, 1000.0).run(0.01, 100.0);
    let found = bench.stopped(Setting { rated_ah: None, ..gal_07() });
    assert_eq!(kinds(&found), [Rest, Discharge, Rest]);
    assert!(near(found.rest_threshold_ampere, 0.12, 0.05));
    assert!(found.notes[0].contains("no rated capacity"));
}

#[test]
fn times_that_repeat_or_run_backwards_add_nothing() {
    let mut bench = Bench::full();
    bench.run(-12.0, 11.0);
    let clean = bench.stopped(gal_07());
    bench.rows.insert(5, bench.rows[4]);
    bench.rows.insert(9, row(2.0, -50.0, 25.0));
    let found = bench.stopped(gal_07());
    assert_eq!(found.totals, clean.totals);
    assert_eq!(count(&found, AnomalyKind::TimeRepeated), 1);
    assert_eq!(count(&found, AnomalyKind::TimeBackwards), 1);
}

#[test]
fn missing_values_are_counted_and_bridged_by_the_line() {
    let mut bench = Bench::full();
    bench.run(-12.0, 101.0);
    bench.rows[50].current_ampere = None;
    bench.rows[60].current_ampere = Some(f64::NAN);
    bench.rows[70].voltage_volt = Some(f64::INFINITY);
    let found = bench.stopped(gal_07());
    assert_eq!(count(&found, AnomalyKind::ValueMissing), 3);
    assert!(near(found.totals.discharged_ah, 12.0 * 100.0 / 3600.0, 1e-12));
    assert!(found.totals.discharged_wh.is_some(), "the voltage before stands in");
}

#[test]
fn a_voltage_of_another_group_is_held_for_ten_seconds() {
    let energy = |age: i64| {
        let mut analysis = SessionAnalysis::new(gal_07());
        for second in 0..20_i64 {
            if second % (age + 1) == 0 {
                let voltage_volt = Some(26.0);
                let t_us = second * 1_000_000;
                analysis.push(&Row { t_us, voltage_volt, group: 1, ..Row::default() });
            }
            let current_ampere = Some(-12.0);
            analysis.push(&Row { t_us: second * 1_000_000, current_ampere, ..Row::default() });
        }
        analysis.snapshot(None, true)
    };
    let held = energy(10);
    assert!(near(held.totals.discharged_wh.unwrap(), 26.0 * 12.0 * 19.0 / 3600.0, 1e-12));
    assert!(held.notes.iter().any(|n| n.contains("do not arrive together")));
    let stale = energy(11);
    assert_eq!(stale.totals.discharged_wh, None);
    assert!(near(stale.totals.discharged_ah, 12.0 * 19.0 / 3600.0, 1e-12));
}

#[test]
fn a_stuck_channel_is_listed_as_a_gap_and_its_charge_is_kept() {
    let mut bench = Bench::full();
    bench.run(-12.0, 120.0);
    for _ in 0..61 {
        bench.read(-12.0, 26.4);
    }
    bench.run(-12.0, 60.0);
    let found = bench.stopped(gal_07());
    assert_eq!(count(&found, AnomalyKind::ChannelStuck), 1);
    assert_eq!(main_discharge(&found).gaps.len(), 1);
    assert!(near(found.totals.discharged_ah, 12.0 * 240.0 / 3600.0, 1e-12));
}

#[test]
fn a_break_of_unknown_length_is_told_and_nothing_is_counted_across() {
    let mut analysis = SessionAnalysis::new(gal_07());
    let mut bench = Bench::full();
    bench.run(-12.0, 101.0);
    bench.rows.iter().for_each(|row| analysis.push(row));
    analysis.break_of_unknown_length();
    let at_us = bench.rows.last().unwrap().t_us;
    for second in 0..101 {
        analysis.push(&Row { t_us: at_us + second * 1_000_000, ..row(0.0, -12.0, 26.0) });
    }
    let found = analysis.snapshot(None, true);
    assert_eq!(count(&found, AnomalyKind::GapLengthUnknown), 1);
    assert_eq!(kinds(&found), [Discharge]);
    assert!(near(found.totals.discharged_ah, 12.0 * 200.0 / 3600.0, 1e-12));
    assert_eq!(main_discharge(&found).end.clone().unwrap().reason, EndReason::SessionEnded);
}

#[test]
fn flapping_stays_bounded_and_loses_no_charge() {
    let mut bench = Bench::full();
    for _ in 0..12_000 {
        for (current, rows) in [(-12.0, 4), (12.0, 4)] {
            (0..rows).for_each(|_| {
                bench.read(current, 26.0);
            });
        }
    }
    let found = bench.stopped(gal_07());
    assert!(found.phases.len() <= 10_001);
    assert!(found.notes.iter().any(|n| n.contains("too many changes")));
    let expected = 12.0 * 12_000.0 * 3.5 / 3600.0;
    assert!(near(found.totals.discharged_ah, expected, 1e-3));
}

fn outcome(analysis: &SessionAnalysis, name: &str) -> Option<CheckOutcome> {
    analysis.first_minute_checks().into_iter().find(|c| c.name == name).map(|c| c.outcome)
}

#[test]
fn first_minute_checks_are_open_then_good() {
    let mut bench = Bench::full();
    let none = bench.analyse(gal_07());
    assert_eq!(outcome(&none, "current"), Some(CheckOutcome::Open));
    bench.run(0.0, 30.0);
    let rest = bench.analyse(gal_07());
    assert_eq!(outcome(&rest, "voltage"), Some(CheckOutcome::Good));
    assert_eq!(outcome(&rest, "sign of current"), Some(CheckOutcome::Open));
    bench.run(-12.0, 30.0);
    let loaded = bench.analyse(gal_07());
    assert_eq!(outcome(&loaded, "sign of current"), Some(CheckOutcome::Good));
    assert!(loaded.snapshot(None, false).anomalies.is_empty());
}

#[test]
fn a_current_that_comes_no_more_while_the_voltage_does_is_not_good() {
    let mut bench = Bench::full();
    bench.run(0.0, 30.0);
    let at_us = bench.rows.last().unwrap().t_us;
    let mut analysis = bench.analyse(gal_07());
    for (second, outcome_then) in [(9, CheckOutcome::Good), (11, CheckOutcome::Bad)] {
        let voltage =
            Row { t_us: at_us + second * 1_000_000, voltage_volt: Some(26.5), ..Row::default() };
        analysis.push(&voltage);
        assert_eq!(outcome(&analysis, "current"), Some(outcome_then), "{second} s");
    }
}

#[test]
fn a_rest_voltage_of_another_pack_is_a_loud_anomaly() {
    let mut bench = Bench::full();
    bench.run(0.0, 30.0);
    let other = Setting { cells_in_series: Some(4), ..gal_07() };
    let analysis = bench.analyse(other);
    assert_eq!(outcome(&analysis, "voltage"), Some(CheckOutcome::Bad));
    let found = analysis.snapshot(None, false);
    assert_eq!(count(&found, AnomalyKind::VoltageDoesNotFitPack), 1);
    let unnamed = bench.analyse(Setting { chemistry: None, ..gal_07() });
    assert_eq!(outcome(&unnamed, "voltage"), Some(CheckOutcome::Open));
}

#[test]
fn a_voltage_that_rises_as_discharge_begins_means_a_reversed_sign() {
    let mut bench = Bench::full();
    bench.run(0.0, 30.0).run(12.0, 30.0);
    bench.rows.iter_mut().for_each(|r| r.current_ampere = r.current_ampere.map(|i| -i));
    let analysis = bench.analyse(gal_07());
    assert_eq!(outcome(&analysis, "sign of current"), Some(CheckOutcome::Bad));
    assert_eq!(count(&analysis.snapshot(None, false), AnomalyKind::CurrentSignReversed), 1);
}

#[test]
fn the_meters_own_power_may_differ_by_two_percent() {
    let differs = |share: f64| {
        let mut bench = Bench::full();
        bench.run(-12.0, 30.0);
        for row in &mut bench.rows {
            row.power_watt = row.voltage_volt.map(|v| v * 12.0 * share);
        }
        let analysis = bench.analyse(gal_07());
        count(&analysis.snapshot(None, false), AnomalyKind::PowerDisagrees)
    };
    assert_eq!((differs(1.019), differs(1.021), differs(0.979)), (0, 1, 1));
}

#[test]
fn readings_taken_while_the_load_changes_are_not_compared() {
    let mut bench = Bench::full();
    bench.run(0.0, 30.0).run(-12.0, 30.0);
    for row in &mut bench.rows {
        row.power_watt = row.voltage_volt.zip(row.current_ampere).map(|(v, i)| v * i);
    }
    bench.rows[30].power_watt = Some(-100.0);
    let found = bench.stopped(gal_07());
    assert_eq!(count(&found, AnomalyKind::PowerDisagrees), 0);
}

#[test]
fn a_second_ammeter_may_differ_by_three_percent_and_disturbs_nothing() {
    let differs = |share: f64| {
        let mut bench = Bench::full();
        bench.run(-12.0, 30.0);
        let alone = bench.stopped(gal_07());
        let second = |r: &Row| Row {
            t_us: r.t_us + 300_000,
            current_ampere: Some(-12.0 * share),
            voltage_volt: None,
            group: 1,
            source: 1,
            ..*r
        };
        bench.rows = bench.rows.iter().flat_map(|r| [*r, second(r)]).collect();
        let found = bench.stopped(gal_07());
        assert_eq!(found.totals, alone.totals);
        count(&found, AnomalyKind::AmmetersDisagree)
    };
    assert_eq!((differs(1.02), differs(1.04), differs(-1.0)), (0, 1, 1));
}

#[test]
fn a_slow_voltmeter_is_waited_for_before_the_sign_is_judged() {
    let mut bench = Bench::full();
    bench.run(0.0, 35.0).run(-12.0, 30.0);
    let slow = |r: &Row| Row { group: 1, current_ampere: None, ..*r };
    let fast = |r: &Row| Row { voltage_volt: None, ..*r };
    let rows: Vec<Row> = bench.rows.clone();
    bench.rows = Vec::new();
    for (n, r) in rows.iter().enumerate() {
        bench.rows.extend((n % 8 == 0).then(|| slow(r)));
        bench.rows.push(fast(r));
    }
    let analysis = bench.analyse(gal_07());
    assert_eq!(outcome(&analysis, "sign of current"), Some(CheckOutcome::Good));
}
