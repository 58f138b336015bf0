//! What looks right and is not: in each test the naive sum is within half a
//! percent of the truth (or of what was read), and ours is not called proven
//! and says why.

mod bench;

use ampledger_methods::standing::{DoubtKind, Of, judge};
use ampledger_methods::{Row, SessionAnalysis, Setting, budget};
use ampledger_types::result::{AnomalyKind, Status};
use bench::main_discharge;
use bench::proven::{
    LOAD, LOAD_ON, LOADED, Noise, analyse, doubts, judged, rows, stated, truth_ah,
};

/// The bare trapezoid of everything that flowed out.
fn naive_ah(rows: &[Row]) -> f64 {
    let out = |row: &Row| row.current_ampere.unwrap_or(0.0).min(0.0).abs();
    let pair = |w: &[Row]| (out(&w[0]) + out(&w[1])) / 2.0 * (w[1].t_us - w[0].t_us) as f64 / 3.6e9;
    rows.windows(2).map(pair).sum()
}

fn looks_right(naive_ah: f64) {
    assert!((naive_ah / truth_ah() - 1.0).abs() < 5e-3, "{naive_ah} Ah does not look right");
}

/// The naive figure looks right; ours is provisional and says why.
fn refused(rows: &[Row], setting: &Setting, kind: DoubtKind, says: &str) {
    looks_right(naive_ah(rows));
    let judged = judged(rows, setting);
    assert_eq!(judged.status, Status::Provisional);
    assert!(doubts(&judged, kind, says), "{:?}", judged.doubts);
}

fn spoiled(spoil: impl Fn(usize, &mut Row)) -> Vec<Row> {
    let mut rows = rows();
    rows.iter_mut().enumerate().for_each(|(n, row)| spoil(n, row));
    rows
}

#[test]
fn an_unspoiled_run_is_proven_and_its_uncertainty_holds_the_truth() {
    let judged = judged(&rows(), &stated());
    assert_eq!((judged.status, judged.doubts.as_slice()), (Status::Proven, &[][..]));
    let budget = judged.budget.unwrap();
    let off = (budget.value - truth_ah()).abs();
    assert!(off <= budget.expanded.unwrap(), "{off} of {:?}", budget.expanded);
    assert!(budget.relative().unwrap() < 0.01);
    for of in [Of::ChargeToCutoff, Of::Energy, Of::EnergyToCutoff] {
        let judged = judge(&analyse(&rows(), &stated()), of, &stated());
        assert_eq!(judged.status, Status::Proven, "{of:?}: {:?}", judged.doubts);
        assert!(judged.budget.unwrap().expanded.unwrap() > 0.0);
    }
}

#[test]
fn accuracy_that_is_not_stated_proves_nothing() {
    let setting = Setting { current_gain_percent: None, ..stated() };
    refused(&rows(), &setting, DoubtKind::Accuracy, "gain accuracy for the current is not stated");
    let setting = Setting { current_offset: None, ..stated() };
    refused(&rows(), &setting, DoubtKind::Accuracy, "offset is neither stated");
}

#[test]
fn a_gain_that_does_not_fit_the_meters_own_power_is_told() {
    let rows = spoiled(|_, row| {
        row.power_watt = row.current_ampere.zip(row.voltage_volt).map(|(i, u)| i * u * 1.03);
    });
    refused(&rows, &stated(), DoubtKind::Wiring, "the meter itself says");
}

#[test]
fn a_second_ammeter_that_disagrees_is_told() {
    let mut both = Vec::new();
    for row in rows() {
        both.push(row);
        let current_ampere = row.current_ampere.map(|i| i * 1.05);
        both.push(Row { current_ampere, voltage_volt: None, group: 1, source: 1, ..row });
    }
    looks_right(naive_ah(&rows()));
    let judged = judged(&both, &stated());
    assert_eq!(judged.status, Status::Provisional);
    assert!(doubts(&judged, DoubtKind::Wiring, "second one"), "{:?}", judged.doubts);
}

#[test]
fn a_voltage_that_is_another_packs_is_told() {
    let setting = Setting { cells_in_series: Some(6), ..stated() };
    refused(&rows(), &setting, DoubtKind::Wiring, "does not fit the pack");
}

#[test]
fn a_current_that_no_pack_carries_is_left_out_and_told() {
    // One reading in mA among those in A.
    let mut naive = rows();
    naive.remove(LOAD_ON + 700);
    looks_right(naive_ah(&naive));
    let rows = spoiled(|n, row| {
        if n == LOAD_ON + 700 {
            row.current_ampere = Some(1000.0 * LOAD);
        }
    });
    let judged = judged(&rows, &stated());
    looks_right(judged.value.unwrap());
    assert!(doubts(&judged, DoubtKind::Readings, "no pack of this rating carries"));
    assert_eq!(judged.status, Status::Provisional);
}

#[test]
fn a_pack_that_may_have_been_swapped_is_not_proven_full() {
    let rows = spoiled(|n, row| {
        if (4000..4020).contains(&n) {
            row.voltage_volt = Some(0.2);
        }
    });
    refused(&rows, &stated(), DoubtKind::Full, "no pack connected");
    let mut dark = self::rows();
    dark.drain(4000..4030);
    refused(&dark, &stated(), DoubtKind::Full, "could have been swapped");
}

#[test]
fn an_instrument_that_was_changed_since_the_charge_proves_nothing() {
    looks_right(naive_ah(&rows()));
    let mut analysis = SessionAnalysis::new(stated());
    for row in rows() {
        if row.t_us == 4_000_000_000 {
            analysis.other_instrument(row.t_us);
        }
        analysis.push(&row);
    }
    let judged = judge(&analysis.snapshot(None, true), Of::Charge, &stated());
    assert_eq!(judged.status, Status::Provisional);
    assert!(doubts(&judged, DoubtKind::Full, "another instrument"), "{:?}", judged.doubts);
}

#[test]
fn a_stuck_channel_is_not_believed() {
    let at = LOAD_ON + 600;
    let frozen = self::rows()[at].voltage_volt;
    let rows = spoiled(|n, row| {
        // Coarse enough that no smooth voltage stands still so long.
        if (at..at + 90).contains(&n) {
            row.voltage_volt = frozen;
        }
    });
    refused(&rows, &stated(), DoubtKind::Readings, "did not move at all");
}

#[test]
fn a_clipped_current_is_not_believed() {
    let setting = Setting { current_range: Some(12.0), ..stated() };
    refused(&rows(), &setting, DoubtKind::Readings, "end of the meter's range");
    let setting = Setting { current_range: Some(12.1), ..stated() };
    assert_eq!(judged(&rows(), &setting).status, Status::Proven);
}

#[test]
fn a_sign_the_wrong_way_round_is_told() {
    // The charge comes out as the discharge: it looks like a capacity.
    let rows = spoiled(|_, row| row.current_ampere = row.current_ampere.map(|i| -i));
    assert!((naive_ah(&rows) / truth_ah() - 1.0).abs() < 0.03, "{}", naive_ah(&rows));
    let judged = judged(&rows, &stated());
    assert!(judged.value.unwrap() > 7.0);
    assert_eq!(judged.status, Status::Provisional);
    assert!(doubts(&judged, DoubtKind::Wiring, "turn the sign of the current round"));
}

#[test]
fn a_run_after_a_rebound_adds_nothing_to_the_capacity() {
    let mut all = rows();
    let end = all.len();
    all.extend((0..600).map(|n| bench::row((end + n) as f64, LOAD, 23.0)));
    all.extend((0..60).map(|n| bench::row((end + 600 + n) as f64, 0.0, 24.0)));
    assert!(naive_ah(&all) > 1.2 * truth_ah(), "the naive sum takes the second run along");
    let found = analyse(&all, &stated());
    let judged = judge(&found, Of::ChargeToCutoff, &stated());
    assert!((judged.value.unwrap() / truth_ah() - 1.0).abs() < 0.01);
    let told = found.anomalies.iter().find(|a| a.kind == AnomalyKind::SecondRun).unwrap();
    assert!(told.text.contains("that is not capacity"), "{}", told.text);
}

#[test]
fn a_dead_band_hides_a_draw_and_the_budget_has_a_term_for_it() {
    // A meter that shows nothing below 50 mA, and a draw of 40 mA in the rest.
    let setting = Setting { current_offset: Some(0.05), ..stated() };
    let found = analyse(&rows(), &setting);
    let hidden = 0.04 * (LOAD_ON - 3600) as f64 / 3600.0;
    let budget = budget::charge(&main_discharge(&found).exposure, &setting);
    let unseen = budget.term("unseen draw").unwrap().half_width;
    assert!(unseen >= hidden, "{unseen} Ah for {hidden} Ah");
    looks_right(naive_ah(&rows()));
    // A meter of which nobody says how small a current it shows proves nothing.
    let setting = Setting { current_offset: None, ..stated() };
    refused(&rows(), &setting, DoubtKind::Accuracy, "offset is neither stated");
}

#[test]
fn a_ripple_under_an_averaging_that_nobody_states_is_not_proven() {
    let mut noise = Noise(7);
    let mut rows = rows();
    for row in &mut rows[LOAD_ON..LOAD_ON + LOADED] {
        row.current_ampere = Some(LOAD * (1.0 + 0.2 * noise.even()));
    }
    let unstated = Setting { reading_is_average: None, ..stated() };
    refused(&rows, &unstated, DoubtKind::Averaging, "nobody says");
    let points = Setting { reading_is_average: Some(false), ..stated() };
    refused(&rows, &points, DoubtKind::Averaging, "point samples");
    assert_eq!(judged(&rows, &stated()).status, Status::Proven, "stated as averages");
    let quiet = self::rows();
    assert_eq!(judged(&quiet, &unstated).status, Status::Proven, "no ripple");
}

#[test]
fn a_gap_with_the_unknown_inside_is_not_proven() {
    let without = |seconds: usize| {
        let mut rows = rows();
        rows.drain(LOAD_ON + 600..LOAD_ON + 600 + seconds - 1);
        rows
    };
    refused(&without(11), &stated(), DoubtKind::Gaps, "a gap of 11 s");
    assert_eq!(judged(&without(5), &stated()).status, Status::Proven);
    // Many short ones: 0.2 % of the result is 4.8 s of this load.
    let mut many = rows();
    for n in (0..3).rev() {
        many.drain(LOAD_ON + 300 + 300 * n..LOAD_ON + 305 + 300 * n);
    }
    refused(&many, &stated(), DoubtKind::Gaps, "gaps could make");
}

#[test]
fn a_break_of_which_nobody_knows_the_length_is_not_proven() {
    looks_right(naive_ah(&rows()));
    let mut analysis = SessionAnalysis::new(stated());
    for row in rows() {
        if row.t_us == (LOAD_ON as i64 + 700) * 1_000_000 {
            analysis.break_of_unknown_length();
        }
        analysis.push(&row);
    }
    let judged = judge(&analysis.snapshot(None, true), Of::Charge, &stated());
    assert_eq!(judged.status, Status::Provisional);
    assert!(doubts(&judged, DoubtKind::Break, "unknown length"), "{:?}", judged.doubts);
}

#[test]
fn times_that_run_backwards_are_told() {
    let mut rows = rows();
    rows.swap(LOAD_ON + 700, LOAD_ON + 701);
    refused(&rows, &stated(), DoubtKind::Readings, "a time before one already seen");
}

#[test]
fn the_meters_own_counter_narrows_a_gap_only_if_it_cannot_have_begun_anew() {
    let counted = |reset: bool| {
        let mut rows = rows();
        let mut given = 0.0;
        for (n, row) in rows.iter_mut().enumerate() {
            given += row.current_ampere.unwrap_or(0.0).min(0.0).abs() / 3600.0;
            if reset && n == LOAD_ON + 1205 {
                given = 0.0;
            }
            row.counters.ah = Some((given * 1000.0).round() / 1000.0);
        }
        rows.drain(LOAD_ON + 1200..LOAD_ON + 1260);
        let found = analyse(&rows, &stated());
        let gap = main_discharge(&found).gaps[0];
        (gap.counted_ah, main_discharge(&found).exposure.gaps_ah, gap.highest_ah)
    };
    let (ah, off, highest) = counted(false);
    assert!((ah.unwrap() - 12.0 * 61.0 / 3600.0).abs() < 2e-3);
    assert!(off < 0.1 * highest, "{off} of {highest}");
    let (ah, off, highest) = counted(true);
    assert_eq!(ah, None);
    assert!((off - highest).abs() < 0.01 * highest, "the whole bound");
}

#[test]
fn readings_far_from_those_around_them_are_counted_and_doubted() {
    let lone = |every: usize| {
        let mut rows = rows();
        for row in rows[LOAD_ON + 10..LOAD_ON + 2000].iter_mut().step_by(every) {
            row.current_ampere = Some(3.0 * LOAD);
        }
        judged(&rows, &stated())
    };
    let few = lone(1200);
    assert_eq!(few.status, Status::Proven, "{:?}", few.doubts);
    assert!(few.budget.unwrap().term("lone readings").is_some());
    assert!(doubts(&lone(100), DoubtKind::Readings, "stand alone"));
}

#[test]
fn small_peaks_that_are_all_too_high_are_doubted_and_noise_is_not() {
    // 16 % too much in every 60th reading under load: 0.27 % in all.
    let rows = spoiled(|n, row| {
        if n > LOAD_ON && n < LOAD_ON + LOADED && n % 60 == 0 {
            row.current_ampere = row.current_ampere.map(|i| i * 1.16);
        }
    });
    refused(&rows, &stated(), DoubtKind::Readings, "more to one side than to the other");
    let mut noise = Noise(11);
    let mut noisy = self::rows();
    for row in &mut noisy[LOAD_ON..LOAD_ON + LOADED] {
        row.current_ampere = Some(LOAD * (1.0 + 0.16 * noise.even()));
    }
    assert_eq!(judged(&noisy, &stated()).status, Status::Proven);
}

#[test]
fn an_end_that_is_none_gives_no_capacity_to_the_cutoff() {
    let mut rows = rows();
    rows.drain(LOAD_ON + 1200..LOAD_ON + LOADED);
    let rows: Vec<Row> = rows
        .iter()
        .enumerate()
        .map(|(n, row)| Row { t_us: n as i64 * 1_000_000, ..*row })
        .collect();
    let found = analyse(&rows, &stated());
    let judged = judge(&found, Of::Charge, &stated());
    assert!(doubts(&judged, DoubtKind::End, "the load was taken off"));
    let judged = judge(&found, Of::ChargeToCutoff, &stated());
    assert_eq!((judged.status, judged.value), (Status::Undetermined, None));
}

#[test]
fn a_counter_that_differs_by_more_than_the_uncertainty_is_told() {
    let differs = |share: f64| {
        let mut given = 0.0;
        let mut rows = rows();
        for row in &mut rows {
            row.counters.ah = Some(given);
            given += row.current_ampere.unwrap_or(0.0).abs() / 3600.0 * (1.0 + share);
        }
        doubts(&judged(&rows, &stated()), DoubtKind::Readings, "own counter moved by")
    };
    // The stated accuracies come to 0.31 %.
    assert_eq!((differs(0.0), differs(0.0028), differs(0.0035)), (false, false, true));
}

#[test]
fn every_guard_on_the_page_has_its_test_here() {
    let page = include_str!("../../../docs/methods.md");
    let table = page.split("| what looks right | guarded by |").nth(1).unwrap();
    let rows: Vec<&str> = table.lines().skip(2).take_while(|line| line.starts_with('|')).collect();
    assert!(rows.len() >= 14, "{rows:?}");
    let tests = include_str!("guards.rs");
    for row in rows {
        let name = row.split('`').nth(1).unwrap();
        assert!(tests.contains(&format!("fn {name}()")), "{name}");
    }
}
