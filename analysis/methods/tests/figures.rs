//! Efficiency, Peukert, temperature, self-discharge, time to empty, standby and
//! incremental capacity: the rules about them, each with a case that meets it
//! and one that just fails.

#![expect(clippy::unwrap_used, reason = "a case that gives nothing fails the test")]

mod bench;
mod charge;

use ampledger_methods::efficiency::{self, ChargeEnd, Half};
use ampledger_methods::incremental::Incremental;
use ampledger_methods::inverter::standby_of;
use ampledger_methods::peukert::{self, Run};
use ampledger_methods::self_discharge::{self, Capacity};
use ampledger_methods::to_empty::{Expected, Running, to_empty};
use ampledger_methods::{Rules, Setting, temperature};
use ampledger_types::Chemistry;
use bench::{Bench, gal_07, main_discharge, near, row};
use charge::{Rows, Script};

const END: ChargeEnd = ChargeEnd { volt: 29.2, ampere: 1.9 };

fn cycle(offset: Option<f64>, last: ChargeEnd) -> efficiency::Efficiency {
    let setting = Setting { current_offset: offset, ..gal_07() };
    let half = |ah: f64, wh: f64| Half { ah, wh: Some(wh), hour: 5.0 };
    let ends = Some((END, last));
    efficiency::cycle(&half(57.4, 1457.0), &half(57.6, 1580.0), ends, &setting).unwrap()
}

#[test]
fn the_last_percent_is_not_claimed_where_the_offset_can_do_it() {
    // 5 h out and 5 h in at 57.4 and 57.6 Ah: 0.174 % for each 10 mA.
    let (small, large) = (cycle(Some(0.017), END), cycle(Some(0.0175), END));
    assert_eq!(small.doubts, Vec::<String>::new());
    assert!(large.doubts[0].contains("last percent is not claimed"));
    assert!(small.coulombic_expanded.unwrap() < 0.0035);
    assert_eq!(cycle(None, END).coulombic_expanded, None);
}

#[test]
fn both_ends_of_a_cycle_are_alike() {
    let doubts =
        |volt: f64, ampere: f64| cycle(Some(0.001), ChargeEnd { volt, ampere }).doubts.len();
    assert_eq!((doubts(29.34, 1.9), doubts(29.36, 1.9)), (0, 1));
    assert_eq!((doubts(29.2, 2.27), doubts(29.2, 2.29)), (0, 1));
    let setting = Setting { current_offset: Some(0.001), ..gal_07() };
    let half = Half { ah: 57.4, wh: None, hour: 5.0 };
    let open = efficiency::cycle(&half, &half, None, &setting).unwrap();
    assert!(open.doubts[0].contains("does not begin and end with a charge"));
    let more = Half { ah: 58.0, ..half };
    let more = efficiency::cycle(&more, &half, Some((END, END)), &setting).unwrap();
    assert!(more.doubts[0].contains("more came out than went in"));
}

#[test]
fn a_session_from_full_to_full_has_its_efficiency() {
    let setting =
        Setting { charge_voltage_volt: Some(29.2), current_offset: Some(0.001), ..gal_07() };
    let script = Script::gal_07();
    let mut rows = script.rows();
    rows.hold(0.0, 27.2, 3600.0);
    rows.hold(-12.0, 26.0, 2300.0);
    rows.hold(0.0, 26.6, 1800.0);
    let open = rows.analyse(&setting).snapshot(None, true);
    assert!(efficiency::of_session(&open, &setting).is_none(), "no charge after it");
    let again = script.rows();
    let moved = (rows.second * 1e6) as i64;
    rows.rows
        .extend(again.rows.iter().map(|r| ampledger_methods::Row { t_us: r.t_us + moved, ..*r }));
    let found = rows.analyse(&setting).snapshot(None, true);
    let efficiency = efficiency::of_session(&found, &setting).unwrap();
    assert_eq!(efficiency.doubts, Vec::<String>::new());
    let given = 12.0 * 2300.0 / 3600.0;
    // The same charge was put in before the discharge and after it.
    assert!(near(efficiency.coulombic, given / found.totals.charged_ah * 2.0, 1e-3));
}

#[test]
fn peukert_takes_three_rates_that_span_four_times() {
    let run = |ampere: f64| Run { ampere, hour: 100.0 / ampere.powf(1.1) };
    let doubts = |amperes: &[f64]| {
        let runs: Vec<Run> = amperes.iter().map(|a| run(*a)).collect();
        peukert::fit(&runs, &Rules::default()).unwrap().doubts.len()
    };
    assert_eq!((doubts(&[5.0, 10.0, 20.0]), doubts(&[5.0, 10.0, 19.9])), (0, 1));
    assert_eq!(doubts(&[5.0, 20.0]), 1);
    assert!(peukert::fit(&[run(5.0)], &Rules::default()).is_none());
    assert!(peukert::fit(&[run(5.0), run(-1.0)], &Rules::default()).is_none());
    let more = [Run { ampere: 5.0, hour: 10.0 }, Run { ampere: 20.0, hour: 3.0 }];
    let doubts = peukert::fit(&more, &Rules::default()).unwrap().doubts;
    assert!(doubts.iter().any(|d| d.contains("more at the higher rates")));
}

#[test]
fn temperature_is_corrected_for_lead_acid_only_and_lithium_is_told_why_not() {
    let correct = |hour: f64, chemistry: Chemistry| {
        temperature::correct(92.0, hour, Some(15.0), Some(chemistry), &Rules::default())
    };
    let slow = correct(20.0, Chemistry::LeadAcid);
    assert!(near(slow.capacity_ah.unwrap(), 92.0 / 0.97, 1e-12));
    assert_eq!(correct(3.0, Chemistry::LeadAcid).lambda_per_kelvin, Some(0.01));
    assert_eq!(correct(3.1, Chemistry::LeadAcid).lambda_per_kelvin, Some(0.006));
    for chemistry in [Chemistry::LithiumIronPhosphate, Chemistry::LithiumIon] {
        let none = correct(5.0, chemistry);
        assert_eq!(none.capacity_ah, None);
        assert!(none.says.contains("no standard defines one for lithium"));
    }
    let unknown =
        temperature::correct(92.0, 5.0, None, Some(Chemistry::LeadAcid), &Rules::default());
    assert_eq!(unknown.capacity_ah, None);
    assert_eq!(temperature::deep_cycle_minutes(100.0, 23.9), None);
    assert_eq!(temperature::deep_cycle_minutes(100.0, 27.0), Some(100.0));
}

#[test]
fn self_discharge_must_be_larger_than_its_uncertainty() {
    let between = |standard_ah: Option<f64>, days: f64| {
        let of = |ah: f64| Capacity { ah, standard_ah };
        self_discharge::between(of(100.0), of(97.5), days, &Rules::default())
    };
    // u of the share: √2 · 0.88 Ah / 100 Ah; twice that is 2.5 %.
    assert_eq!(between(Some(0.85), 28.0).unwrap().doubts, Vec::<String>::new());
    assert!(between(Some(0.92), 28.0).unwrap().doubts[0].contains("within its uncertainty"));
    assert!(between(None, 28.0).unwrap().doubts[0].contains("not known"));
    assert!(between(Some(0.1), 0.99).unwrap().doubts[0].contains("too short"));
    assert_eq!(between(Some(0.1), 1.0).unwrap().doubts.len(), 0);
    assert_eq!(between(Some(0.1), 0.0), None);
}

#[test]
fn time_and_energy_to_empty_while_a_discharge_runs() {
    let mut bench = Bench::full();
    bench.run(0.0, 60.0).run(-12.0, 3600.0);
    let setting = gal_07();
    let running = bench.analyse(setting.clone()).snapshot(None, false);
    let running = Running::of(&running, &setting).unwrap();
    let measured = Expected { capacity_ah: 57.4, standard_ah: 0.2, is_measured: true };
    let left = to_empty(&running, &measured);
    let second = left.second.unwrap();
    assert!(near(second.value, (57.4 - 12.0) / 12.0 * 3600.0, 1e-3));
    assert!(near(second.expanded, 2.0 * 0.2 / 12.0 * 3600.0, 0.05));
    let energy = left.energy_wh.unwrap();
    let whole = left.charge_ah.unwrap().value;
    assert!(energy.value > 20.0 * whole && energy.value < 26.4 * whole);
    assert!(energy.value + energy.expanded > 26.0 * whole, "an even voltage is within it");
    assert_eq!(left.reasons, ["no proof that the pack was full at the start"]);
    let rated = to_empty(&running, &Expected::of_rating(60.0, &setting.rules));
    assert!(rated.second.unwrap().expanded > 10.0 * second.expanded);
    assert!(rated.reasons[0].contains("by its rating only"));
    let stopped = bench.stopped(setting.clone());
    assert!(Running::of(&stopped, &setting).is_none(), "not after it was stopped");
    let more = to_empty(&running, &Expected { capacity_ah: 11.9, ..measured });
    assert!(more.second.is_none() && more.reasons[1].contains("more than was expected"));
}

#[test]
fn the_load_of_late_is_that_of_the_last_five_minutes() {
    let mut bench = Bench::full();
    bench.run(0.0, 60.0).run(-12.0, 1200.0).run(-24.0, 300.0);
    let found = bench.analyse(gal_07()).snapshot(None, false);
    let load = found.load.unwrap();
    assert!(near(load.ampere, 24.0, 0.01), "{load:?}");
    assert!(load.second <= 300.0 && load.second > 280.0);
}

#[test]
fn standby_draws_are_added_up_and_other_discharges_are_not() {
    let mut bench = Bench::full();
    bench.run(0.0, 60.0).run(-0.3, 3600.0).run(0.0, 60.0).run(-12.0, 600.0);
    let setting = gal_07();
    let standby = standby_of(&bench.stopped(setting.clone()).phases, &setting).unwrap();
    assert!(near(standby.ampere, 0.3, 1e-3) && near(standby.ah, 0.3, 1e-3));
    assert!(near(standby.watt.unwrap(), 0.3 * 27.0, 1e-2), "{standby:?}");
    let without = Bench::full().run(0.0, 60.0).run(-12.0, 600.0).stopped(setting.clone());
    assert_eq!(standby_of(&without.phases, &setting), None);
}

/// A fall with two plateaus, noisy; rows every 10 s at `ampere`.
fn fall(ampere: f64) -> Rows {
    let mut noise = bench::proven::Noise(9);
    let mut rows = Rows { rows: Vec::new(), second: 0.0, interval: 10.0 };
    let total = 40.0 * 3600.0 / ampere;
    let count = (total / 10.0) as usize;
    for n in 0..count {
        let x = n as f64 / count as f64;
        let cell = 3.4 - 0.3 * x - 0.03 * (4.0 * std::f64::consts::PI * x).sin() / 1.3;
        let volt = 8.0 * (cell + 0.0005 * noise.bell());
        rows.rows.push(row(n as f64 * 10.0, -ampere, volt));
    }
    rows
}

fn plateaus(ampere: f64) -> Incremental {
    let (rows, setting) = (fall(ampere), gal_07());
    let found = rows.analyse(&setting).snapshot(None, true);
    let mut incremental = Incremental::new(main_discharge(&found), &setting);
    rows.rows.iter().for_each(|row| incremental.push(row));
    incremental
}

#[test]
fn peaks_are_found_through_noise_and_a_high_rate_is_doubted() {
    let (slow, fast) = (plateaus(3.0).curve(), plateaus(3.1).curve());
    assert_eq!(slow.peaks.len(), 2, "{:?}", slow.peaks);
    assert!(slow.doubts.is_empty() && fast.doubts[0].contains("moved and blunted"));
    let area = |places: &[ampledger_methods::incremental::Place]| {
        places.iter().map(|p| p.ah_per_volt).sum::<f64>() * slow.step_volt
    };
    assert!(near(area(&slow.smooth), area(&slow.raw), 1e-9), "smoothing keeps the area");
    assert!(near(area(&slow.raw), 40.0, 1e-3));
}

#[test]
fn the_curve_of_the_stream_is_that_of_a_second_pass_and_its_voltages_have_an_uncertainty() {
    let setting = Setting {
        voltage_gain_percent: Some(0.05),
        voltage_offset: Some(0.002),
        voltage_resolution: Some(0.001),
        ..gal_07()
    };
    let found = fall(3.0).analyse(&setting).snapshot(None, true);
    let (stream, second) = (found.curve.unwrap(), plateaus(3.0).curve());
    assert_eq!(stream.peaks.len(), second.peaks.len());
    for (a, b) in stream.smooth.iter().zip(&second.smooth) {
        assert!(a.volt == b.volt && near(a.ah_per_volt, b.ah_per_volt, 1e-9), "{a:?} {b:?}");
    }
    // 0.05 % of 26 V, 2 mV and half a step of 1 mV, and a step of 40 mV:
    // 2·√(0.0155²/3 + 0.040²/12) V.
    let wide = stream.expanded_volt(26.0, &setting).unwrap();
    assert!(near(wide, 2.0 * (0.0155_f64.powi(2) / 3.0 + 0.04_f64.powi(2) / 12.0).sqrt(), 1e-9));
    assert_eq!(stream.expanded_volt(26.0, &gal_07()), None);
}

#[test]
fn discharges_without_number_keep_a_bounded_number_of_curves() {
    let mut bench = Bench::full();
    for n in 0..30 {
        let volt = |s: f64| 27.0 - s * 0.01;
        (0..60).for_each(|s| {
            bench.read(-12.0 - f64::from(n), volt(f64::from(s)));
        });
        (0..30).for_each(|_| {
            bench.read(12.0, 27.5);
        });
    }
    let found = bench.stopped(gal_07());
    let main = found.main_discharge.unwrap();
    assert!(main >= 56, "the last is the largest");
    assert!(found.curve.is_some());
}

#[test]
fn a_straight_fall_has_no_peak() {
    let rows: Vec<_> = (0..7200).map(f64::from).collect();
    let mut bench = Bench::full();
    rows.iter().for_each(|s| {
        bench.read(-3.0, 27.0 - s / 3600.0);
    });
    let curve = bench.stopped(gal_07()).curve.unwrap();
    assert_eq!(curve.peaks, Vec::new());
}
