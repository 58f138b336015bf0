//! A session of GAL-07 with the figures of the design's own example, for the
//! tests of the sentences.

use std::collections::BTreeMap;

use ampledger_types::result::{
    EndReason, Figure, Finding, Moment, Phase, PhaseKind, Probe, Results, SessionHead,
    SessionReport, Standing, Status, Warmth,
};
use ampledger_types::{Bound, Pack, Rating, RunId, Session, Unit};

const START_UNIX_SECOND: f64 = 1_772_352_720.0; // 2026-03-01T08:12:00Z

pub(crate) fn moment(test_time_second: f64) -> Moment {
    Moment { test_time_second, unix_time_second: Some(START_UNIX_SECOND + test_time_second) }
}

fn phase(kind: PhaseKind, seconds: [f64; 2], amounts: [f64; 3], volts: [f64; 2]) -> Phase {
    Phase {
        kind,
        start: moment(seconds[0]),
        end: moment(seconds[1]),
        charge_ah: Some(amounts[0]),
        energy_wh: Some(amounts[1]),
        mean_current_ampere: Some(amounts[2]),
        highest_current_ampere: Some(amounts[2].abs() + 0.1),
        first_voltage_volt: Some(volts[0]),
        last_voltage_volt: Some(volts[1]),
        end_reason: None,
        trip_means_empty: None,
        lost_source: None,
        interruptions: Vec::new(),
        gaps: Vec::new(),
    }
}

pub(crate) fn rest() -> Phase {
    phase(PhaseKind::Rest, [0.0, 3_660.0], [0.0, 0.0, 0.0], [26.8, 26.6])
}

pub(crate) fn discharge() -> Phase {
    let mut phase =
        phase(PhaseKind::Discharge, [3_660.0, 20_700.0], [-57.41, -1457.3, -12.13], [26.4, 19.98]);
    phase.end_reason = Some(EndReason::CutoffVoltage);
    phase
}

pub(crate) fn charge() -> Phase {
    phase(PhaseKind::Charge, [12_000.0, 29_400.0], [58.02, 1532.1, 12.0], [25.1, 29.2])
}

fn figure(value: f64, unit: Unit) -> Figure {
    let reasons = ["no proof that the pack was full", "the accuracy is not stated"];
    Figure::provisional(value, unit, "trapezoid", reasons.map(str::to_owned).to_vec())
}

fn results() -> Results {
    let (ah, wh) = (Unit::AmpereHour, Unit::WattHour);
    Results {
        discharging_capacity_ah: figure(57.45, ah),
        discharging_energy_wh: figure(1458.0, wh),
        charging_capacity_ah: figure(58.02, ah),
        charging_energy_wh: figure(1532.1, wh),
        capacity_to_cutoff_ah: figure(57.41, ah),
        energy_to_cutoff_wh: figure(1457.2, wh),
        main_discharge_ah: figure(57.44, ah),
        main_discharge_wh: figure(1457.4, wh),
        rest_net_ah: figure(0.0, ah),
    }
}

pub(crate) fn pack() -> Pack {
    Pack {
        label: "GAL-07".to_owned(),
        rating: Some(Rating { capacity_ah: 60.0, ..Rating::default() }),
        cutoff_voltage_volt: Some(20.0),
        ..Pack::default()
    }
}

/// A rest, a discharge to the cut-off, a recharge.
pub(crate) fn report() -> SessionReport {
    let bound = |t_us| Bound { run: RunId(1), t_us };
    let session = Session {
        id: 3,
        uuid: "2f0c3b0e-7a55-4b47-9a0e-3c1f4f5f9d11".to_owned(),
        pack: Some("GAL-07".to_owned()),
        sources: vec!["bench-shunt".to_owned()],
        opened_by: Default::default(),
        start: bound(0),
        end: Some(bound(32_400_000_000)),
        revision: 1,
        cutoff_voltage_volt: None,
        cutoff_rule: Default::default(),
        tags: Vec::new(),
    };
    SessionReport {
        session: SessionHead {
            session,
            started: moment(0.0),
            ended: Some(moment(32_400.0)),
            clock_synchronised: true,
            clock_rate: 1.0,
        },
        pack: Some(pack()),
        claim: String::new(),
        phases: vec![rest(), discharge(), charge()],
        main_discharge: Some(1),
        results: results(),
        verdict: None,
        temperatures: Vec::new(),
        further: Default::default(),
        anomalies: Vec::new(),
        calibrations: Vec::new(),
        earlier: Vec::new(),
        notes: Vec::new(),
        markers: Vec::new(),
        rules: BTreeMap::new(),
        computed_up_to: 1,
        computed_by: "test".to_owned(),
    }
}

/// The same with everything that proves it.
pub(crate) fn proven() -> SessionReport {
    let mut report = report();
    let met = |(rule, says): (&str, &str)| Finding {
        rule: rule.to_owned(),
        standing: Standing::Met,
        moment: None,
        value: None,
        limit: None,
        unit: String::new(),
        says: says.to_owned(),
    };
    let evidence = [
        ("charge seen", "charged at 3.00 A or more for 180 min on this channel"),
        ("voltage reached", "charged to 29.2 V"),
        ("taper", "tapered to 1.9 A = C/32"),
        ("held", "held there for 12 min"),
        ("rest before the load", "rested 61 min"),
        ("rested voltage", "rested at 3.350 V a cell"),
        ("nothing drawn since", "nothing drawn since"),
        ("custody", "never out of sight since"),
        ("offset", "offset zeroed (+0.013 A)"),
        ("gaps", "no gap longer than 2 s"),
        ("end", "ended at cut-off voltage"),
    ];
    let results = &mut report.results;
    for (figure, uncertainty) in
        [(&mut results.capacity_to_cutoff_ah, 0.4), (&mut results.energy_to_cutoff_wh, 12.0)]
    {
        figure.status = Status::Proven;
        figure.reasons.clear();
        figure.expanded_uncertainty = Some(uncertainty);
        figure.evidence = evidence.map(met).to_vec();
    }
    report.temperatures = vec![Warmth {
        probe: Probe::Pack,
        low_celsius: 22.1,
        high_celsius: 25.7,
        begin_celsius: Some(22.1),
        moved_kelvin: Some(0.4),
    }];
    report
}

/// A discharge that ended in the dark at 20.3 V.
pub(crate) fn dark() -> SessionReport {
    let mut report = report();
    report.phases.truncate(2);
    report.phases[1].end_reason = Some(EndReason::DarkUnderLoad);
    report.phases[1].last_voltage_volt = Some(20.3);
    let none = Figure::undetermined(Unit::AmpereHour, "", vec!["it tripped before".to_owned()]);
    report.results.capacity_to_cutoff_ah = none.clone();
    report.results.energy_to_cutoff_wh = none;
    report
}

/// A discharge under way, 31.2 Ah so far.
pub(crate) fn running() -> SessionReport {
    let mut report = dark();
    report.session.session.end = None;
    report.session.ended = None;
    report.phases[1].end_reason = Some(EndReason::Running);
    report.phases[1].charge_ah = Some(-31.2);
    report.phases[1].energy_wh = Some(-800.0);
    report.results.main_discharge_ah.value = Some(31.2);
    report.results.main_discharge_wh.value = Some(800.0);
    report
}
