//! The worked examples of docs/methods.md about uncertainty, proof and the
//! figures that rest on several runs, recomputed; the page must say what comes
//! out.

mod bench;
mod charge;
mod page;

use ampledger_methods::budget::{self, Exposure};
use ampledger_methods::calibration::{Correction, Point};
use ampledger_methods::efficiency::{self, ChargeEnd, Half};
use ampledger_methods::inverter::{InverterFit, standby};
use ampledger_methods::offset::ZeroLeft;
use ampledger_methods::peukert::{self, Run};
use ampledger_methods::resistance::{LoadPoint, two_loads};
use ampledger_methods::self_discharge::{self, Capacity};
use ampledger_methods::to_empty::{Expected, Load, Running, to_empty};
use ampledger_methods::verdict::{Conditions, Decision, Limit, judge};
use ampledger_methods::{Rules, Setting, ripple, temperature};
use ampledger_types::Chemistry;
use bench::gal_07;
use charge::Script;
use page::says;

/// 57.4 Ah at −12.1 A in 4.74 h, 1457 Wh.
fn run() -> Exposure {
    Exposure {
        charge_ah: 57.4,
        energy_wh: Some(1457.0),
        hour: 57.4 / 12.1,
        volt_hour: 1457.0 / 12.1,
        end_rule_ah: 0.0017,
        end_voltage_ah: 0.02,
        ..Exposure::default()
    }
}

fn meter() -> Setting {
    Setting {
        current_gain_percent: Some(0.5),
        current_offset: Some(0.02),
        current_resolution: Some(0.01),
        voltage_gain_percent: Some(0.2),
        voltage_offset: Some(0.01),
        voltage_resolution: Some(0.01),
        ..gal_07()
    }
}

#[test]
fn uncertainty_of_a_charge_and_of_an_energy() {
    let budget = budget::charge(&run(), &meter());
    let term = |name: &str| budget.term(name).unwrap().standard;
    says(&format!(
        "gain {:.4} Ah, offset {:.4} Ah, resolution {:.4} Ah, voltage at the end {:.4} Ah, clock \
         {:.4} Ah, end rule {:.4} Ah: together {:.3} Ah, expanded {:.2} Ah ({:.2} %).",
        term("gain of the current"),
        term("offset of the current"),
        term("resolution of the current"),
        term("voltage at the end"),
        term("clock"),
        term("end rule"),
        budget.standard,
        budget.expanded.unwrap(),
        budget.relative().unwrap() * 100.0,
    ));
    let budget = budget::energy(&run(), &meter()).unwrap();
    says(&format!(
        "1457 Wh ± {:.1} Wh ({:.2} %).",
        budget.expanded.unwrap(),
        budget.relative().unwrap() * 100.0
    ));
}

#[test]
fn verdict() {
    let good = Conditions {
        is_proven: true,
        on_rating_basis: Some(true),
        pack_celsius: Some(24.0),
        moved_kelvin: Some(0.5),
        calibration_age_day: Some(90.0),
    };
    let verdict = judge(81.0, Some(1.2), Limit::Used, &good, &Rules::default());
    assert_eq!(verdict.decision, Decision::NotDecided);
    says(&format!(
        "81.0 % ± 1.2 % against 80 %: not decided, although it is above with a probability of \
         {:.1} %.",
        verdict.probability.unwrap() * 100.0
    ));
}

#[test]
fn what_the_taper_leaves() {
    let script = Script {
        interval: 1.0,
        tau_second: 900.0,
        end_ampere: 2.0,
        hold_second: 1.0,
        ..Script::gal_07()
    };
    let setting = Setting { charge_voltage_volt: Some(29.2), ..gal_07() };
    let left = script.evidence(&setting).uncharged_ah.unwrap();
    says(&format!("A time constant of 900 s and a last current of 2.0 A: {left:.2} Ah."));
}

#[test]
fn zero_and_calibration() {
    let left = ZeroLeft {
        offset_ampere: 0.013,
        standard_ampere: 0.0004,
        half_difference_ampere: Some(0.002),
    };
    let setting = Setting { zero_left: Some(left), ..meter() };
    let budget = budget::charge(&run(), &setting);
    says(&format!(
        "zeroes of +0.011 A before and +0.015 A after: {:+.3} A is taken off, and ± 0.002 A over \
         {:.2} h leaves {:.4} Ah; without them ± 0.02 A leave {:.4} Ah.",
        left.offset_ampere,
        run().hour,
        budget.term("zero moved").unwrap().standard,
        budget::charge(&run(), &meter()).term("offset of the current").unwrap().standard,
    ));
    let point = |raw: f64, truth: f64, standard: f64| Point { raw, truth, standard };
    let correction =
        Correction::two_point(point(0.14, 0.0, 0.003), point(40.1, 40.0, 0.02)).unwrap();
    says(&format!(
        "0.140 A at 0 A and 40.100 A at 40.000 A: 20.120 A is {:.3} A, u = {:.4} A.",
        correction.apply(20.12),
        correction.standard(20.12)
    ));
}

#[test]
fn resistance_and_short_circuit() {
    let load = |ampere, volt| LoadPoint { ampere, volt };
    let found = two_loads(load(12.0, 26.2), load(60.0, 25.24), None).unwrap();
    says(&format!(
        "26.20 V at 12 A, 25.24 V at 60 A: {:.1} mΩ; a short circuit carries at least {:.0} A.",
        found.ohm * 1e3,
        found.short_circuit(None).unwrap().at_least_ampere
    ));
}

#[test]
fn efficiency() {
    let end = ChargeEnd { volt: 29.2, ampere: 1.9 };
    let half = |ah, wh, hour| Half { ah, wh: Some(wh), hour };
    let (out, inn) = (half(57.4, 1457.0, 4.74), half(57.6, 1580.0, 5.2));
    let setting = Setting { current_offset: Some(0.005), ..gal_07() };
    let cycle = efficiency::cycle(&out, &inn, Some((end, end)), &setting).unwrap();
    says(&format!(
        "57.4 Ah and 1457 Wh out in 4.74 h, 57.6 Ah and 1580 Wh in, in 5.2 h, offset within \
         5 mA: {:.2} % ± {:.2} % of the charge, {:.1} % of the energy.",
        cycle.coulombic * 100.0,
        cycle.coulombic_expanded.unwrap() * 100.0,
        cycle.energy.unwrap() * 100.0
    ));
}

#[test]
fn peukert() {
    let run = |ampere, hour| Run { ampere, hour };
    let runs = [run(4.0, 20.0), run(16.0, 4.2), run(40.0, 1.45)];
    let fit = peukert::fit(&runs, &Rules::default()).unwrap();
    says(&format!(
        "TUG-3 lasts 20 h at 4 A, 4.2 h at 16 A, 1.45 h at 40 A: k = {:.3}, u = {:.3} with \
         one degree of freedom, so {:.1} h at 8 A.",
        fit.exponent,
        fit.exponent_standard.unwrap(),
        peukert::hours(fit.constant, fit.exponent, 8.0)
    ));
}

#[test]
fn temperature_of_lead_acid() {
    let correct = |chemistry| {
        temperature::correct(74.0, 20.0, Some(15.0), Some(chemistry), &Rules::default())
    };
    says(&format!(
        "TUG-3 gives 74.0 Ah over 20 h at 15 °C: {:.1} Ah at 20 °C.",
        correct(Chemistry::LeadAcid).capacity_ah.unwrap()
    ));
    assert_eq!(correct(Chemistry::LithiumIronPhosphate).capacity_ah, None);
}

#[test]
fn inverter_and_standby() {
    let mut fit = InverterFit::default();
    fit.push(330.0, 300.0);
    fit.push(1080.0, 1000.0);
    let model = fit.model().unwrap();
    says(&format!(
        "330 W for 300 W and 1080 W for 1000 W: {:.1} W idle, {:.3} W for each further watt, \
         {:.1} % at 300 W.",
        model.idle_watt,
        model.slope,
        model.efficiency(300.0) * 100.0
    ));
    let draw = standby(12.0, 20.0, 26.4);
    says(&format!("12 W for 20 h at 26.4 V: {:.1} Ah, {:.0} Wh.", draw.ah, draw.wh.unwrap()));
}

#[test]
fn self_discharge_over_a_stand() {
    let of = |ah| Capacity { ah, standard_ah: Some(0.2) };
    let lost = self_discharge::between(of(57.4), of(56.0), 28.0, &Rules::default()).unwrap();
    says(&format!(
        "57.4 Ah before and 56.0 Ah after 28 days, u = 0.2 Ah each: {:.2} % ± {:.2} %, {:.2} % in \
         30 days, as if {:.1} mA were drawn.",
        lost.percent,
        lost.percent_expanded.unwrap(),
        lost.percent_a_month,
        lost.ampere * 1e3
    ));
}

#[test]
fn time_to_empty() {
    let load = Load { ampere: 12.1, watt: Some(312.0), deviation_ampere: 0.1, second: 300.0 };
    let running = Running {
        given_ah: 31.2,
        given_standard_ah: 0.1,
        load,
        cutoff_volt: Some(20.0),
        is_full_proven: true,
    };
    let expected = Expected { capacity_ah: 57.4, standard_ah: 0.2, is_measured: true };
    let left = to_empty(&running, &expected);
    let (second, energy) = (left.second.unwrap(), left.energy_wh.unwrap());
    says(&format!(
        "31.2 Ah given at 12.1 A, 57.4 ± 0.4 Ah expected: {:.0} min ± {:.0} min, {:.1} Ah, {:.0} Wh \
         ± {:.0} Wh.",
        second.value / 60.0,
        second.expanded / 60.0,
        left.charge_ah.unwrap().value,
        energy.value,
        energy.expanded
    ));
}

#[test]
fn energy_under_ripple() {
    says(&format!(
        "50 A with a ripple as large, 10 mΩ: {:.1} W too much.",
        ripple::overstated_watt(50.0, 1.0, 0.01)
    ));
}
