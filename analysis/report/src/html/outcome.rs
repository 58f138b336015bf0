//! What came out: phases, figures with their standing, what is odd, what
//! happened. Long lists are cut, and how much is cut is said.

use ampledger_types::Unit;
use ampledger_types::result::{
    Anomaly, DatedMarker, Figure, Gap, Phase, Results, SessionReport, Status,
};

use super::markup::Html;
use super::table::{Column, figures, folded, prose, section, table, words};
use crate::{dates, numbers, sentences};

/// Rows that a list shows before it is cut.
const ROWS: usize = 300;

/// All of it.
pub(super) fn outcome(out: &mut Html, report: &SessionReport) {
    if !report.phases.is_empty() {
        section(out, "Phases", |section| phases(section, &report.phases));
    }
    section(out, "Results", |section| results(section, &report.results));
    section(out, "What is odd", |section| odd(section, report));
    if !report.earlier.is_empty() {
        let said: Vec<String> = report.earlier.iter().map(sentences::earlier).collect();
        let said: Vec<&str> = said.iter().map(String::as_str).collect();
        section(out, "Said before", |section| list(section, "ul", &said));
    }
    if !report.markers.is_empty() {
        section(out, "What happened", |section| happened(section, &report.markers));
    }
}

const PHASE_COLUMNS: [Column; 9] = [
    figures("no."),
    words("phase"),
    figures("from"),
    figures("lasted"),
    figures("charge"),
    figures("energy"),
    figures("mean"),
    figures("voltage"),
    words("ended"),
];

fn phases(out: &mut Html, phases: &[Phase]) {
    let rows: Vec<Vec<String>> = phases.iter().take(ROWS).enumerate().map(phase).collect();
    table(out, &PHASE_COLUMNS, &rows);
    cut(out, phases.len(), "phases");
}

fn phase((at, phase): (usize, &Phase)) -> Vec<String> {
    let known = |value: Option<f64>, unit| value.map_or(String::new(), |v| numbers::value(v, unit));
    let volts = match (phase.first_voltage_volt, phase.last_voltage_volt) {
        (None, None) => String::new(),
        (first, last) => format!("{} to {}", known(first, Unit::Volt), known(last, Unit::Volt)),
    };
    vec![
        (at + 1).to_string(),
        sentences::phase_kind(phase.kind).to_owned(),
        dates::stopwatch(phase.start.test_time_second),
        dates::duration(phase.end.test_time_second - phase.start.test_time_second),
        known(phase.charge_ah, Unit::AmpereHour),
        known(phase.energy_wh, Unit::WattHour),
        known(phase.mean_current_ampere, Unit::Ampere),
        volts,
        phase.end_reason.map_or(String::new(), |reason| sentences::ending(reason).to_owned()),
    ]
}

/// A standing in one word, loud where a figure is not proven.
pub(super) fn standing(status: Status) -> (&'static str, &'static str) {
    match status {
        Status::Proven => ("standing proven", "Proven"),
        Status::Provisional => ("standing provisional", "PROVISIONAL"),
        Status::Undetermined => ("standing undetermined", "UNDETERMINED"),
    }
}

fn results(out: &mut Html, results: &Results) {
    let (ah, wh) = (Unit::AmpereHour, Unit::WattHour);
    let named: [(&str, &Figure, Unit); 9] = [
        ("Main discharge, charge", &results.main_discharge_ah, ah),
        ("Main discharge, energy", &results.main_discharge_wh, wh),
        ("To cut-off voltage, charge", &results.capacity_to_cutoff_ah, ah),
        ("To cut-off voltage, energy", &results.energy_to_cutoff_wh, wh),
        ("All discharges, charge", &results.discharging_capacity_ah, ah),
        ("All discharges, energy", &results.discharging_energy_wh, wh),
        ("All charges, charge", &results.charging_capacity_ah, ah),
        ("All charges, energy", &results.charging_energy_wh, wh),
        ("Rests, net charge", &results.rest_net_ah, ah),
    ];
    let mut reasons = Shared::default();
    let mut methods = Shared::default();
    out.tag("table", &[("class", "results")], |table| {
        for (name, figure, unit) in named {
            methods.note(&figure.method);
            result(table, name, &numbers::figure(figure, unit), figure, &mut reasons);
        }
    });
    if !reasons.0.is_empty() {
        out.said("h3", &[], "Why not proven");
        list(out, "ol", &reasons.0);
    }
    methods.0.retain(|method| !method.is_empty());
    if !methods.0.is_empty() {
        folded(out, "How the figures were computed", |inside| list(inside, "ul", &methods.0));
    }
}

fn result<'a>(
    table: &mut Html,
    name: &str,
    value: &str,
    figure: &'a Figure,
    reasons: &mut Shared<'a>,
) {
    let (class, word) = standing(figure.status);
    let numbers: Vec<String> =
        figure.reasons.iter().map(|reason| reasons.note(reason).to_string()).collect();
    table.tag("tr", &[], |row| {
        row.said("th", &[("scope", "row")], name);
        row.said("td", &[("class", "figure value")], value);
        row.tag("td", &[("class", "words")], |cell| {
            cell.said("span", &[("class", class)], word);
            if !numbers.is_empty() {
                cell.text(" ");
                cell.said("span", &[("class", "why")], &format!("({})", numbers.join(", ")));
            }
        });
    });
}

/// What often holds for several is told once, with a number.
#[derive(Default)]
struct Shared<'a>(Vec<&'a str>);

impl<'a> Shared<'a> {
    /// Its number, from 1.
    fn note(&mut self, text: &'a str) -> usize {
        let known = self.0.iter().position(|other| *other == text);
        1 + known.unwrap_or_else(|| {
            self.0.push(text);
            self.0.len() - 1
        })
    }
}

fn list(out: &mut Html, kind: &'static str, items: &[&str]) {
    out.tag(kind, &[], |list| items.iter().for_each(|item| list.said("li", &[], item)));
}

fn odd(out: &mut Html, report: &SessionReport) {
    if report.anomalies.is_empty() {
        out.said("p", &[("class", "none")], "Nothing odd was found in the readings.");
    }
    out.tag("ul", &[], |list| {
        report.anomalies.iter().for_each(|a| list.tag("li", &[], |item| anomaly(item, a)));
        report.notes.iter().for_each(|note| list.said("li", &[], note));
    });
    let gaps: Vec<(&Phase, &Gap)> =
        report.phases.iter().flat_map(|p| p.gaps.iter().map(move |gap| (p, gap))).collect();
    if !gaps.is_empty() {
        folded(out, &format!("Gaps inside phases: {}", gaps.len()), |inside| {
            table(inside, &GAP_COLUMNS, &gaps.iter().take(ROWS).map(gap).collect::<Vec<_>>());
            cut(inside, gaps.len(), "gaps");
        });
    }
}

const GAP_COLUMNS: [Column; 5] =
    [words("in a"), figures("from"), figures("lasted"), figures("counted"), figures("at most")];

fn gap((phase, gap): &(&Phase, &Gap)) -> Vec<String> {
    let ah = |v: f64| numbers::value(v.abs(), Unit::AmpereHour);
    vec![
        sentences::phase_kind(phase.kind).to_owned(),
        dates::stopwatch(gap.start.test_time_second),
        dates::duration(gap.end.test_time_second - gap.start.test_time_second),
        gap.estimated_ah.map_or("not counted".to_owned(), ah),
        ah(gap.highest_ah),
    ]
}

fn anomaly(out: &mut Html, anomaly: &Anomaly) {
    out.text(&anomaly.text);
    let times: Vec<String> = anomaly.times.iter().take(5).map(|t| dates::stopwatch(*t)).collect();
    let lines: Vec<String> = anomaly.lines.iter().take(5).map(u64::to_string).collect();
    for (before, places) in [("at", times), ("line", lines)] {
        if !places.is_empty() {
            let more = if anomaly.count > places.len() as u64 { ", …" } else { "" };
            let said = format!(" ({before} {}{more})", places.join(", "));
            out.said("span", &[("class", "note")], &said);
        }
    }
}

fn happened(out: &mut Html, markers: &[DatedMarker]) {
    let rows: Vec<Vec<String>> = markers.iter().take(ROWS).map(marker).collect();
    table(out, &[figures("at"), words("source"), prose("what")], &rows);
    cut(out, markers.len(), "markers");
}

fn marker(dated: &DatedMarker) -> Vec<String> {
    let when = dated.moment.map(|at| dates::stopwatch(at.test_time_second));
    let marker = &dated.marker;
    let often = if marker.count > 1 { format!(" ({} times)", marker.count) } else { String::new() };
    vec![
        when.unwrap_or_else(|| "time unknown".to_owned()),
        marker.source.clone().unwrap_or_default(),
        format!("{}{often}", marker.text),
    ]
}

fn cut(out: &mut Html, all: usize, what: &str) {
    if let Some(more) = all.checked_sub(ROWS).filter(|more| *more > 0) {
        let words =
            format!("{more} more {what} are not listed here; `ampledger show --json` has all.");
        out.said("p", &[("class", "note")], &words);
    }
}
