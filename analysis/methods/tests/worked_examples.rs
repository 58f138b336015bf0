//! The worked examples of docs/methods.md, recomputed; the page must say what
//! comes out.

mod bench;
mod page;

use ampledger_methods::integrate::{Flows, Reading};
use ampledger_methods::{CutoffRule, Setting};
use bench::{Bench, gal_07, main_discharge, row};
use page::says;

fn at(current_ampere: f64, voltage: f64) -> Reading {
    Reading { current_ampere, voltage_volt: Some(voltage) }
}

#[test]
fn charge() {
    let mut flows = Flows::default();
    flows.add(10.0, &at(-12.0, 26.0), &at(-12.0, 26.0));
    flows.add(4.0, &at(-12.0, 26.0), &at(-10.0, 26.0));
    let ah = flows.discharged.charge_ah();
    says(&format!("−10 A at 14 s: {:.0} A·s, that is {ah:.6} Ah given", ah * 3600.0));
}

#[test]
fn both_directions() {
    let mut flows = Flows::default();
    flows.add(8.0, &at(-12.0, 26.0), &at(4.0, 26.0));
    let (out, inn) = (flows.discharged, flows.charged);
    says(&format!(
        "−12 A to +4 A in 8 s at 26 V: {:.0} A·s and {:.4} Wh out, {:.0} A·s and {:.4} Wh in.",
        out.charge_ah() * 3600.0,
        out.energy_wh().unwrap(),
        inn.charge_ah() * 3600.0,
        inn.energy_wh().unwrap(),
    ));
}

#[test]
fn energy() {
    let mut flows = Flows::default();
    flows.add(3600.0, &at(-10.0, 26.0), &at(-12.0, 24.0));
    let exact = flows.discharged.energy_wh().unwrap();
    let of_products = (26.0 * 10.0 + 24.0 * 12.0) / 2.0;
    says(&format!("{exact:.3} Wh; the trapezoid of the products would say {of_products:.3} Wh"));
    let difference: f64 = (24.0 - 26.0) * (-12.0 + 10.0) * 3600.0 / 6.0 / 3600.0;
    assert!((exact - of_products - difference).abs() < 1e-9);
}

#[test]
fn gap() {
    let mut bench = Bench::full();
    bench.run(-20.0, 10.0).run(-12.0, 60.0).dark(-12.0, 120.0).run(-12.0, 60.0);
    let found = bench.stopped(gal_07());
    let gap = main_discharge(&found).gaps[0];
    let counted = gap.estimated_ah.unwrap();
    says(&format!(
        "a silence of {:.0} s, highest current 20 A: {counted:.4} Ah counted, at most {:.4} Ah.",
        (gap.end_us - gap.start_us) as f64 / 1e6,
        gap.highest_ah,
    ));
}

#[test]
fn rest_threshold() {
    let setting =
        Setting { current_offset: Some(0.02), current_resolution: Some(0.01), ..gal_07() };
    let rest = Bench::full().run(0.0, 1.0).stopped(setting.clone()).rest_threshold_ampere;
    let leave = rest * setting.rules.rest_leave_factor;
    says(&format!("rest up to {rest:.3} A, left above {leave:.3} A."));
}

#[test]
fn crossing() {
    let by = |cutoff_rule: CutoffRule| {
        let mut bench = Bench::full();
        bench.rows = vec![row(100.0, -12.0, 20.12), row(110.0, -12.0, 19.96)];
        let found = bench.stopped(Setting { cutoff_rule, ..gal_07() });
        main_discharge(&found).end.clone().unwrap().cutoff.unwrap()
    };
    let interpolated = by(CutoffRule::Interpolated);
    says(&format!(
        "last-above {:.4} Ah, interpolated {:.4} Ah (at {:.1} s), first-below {:.4} Ah.",
        by(CutoffRule::LastAbove).discharged_ah,
        interpolated.discharged_ah,
        interpolated.t_us as f64 / 1e6,
        by(CutoffRule::FirstBelow).discharged_ah,
    ));
}

#[test]
fn hidden_by_a_dark_end() {
    let hidden = |powered_by_pack: bool| {
        let mut bench = Bench::full();
        let last_us = bench.run(-12.0, 60.0).rows.last().unwrap().t_us;
        let analysis = bench.analyse(Setting { powered_by_pack, ..gal_07() });
        let found = analysis.snapshot(Some(last_us + 120_000_000), false);
        main_discharge(&found).end.clone().unwrap().hidden_ah.unwrap()
    };
    says(&format!("dark for 120 s: {:.4} Ah or {:.4} Ah.", hidden(true), hidden(false)));
}

#[test]
fn every_rule_has_a_meaning_and_its_unit_ends_its_name() {
    for (name, rule) in ampledger_methods::Rules::default().table() {
        let ending = match rule.unit.as_str() {
            "s" => "_second",
            "A" => "_ampere",
            "V" => "_volt",
            "h" => "_hour",
            "%" => "_percent",
            "ppm" => "_ppm",
            "K" => "_kelvin",
            "1/K" => "_per_kelvin",
            "°C" => "_celsius",
            "d" => "_day",
            "" => "",
            other => panic!("{name}: no unit {other}"),
        };
        assert!(name.ends_with(ending), "{name} is in {}", rule.unit);
        assert!(rule.says.ends_with('.'), "{name} says nothing");
    }
}
