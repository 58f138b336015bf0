//! What stands behind the figures: the pack, the instruments, the rules, the
//! versions; and the cautions.

use std::collections::BTreeMap;
use std::sync::Arc;

use ampledger_types::result::{RuleUsed, SessionReport};
use ampledger_types::source::{Accuracy, Measures, PoweredBy, ReadingKind, VoltageSensedAt};
use ampledger_types::{DecodeSet, Instrument, Pack, Unit};

use super::markup::Html;
use super::table::{figures, folded, prose, section, table, terms};
use crate::{cautions, numbers, sentences};

/// What is known beside the report.
#[derive(Clone, Copy, Debug)]
pub(super) struct Behind<'a> {
    pub store_uuid: &'a str,
    pub decode_sets: &'a [Arc<DecodeSet>],
    pub instruments: &'a BTreeMap<String, Instrument>,
    /// Samples looked at.
    pub samples: u64,
    /// The program that wrote the page.
    pub build: &'a str,
}

/// All of it.
pub(super) fn record(out: &mut Html, report: &SessionReport, behind: Behind<'_>) {
    match &report.pack {
        Some(known) => section(out, "Pack", |section| pack(section, known)),
        None => section(out, "Pack", |section| {
            section.said("p", &[("class", "none")], "The pack has no name yet.");
        }),
    }
    if !report.calibrations.is_empty() {
        section(out, "Corrected by", |section| {
            section.tag("ul", &[], |list| {
                for used in &report.calibrations {
                    let said =
                        format!("{}: {}, {} readings", used.source, used.says, used.readings);
                    list.said("li", &[], &said);
                }
            });
        });
    }
    section(out, "Instruments", |section| instruments(section, behind));
    folded(out, "Rules used", |inside| rules(inside, &report.rules));
    section(out, "Record", |section| versions(section, report, behind));
    section(out, "Cautions", |section| section.said("p", &[], &cautions::paragraph()));
}

fn pack(out: &mut Html, pack: &Pack) {
    let volt = |value: Option<f64>| value.map(|v| numbers::given(v, Unit::Volt));
    let ampere = |value: Option<f64>| value.map(|v| numbers::given(v, Unit::Ampere));
    if pack.is_unsafe {
        out.said("p", &[("class", "loud")], "This pack is marked UNSAFE to test.");
    }
    terms(
        out,
        &[
            ("Label", Some(pack.label.clone())),
            ("Rated", sentences::rating(pack).or_else(|| Some("no rating".to_owned()))),
            ("Cells", sentences::cells(pack)),
            ("Charged to", volt(pack.charge_voltage_volt)),
            ("Cut-off", volt(pack.cutoff_voltage_volt)),
            ("Highest current", ampere(pack.maximum_current_ampere)),
            ("Maker", pack.maker.clone()),
            ("Model", pack.model.clone()),
            ("Serial number", pack.serial_number.clone()),
            ("Date code", pack.date_code.clone()),
            ("Owner's reference", pack.owner_reference.clone()),
            ("Seen on it", pack.visual_findings.clone()),
        ],
    );
}

fn instruments(out: &mut Html, behind: Behind<'_>) {
    if behind.instruments.is_empty() {
        out.said("p", &[("class", "none")], "No instrument is described.");
    }
    for (source, instrument) in behind.instruments {
        out.said("h3", &[], source);
        if *instrument == Instrument::default() {
            out.said(
                "p",
                &[("class", "none")],
                "Neither its accuracy nor its wiring is described.",
            );
        } else {
            described(out, instrument);
        }
    }
}

fn described(out: &mut Html, instrument: &Instrument) {
    let powered = instrument.powered_by.map(|by| match by {
        PoweredBy::PackUnderTest => "the pack under test",
        PoweredBy::SomethingElse => "something else than the pack under test",
    });
    let sensed = instrument.voltage_sensed_at.map(|at| match at {
        VoltageSensedAt::PackTerminals => "the pack's terminals",
        VoltageSensedAt::Sensor => "the current sensor",
        VoltageSensedAt::Load => "the load",
    });
    let averaged = instrument.averaging_second.map(|s| numbers::given(s, Unit::Second));
    let reading = instrument.reading.map(|kind| match (kind, averaged) {
        (ReadingKind::Average, Some(over)) => format!("an average over {over}"),
        (ReadingKind::Average, None) => "an average".to_owned(),
        (ReadingKind::PointSample, _) => "a point sample".to_owned(),
    });
    let measured = instrument.measures.map(|what| match what {
        Measures::Pack => "the pack, or its load",
        Measures::InverterOutput => "what an inverter gives",
    });
    terms(
        out,
        &[
            ("Maker", instrument.maker.clone()),
            ("Model", instrument.model.clone()),
            ("Serial number", instrument.serial_number.clone()),
            ("Powered by", powered.map(str::to_owned)),
            ("Voltage read at", sensed.map(str::to_owned)),
            ("Drawn ahead of it", instrument.draws_ahead_of_sensor.clone()),
            ("A reading is", reading),
            ("It measures", measured.map(str::to_owned)),
        ],
    );
    let stated: Vec<(&str, Option<String>)> = instrument
        .accuracy
        .iter()
        .map(|(channel, accuracy)| (channel.as_str(), Some(stated(channel, accuracy))))
        .collect();
    if !stated.is_empty() {
        terms(out, &stated);
    }
}

/// `gain 0.1 %, offset 0.02 A, resolution 0.001 A, calibrated 2026-01-14`
fn stated(channel: &str, accuracy: &Accuracy) -> String {
    let unit = channel.parse().ok().map(ampledger_types::Quantity::unit);
    let symbol = unit.map_or("", Unit::symbol);
    let of = |name: &str, value: Option<f64>, symbol: &str| {
        value.map(|v| format!("{name} {} {symbol}", numbers::plain(v)).trim_end().to_owned())
    };
    let parts = [
        of("gain", accuracy.gain_percent, "%"),
        of("offset", accuracy.offset, symbol),
        of("resolution", accuracy.resolution, symbol),
        of("range", accuracy.range, symbol),
        of("temperature", accuracy.temperature_ppm_per_kelvin, "ppm/K"),
        of("calibrated at", accuracy.calibrated_celsius, "°C"),
        accuracy.calibrated.as_ref().map(|date| format!("calibrated {date}")),
        accuracy.certificate.as_ref().map(|number| format!("certificate {number}")),
    ];
    match parts.into_iter().flatten().collect::<Vec<String>>() {
        none if none.is_empty() => "nothing is stated".to_owned(),
        some => some.join(", "),
    }
}

fn rules(out: &mut Html, rules: &BTreeMap<String, RuleUsed>) {
    let row = |rule: &RuleUsed| {
        let value = format!("{} {}", numbers::plain(rule.value), rule.unit);
        vec![value.trim_end().to_owned(), rule.says.clone()]
    };
    let rows: Vec<Vec<String>> = rules.values().map(row).collect();
    table(out, &[figures("value"), prose("what it says")], &rows);
}

fn versions(out: &mut Html, report: &SessionReport, behind: Behind<'_>) {
    let session = &report.session.session;
    let tags: Vec<String> = report.tags().iter().map(ToString::to_string).collect();
    let decoders: Vec<String> = behind
        .decode_sets
        .iter()
        .map(|set| {
            let digest = set.config_digest.get(..12).unwrap_or(&set.config_digest);
            let identity =
                set.identity.as_ref().map_or(String::new(), |id| format!(", answers {id}"));
            format!(
                "{}: {} {}, configuration {digest}{identity}",
                set.source, set.decoder, set.decoder_version
            )
        })
        .collect();
    let listed = |items: &[String]| (!items.is_empty()).then(|| items.join("; "));
    terms(
        out,
        &[
            ("Session", Some(format!("{}, {}", session.id, session.uuid))),
            ("Revision", Some(session.revision.to_string())),
            ("Tags", listed(&tags)),
            ("Samples", Some(behind.samples.to_string())),
            ("Computed up to sample", Some(report.computed_up_to.to_string())),
            ("Store", Some(behind.store_uuid.to_owned())),
            ("Decoded by", listed(&decoders)),
            ("Computed by", Some(report.computed_by.clone())),
            ("Page written by", Some(behind.build.to_owned())),
        ],
    );
}
