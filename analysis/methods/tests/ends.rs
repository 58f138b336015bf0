//! How discharges end, each on pack GAL-07: cut-off, trip, load removed, dark,
//! rebound; and the rule that just fails beside the one that just holds.

mod bench;

use ampledger_methods::standing::{Judged, judge_sum};
use ampledger_methods::{Analysis, CutoffRule, Setting};
use ampledger_types::result::{AnomalyKind, EndReason, PhaseKind, Status};
use bench::proven::stated;
use bench::{Bench, count, gal_07, kinds, main_discharge, near};

fn rested() -> Bench {
    let mut bench = Bench::full();
    bench.run(0.0, 60.0);
    bench
}

#[test]
fn a_trip_ends_the_discharge_with_the_last_voltage_under_load() {
    let mut bench = rested();
    bench.run(-12.0, 1800.0);
    for _ in 0..30 {
        bench.read(0.0, 0.3);
    }
    let found = bench.stopped(gal_07());
    let end = main_discharge(&found).end.clone().unwrap();
    assert_eq!(end.reason, EndReason::ProtectionTrip);
    assert_eq!(end.cutoff, None);
    assert!(end.cutoff_unknown_because.unwrap().contains("protection tripped at 26."));
    assert_eq!(end.trip_means_empty, Some(false), "3.3 V a cell and no knee: cause unknown");
    assert!(near(main_discharge(&found).discharged_ah, 12.0 * 1800.0 / 3600.0, 1e-3));
}

#[test]
fn a_reading_that_falls_into_the_trip_is_no_cutoff() {
    let mut bench = rested();
    bench.run(-12.0, 1800.0).read(-5.0, 14.0);
    for _ in 0..30 {
        bench.read(0.0, 0.3);
    }
    let end = main_discharge(&bench.stopped(gal_07())).end.clone().unwrap();
    assert_eq!((end.reason, end.cutoff), (EndReason::ProtectionTrip, None));
    assert!(end.last_loaded_voltage_volt.unwrap() > 26.0);
}

#[test]
fn a_current_that_takes_more_than_two_rows_to_go_is_no_trip() {
    let mut bench = rested();
    bench.run(-12.0, 1800.0).read(-5.0, 26.0).read(-3.0, 26.0);
    for _ in 0..30 {
        bench.read(0.0, 0.3);
    }
    let end = main_discharge(&bench.stopped(gal_07())).end.clone().unwrap();
    assert_eq!(end.reason, EndReason::LoadRemoved);
}

#[test]
fn a_trip_at_the_knee_means_empty() {
    let mut bench = rested();
    bench.run(-12.0, 17_570.0);
    for _ in 0..30 {
        bench.read(0.0, 0.3);
    }
    let without_cutoff = Setting { cutoff_voltage_volt: None, ..gal_07() };
    let end = main_discharge(&bench.stopped(without_cutoff)).end.clone().unwrap();
    let per_cell = end.last_loaded_voltage_volt.unwrap() / 8.0;
    assert!(per_cell > 2.9, "{per_cell}: the voltage alone does not say it");
    assert_eq!((end.reason, end.trip_means_empty), (EndReason::ProtectionTrip, Some(true)));
}

#[test]
fn a_trip_means_empty_at_the_voltage_per_cell_and_not_above() {
    let trip = |volts: f64| {
        let mut bench = rested();
        for n in 0..30 {
            bench.read(-12.0, volts + f64::from(n % 2) * 1e-4);
        }
        for _ in 0..30 {
            bench.read(0.0, 0.3);
        }
        main_discharge(&bench.stopped(gal_07())).end.clone().unwrap().trip_means_empty
    };
    assert_eq!(trip(8.0 * 2.9 - 2e-4), Some(true));
    assert_eq!(trip(8.0 * 2.9 + 2e-4), Some(false));
}

#[test]
fn a_load_taken_off_above_the_cutoff_gives_no_capacity_to_it() {
    let mut bench = rested();
    bench.run(-12.0, 600.0).run(0.0, 60.0);
    let found = bench.stopped(gal_07());
    assert_eq!(kinds(&found), [PhaseKind::Rest, PhaseKind::Discharge, PhaseKind::Rest]);
    let end = main_discharge(&found).end.clone().unwrap();
    assert_eq!((end.reason, end.cutoff), (EndReason::LoadRemoved, None));
    assert!(end.cutoff_unknown_because.unwrap().starts_with("the load was removed at 26."));
}

#[test]
fn the_cutoff_needs_three_rows_and_three_seconds() {
    let dips = |rows: usize| {
        let mut bench = rested();
        bench.run(-12.0, 60.0);
        for n in 0..rows {
            bench.read(-12.0, 19.9 - 0.001 * n as f64);
        }
        bench.run(-12.0, 60.0);
        main_discharge(&bench.stopped(gal_07())).end.clone().unwrap()
    };
    let short = dips(3);
    assert_eq!((short.reason, short.cutoff), (EndReason::SessionEnded, None), "2 s below");
    let held = dips(4);
    let cutoff = held.cutoff.unwrap();
    assert_eq!(held.reason, EndReason::CutoffVoltage);
    assert!(cutoff.t_us > 119_000_000 && cutoff.t_us < 120_000_000, "booked to the first crossing");
}

#[test]
fn the_literal_rules_take_the_first_row_below_and_the_last_above() {
    let by = |cutoff_rule: CutoffRule| {
        let mut bench = Bench::full();
        bench.interval = 10.0;
        bench.run(0.0, 60.0).run(-12.0, 60.0).read(-12.0, 20.4).read(-12.0, 19.9);
        bench.run(-12.0, 60.0);
        let found = bench.stopped(Setting { cutoff_rule, ..gal_07() });
        let cutoff = main_discharge(&found).end.clone().unwrap().cutoff.unwrap();
        (cutoff.t_us / 1_000_000, cutoff.discharged_ah * 3600.0)
    };
    // The load comes on between 50 s and 60 s: half of 12 A over 10 s.
    let (second, charge) = by(CutoffRule::LastAbove);
    assert_eq!(second, 120);
    assert!(near(charge, 60.0 + 12.0 * 60.0, 1e-12));
    let (second, charge) = by(CutoffRule::Interpolated);
    assert_eq!(second, 128);
    assert!(near(charge, 60.0 + 12.0 * 68.0, 1e-12));
    let (second, charge) = by(CutoffRule::FirstBelow);
    assert_eq!(second, 130);
    assert!(near(charge, 60.0 + 12.0 * 70.0, 1e-12));
}

#[test]
fn a_load_that_stops_itself_at_the_cutoff_has_reached_it() {
    let mut bench = rested();
    bench.run(-12.0, 60.0).read(-12.0, 20.0).run(0.0, 30.0);
    let end = main_discharge(&bench.stopped(gal_07())).end.clone().unwrap();
    assert_eq!(end.reason, EndReason::CutoffVoltage);
    assert_eq!(end.cutoff.unwrap().t_us, 120_000_000);
}

#[test]
fn a_crossing_inside_a_gap_is_undetermined() {
    let mut bench = rested();
    bench.run(-12.0, 60.0).dark(-12.0, 95.0);
    for n in 0..10 {
        bench.read(-12.0, 19.5 - 0.001 * f64::from(n));
    }
    bench.run(0.0, 30.0);
    let end = main_discharge(&bench.stopped(gal_07())).end.clone().unwrap();
    assert_eq!((end.reason, end.cutoff), (EndReason::CutoffVoltage, None));
    assert!(end.cutoff_unknown_because.unwrap().contains("inside a silence of 96 s"));
}

#[test]
fn going_dark_under_load_ends_at_the_last_sample_and_says_what_is_hidden() {
    let mut bench = rested();
    bench.run(-12.0, 600.0);
    let analysis = bench.analyse(gal_07());
    let last_us = bench.rows.last().unwrap().t_us;
    let quiet = analysis.snapshot(Some(last_us + 10_000_000), false);
    assert!(quiet.now.quiet && !quiet.now.dark);
    assert_eq!(main_discharge(&quiet).end.clone().unwrap().reason, EndReason::Running);
    let dark = analysis.snapshot(Some(last_us + 40_000_000), false);
    assert!(dark.now.dark);
    let end = main_discharge(&dark).end.clone().unwrap();
    assert_eq!(end.reason, EndReason::DarkUnderLoad);
    assert!(near(end.hidden_ah.unwrap(), 12.0 * 40.0 / 3600.0, 1e-12), "a lost radio");
    let powered = Setting { powered_by_pack: true, ..gal_07() };
    let dark = bench.analyse(powered).snapshot(Some(last_us + 40_000_000), false);
    let end = main_discharge(&dark).end.clone().unwrap();
    assert!(near(end.hidden_ah.unwrap(), 12.0 / 3600.0, 1e-12), "one interval");
}

#[test]
fn a_small_load_that_goes_dark_is_not_dark_under_load() {
    let dark = |current: f64| {
        let mut bench = rested();
        bench.run(current, 600.0);
        let last_us = bench.rows.last().unwrap().t_us;
        let found = bench.analyse(gal_07()).snapshot(Some(last_us + 60_000_000), false);
        main_discharge(&found).end.clone().unwrap().reason
    };
    assert_eq!(dark(-1.2), EndReason::DarkUnderLoad, "C/50");
    assert_eq!(dark(-1.19), EndReason::Running);
}

#[test]
fn coming_back_still_discharging_is_a_gap_and_at_rest_a_dark_end() {
    let mut bench = rested();
    bench.run(-12.0, 600.0).dark(-12.0, 120.0).run(-12.0, 600.0).run(0.0, 30.0);
    let found = bench.stopped(gal_07());
    let discharge = main_discharge(&found);
    assert_eq!(discharge.end.clone().unwrap().reason, EndReason::LoadRemoved);
    assert_eq!(discharge.gaps.len(), 1);
    let gap = discharge.gaps[0];
    assert!(near(gap.estimated_ah.unwrap(), 12.0 * 121.0 / 3600.0, 1e-12));
    assert!(near(gap.highest_ah, 12.0 * 121.0 / 3600.0, 1e-12));

    let mut bench = rested();
    bench.run(-12.0, 600.0).dark(-12.0, 120.0).run(0.0, 30.0);
    let found = bench.stopped(gal_07());
    let discharge = main_discharge(&found);
    let end = discharge.end.clone().unwrap();
    assert_eq!(end.reason, EndReason::DarkUnderLoad);
    assert_eq!(discharge.end_us, 659_000_000, "the last sample under load");
    assert!(near(end.hidden_ah.unwrap(), 12.0 * 121.0 / 3600.0, 1e-12));
    assert_eq!(found.totals.discharged_ah, discharge.discharged_ah);
}

#[test]
fn a_run_after_the_trip_is_extra_and_not_capacity() {
    let mut bench = rested();
    bench.run(-12.0, 600.0);
    for _ in 0..60 {
        bench.read(0.0, 0.3);
    }
    bench.run(0.0, 60.0).run(-12.0, 900.0).run(0.0, 30.0);
    let found = bench.stopped(gal_07());
    assert_eq!(count(&found, AnomalyKind::SecondRun), 1);
    assert_eq!(found.main_discharge, Some(1), "although the second run gave more");
    assert_eq!(found.phases.len(), 5, "not merged");
    assert!(near(found.totals.discharged_ah, 12.0 * 1500.0 / 3600.0, 1e-3));
}

#[test]
fn after_a_charge_the_next_discharge_is_no_second_run() {
    let mut bench = rested();
    bench.run(-12.0, 600.0);
    for _ in 0..60 {
        bench.read(0.0, 0.3);
    }
    bench.run(12.0, 600.0).run(0.0, 30.0).run(-12.0, 900.0);
    let found = bench.stopped(gal_07());
    assert_eq!(count(&found, AnomalyKind::SecondRun), 0);
    assert_eq!(found.main_discharge, Some(5));
}

#[test]
fn a_charge_without_a_rest_ends_the_discharge() {
    let mut bench = rested();
    bench.run(-12.0, 600.0).run(12.0, 300.0);
    let found = bench.stopped(gal_07());
    let end = main_discharge(&found).end.clone().unwrap();
    assert_eq!(end.reason, EndReason::ChargeBegan);
    assert!(near(found.totals.charged_ah, 12.0 * 299.0 / 3600.0, 2e-3));
}

#[test]
fn a_sensor_that_died_with_its_pack_and_wakes_on_the_charger_ended_in_the_dark() {
    let mut bench = rested();
    bench.run(-12.0, 600.0).dark(0.0, 1800.0).run(12.0, 600.0);
    let found = bench.stopped(Setting { powered_by_pack: true, ..gal_07() });
    assert_eq!(kinds(&found), [PhaseKind::Rest, PhaseKind::Discharge, PhaseKind::Charge]);
    let end = found.phases[1].end.clone().unwrap();
    assert_eq!(end.reason, EndReason::DarkUnderLoad);
    assert!(near(end.hidden_ah.unwrap(), 12.0 / 3600.0, 1e-12), "one interval");
    assert!(near(found.totals.charged_ah, 12.0 * 599.0 / 3600.0, 1e-12));
    assert_eq!(found.phases[2].start_us, 2_460_000_000, "the first sample of the charge");
}

#[test]
fn a_rebound_after_a_dark_trip_is_a_second_run_only_if_the_pack_powers_the_sensor() {
    let second_runs = |powered_by_pack: bool| {
        let mut bench = rested();
        bench.run(-12.0, 600.0).dark(0.0, 60.0).run(0.0, 60.0).run(-12.0, 300.0);
        let found = bench.stopped(Setting { powered_by_pack, ..gal_07() });
        assert_eq!(found.phases.len(), 4, "never merged over the dark");
        count(&found, AnomalyKind::SecondRun)
    };
    assert_eq!((second_runs(true), second_runs(false)), (1, 0));
}

/// Stopped so long after the last row, with the sum over a kind of phase.
fn stopped_after(bench: &Bench, seconds: i64, kind: PhaseKind) -> (Analysis, Judged) {
    let last_us = bench.rows.last().map_or(0, |row| row.t_us);
    let found = bench.analyse(stated()).snapshot(Some(last_us + seconds * 1_000_000), true);
    let judged = judge_sum(&found, kind, false, &stated());
    (found, judged)
}

fn said(judged: &Judged) -> Vec<&str> {
    judged.doubts.iter().map(|doubt| doubt.text.as_str()).collect()
}

#[test]
fn a_charge_that_went_dark_is_not_proven_and_says_what_the_silence_hides() {
    let mut bench = rested();
    bench.run(15.0, 600.0);
    let (found, judged) = stopped_after(&bench, 30, PhaseKind::Charge);
    assert_eq!(judged.status, Status::Provisional);
    assert_eq!(said(&judged), ["the source went dark while charging: at most 0.125 Ah are hidden"]);
    let hidden = judged.budget.as_ref().unwrap().term("dark end").unwrap();
    assert!(near(hidden.half_width, 15.0 * 30.0 / 3600.0, 1e-3), "{hidden:?}");
    assert_eq!(count(&found, AnomalyKind::Gap), 1);
    let (found, judged) = stopped_after(&bench, 9, PhaseKind::Charge);
    assert_eq!((judged.status, said(&judged)), (Status::Proven, Vec::new()));
    assert_eq!(count(&found, AnomalyKind::Gap), 0);
}

#[test]
fn the_sum_of_discharges_is_not_proven_where_one_ended_in_the_dark() {
    let mut bench = rested();
    bench.run(-12.0, 600.0);
    let hidden = "the source went dark under load: at most 0.100 Ah are hidden";
    let (_, judged) = stopped_after(&bench, 30, PhaseKind::Discharge);
    assert_eq!((judged.status, said(&judged)), (Status::Provisional, vec![hidden]));
    bench.dark(0.0, 29.0).run(0.0, 60.0);
    let (_, judged) = stopped_after(&bench, 0, PhaseKind::Discharge);
    assert_eq!((judged.status, said(&judged)), (Status::Provisional, vec![hidden]));
}

#[test]
fn that_there_was_no_discharge_is_proven_only_where_nothing_was_unseen() {
    let mut bench = rested();
    let (_, judged) = stopped_after(&bench, 0, PhaseKind::Discharge);
    assert_eq!((judged.value, judged.status), (Some(0.0), Status::Proven));
    let unseen = |seconds: u32| {
        vec![format!("nothing was read for {seconds} s: what flowed then is not known")]
    };
    let (_, judged) = stopped_after(&bench, 30, PhaseKind::Discharge);
    assert_eq!(said(&judged), unseen(30));
    let (_, judged) = stopped_after(&bench, 30, PhaseKind::Rest);
    assert_eq!(said(&judged), ["nothing was read for the last 30 s"]);
    bench.dark(0.0, 30.0).run(0.0, 60.0);
    let (_, judged) = stopped_after(&bench, 0, PhaseKind::Discharge);
    assert_eq!(said(&judged), unseen(31));
}

#[test]
fn a_small_load_that_went_dark_hides_what_a_charge_would() {
    let mut bench = rested();
    bench.run(-1.0, 600.0);
    let (_, judged) = stopped_after(&bench, 36, PhaseKind::Discharge);
    let hidden = "the source went dark under a small load: at most 0.010 Ah are hidden";
    assert_eq!((judged.status, said(&judged)), (Status::Provisional, vec![hidden]));
}
