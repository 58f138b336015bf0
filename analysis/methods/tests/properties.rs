//! What must hold for any rows at all.

mod bench;

use ampledger_methods::full_search::FullSearch;
use ampledger_methods::{Cumulative, Row, SessionAnalysis, Setting};
use bench::gal_07;
use proptest::prelude::*;

/// Rows as a bench gives them: levels of current that last, jitter, now and
/// then a silence, a missing value, another group.
fn bench_rows() -> impl Strategy<Value = Vec<Row>> {
    let level = prop_oneof![
        3 => Just(0.0), 3 => Just(-12.0), 2 => Just(12.0), 1 => Just(-0.3), 1 => -40.0..40.0
    ];
    let step = prop_oneof![20 => 900_000..1_100_000_i64, 1 => 0..20_000_000_i64];
    let run = (level, prop::collection::vec((step, 0..40_u8, -0.05..0.05), 1..40));
    prop::collection::vec(run, 1..12).prop_map(|runs| {
        let mut t_us = 0;
        let mut rows = Vec::new();
        for (level, steps) in runs {
            for (step_us, what, noise) in steps {
                t_us += step_us;
                let voltage = 26.4 + 0.02 * level + noise;
                rows.push(Row {
                    t_us,
                    current_ampere: (what != 0).then_some(level + noise),
                    voltage_volt: (what != 1).then_some(if what == 2 { 0.2 } else { voltage }),
                    group: usize::from(what == 3),
                    ..Row::default()
                });
            }
        }
        rows
    })
}

fn settings() -> impl Strategy<Value = Setting> {
    (prop::option::of(Just(60.0)), any::<bool>(), prop::option::of(Just(26.3))).prop_map(
        |(rated_ah, powered_by_pack, cutoff_voltage_volt)| Setting {
            rated_ah,
            powered_by_pack,
            cutoff_voltage_volt,
            ..gal_07()
        },
    )
}

fn any_row() -> impl Strategy<Value = Row> {
    let value = || prop::option::of(prop_oneof![any::<f64>(), -100.0..100.0, Just(f64::MAX)]);
    let time = prop_oneof![any::<i64>(), 0..100_000_000_i64, Just(i64::MIN), Just(i64::MAX)];
    (time, value(), value(), value(), 0..3_usize).prop_map(|(t_us, i, u, p, group)| Row {
        counters: Default::default(),
        t_us,
        current_ampere: i,
        voltage_volt: u,
        power_watt: p,
        group,
        source: 0,
        is_far_side: group == 2,
    })
}

proptest! {
    #[test]
    fn a_search_for_a_charge_finds_what_an_analysis_does(
        rows in prop_oneof![bench_rows(), prop::collection::vec(any_row(), 0..200)],
        setting in settings(), at in 0..400_usize,
    ) {
        let setting = Setting { charge_voltage_volt: Some(26.5), ..setting };
        let mut search = FullSearch::new(&setting);
        let mut analysis = SessionAnalysis::new(setting);
        for (n, row) in rows.iter().enumerate() {
            if n == at {
                search.break_of_unknown_length();
                analysis.break_of_unknown_length();
            }
            if n == at + 20 {
                search.other_instrument(row.t_us);
                analysis.other_instrument(row.t_us);
            }
            search.push(row);
            analysis.push(row);
            prop_assert_eq!(search.full_watch(), analysis.full_watch());
        }
    }

    #[test]
    fn looking_in_between_changes_no_digit(
        rows in bench_rows(), setting in settings(), every in 1..50_usize,
    ) {
        let mut stream = SessionAnalysis::new(setting.clone());
        let mut store = SessionAnalysis::new(setting);
        for (n, row) in rows.iter().enumerate() {
            stream.push(row);
            if n % every == 0 {
                let _ = stream.snapshot(Some(row.t_us + 60_000_000), n % 2 == 0);
                let _ = stream.first_minute_checks();
            }
        }
        rows.iter().for_each(|row| store.push(row));
        prop_assert_eq!(stream.snapshot(None, true), store.snapshot(None, true));
    }

    #[test]
    fn phases_stand_in_order_and_add_up(rows in bench_rows(), setting in settings()) {
        let mut analysis = SessionAnalysis::new(setting);
        rows.iter().for_each(|row| analysis.push(row));
        let found = analysis.snapshot(None, true);
        let mut discharged = 0.0;
        for pair in found.phases.windows(2) {
            prop_assert!(pair[0].end_us <= pair[1].start_us);
        }
        for phase in &found.phases {
            prop_assert!(phase.start_us <= phase.end_us);
            let is_rest = phase.kind == ampledger_types::result::PhaseKind::Rest;
            discharged += if is_rest { 0.0 } else { phase.discharged_ah };
        }
        prop_assert!((discharged - found.totals.discharged_ah).abs() < 1e-12);
    }

    #[test]
    fn running_totals_end_at_the_phases_figures(rows in bench_rows(), setting in settings()) {
        let mut analysis = SessionAnalysis::new(setting.clone());
        rows.iter().for_each(|row| analysis.push(row));
        let found = analysis.snapshot(None, true);
        let mut cumulative = Cumulative::new(&found, &setting);
        let mut last = ampledger_methods::RunningTotals::default();
        for row in &rows {
            let next = cumulative.push(row);
            prop_assert!(next.discharged_ah >= last.discharged_ah);
            last = next;
        }
        prop_assert!((last.discharged_ah - found.totals.discharged_ah).abs() < 1e-12);
        prop_assert!((last.charged_ah - found.totals.charged_ah).abs() < 1e-12);
        prop_assert_eq!(last.discharged_wh.is_some(), found.totals.discharged_wh.is_some());
        if let (Some(a), Some(b)) = (last.discharged_wh, found.totals.discharged_wh) {
            prop_assert!((a - b).abs() < 1e-10);
        }
    }

    #[test]
    fn repeated_rows_change_no_figure(
        rows in bench_rows(), setting in settings(), every in 1..9_usize,
    ) {
        let mut plain = SessionAnalysis::new(setting.clone());
        let mut doubled = SessionAnalysis::new(setting);
        for (n, row) in rows.iter().enumerate() {
            plain.push(row);
            doubled.push(row);
            if n % every == 0 {
                doubled.push(row);
            }
        }
        let (plain, doubled) = (plain.snapshot(None, true), doubled.snapshot(None, true));
        prop_assert_eq!(plain.totals, doubled.totals);
        prop_assert_eq!(plain.phases, doubled.phases);
    }

    #[test]
    fn noise_at_rest_is_never_a_charge_or_a_discharge(
        noise in prop::collection::vec(-0.12..=0.12_f64, 1..300), step_us in 1..5_000_000_i64,
    ) {
        let mut analysis = SessionAnalysis::new(gal_07());
        for (n, current) in noise.iter().enumerate() {
            let t_us = n as i64 * step_us;
            let current_ampere = Some(*current);
            analysis.push(&Row { t_us, current_ampere, voltage_volt: Some(26.6), ..Row::default() });
        }
        let found = analysis.snapshot(None, true);
        prop_assert_eq!((found.totals.discharged_ah, found.totals.charged_ah), (0.0, 0.0));
        prop_assert!(found.phases.len() == 1 && found.main_discharge.is_none());
    }

    #[test]
    fn no_input_makes_it_panic_or_lose_its_senses(
        rows in prop::collection::vec(any_row(), 0..200), setting in settings(),
        now_us in any::<i64>(), ended in any::<bool>(), break_at in 0..200_usize,
    ) {
        let mut analysis = SessionAnalysis::new(setting.clone());
        for (n, row) in rows.iter().enumerate() {
            if n == break_at {
                analysis.break_of_unknown_length();
            }
            analysis.push(row);
        }
        let found = analysis.snapshot(Some(now_us), ended);
        prop_assert!(found.totals.discharged_ah.is_finite() && found.totals.discharged_ah >= 0.0);
        prop_assert!(found.totals.charged_ah.is_finite() && found.totals.charged_ah >= 0.0);
        let mut cumulative = Cumulative::new(&found, &setting);
        for row in &rows {
            prop_assert!(cumulative.push(row).discharged_ah.is_finite());
        }
    }
}
