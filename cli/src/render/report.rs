//! One session for people: the claim first, then phases, results, what is odd,
//! what happened.

use ampledger_report::{dates, numbers, sentences};
use ampledger_types::Unit;
use ampledger_types::result::{
    Anomaly, DatedMarker, Decision, Figure, Phase, Results, SessionReport, Status, Verdict,
};
use jiff::tz::TimeZone;

use super::table::{Side, table};
use super::{packs, style};

/// The whole report.
pub fn report(report: &SessionReport, zone: &TimeZone) -> String {
    let mut parts = vec![style::strong(&report.claim)];
    parts.extend(report.verdict.as_ref().map(verdict));
    parts.push(head(report, zone));
    if !report.phases.is_empty() {
        parts.push(titled("Phases", &phases(&report.phases)));
    }
    parts.push(titled("Results", &results(&report.results)));
    let beside = sentences::further(&report.further);
    if !beside.is_empty() {
        parts.push(titled("Beside it", &format!("  {}", beside.join("\n  "))));
    }
    if !report.calibrations.is_empty() {
        let lines =
            report.calibrations.iter().map(|used| format!("  {}: {}", used.source, used.says));
        parts.push(titled("Corrected by", &lines.collect::<Vec<String>>().join("\n")));
    }
    if !report.anomalies.is_empty() {
        let lines: Vec<String> = report.anomalies.iter().map(anomaly).collect();
        parts.push(titled("What is odd", &lines.join("\n")));
    }
    if !report.earlier.is_empty() {
        let lines: Vec<String> = report.earlier.iter().map(sentences::earlier).collect();
        parts.push(titled("Said before", &lines.join("\n")));
    }
    if !report.markers.is_empty() {
        let lines: Vec<String> = report.markers.iter().map(marker).collect();
        parts.push(titled("What happened", &lines.join("\n")));
    }
    parts.join("\n\n")
}

fn verdict(verdict: &Verdict) -> String {
    let said = sentences::verdict(verdict);
    match verdict.decision {
        Decision::Passed => style::good(&said),
        Decision::Failed => style::bad(&said),
        Decision::NotDecided => style::open(&said),
    }
}

fn titled(title: &str, text: &str) -> String {
    format!("{}\n{}", style::strong(title), text.trim_end())
}

fn head(report: &SessionReport, zone: &TimeZone) -> String {
    let mut lines = vec![sentences::started(report, zone)];
    if report.session.ended.is_some() {
        lines.push(sentences::stopped(report, zone));
    } else {
        lines.push(style::open("It is still open."));
    }
    if let Some(pack) = &report.pack {
        lines.push(packs::one(pack));
    }
    let tags: Vec<String> = report.tags().iter().map(ToString::to_string).collect();
    if !tags.is_empty() {
        lines.push(format!("Tags: {}.", tags.join(", ")));
    }
    if report.session.clock_rate != 1.0 {
        let rate = report.session.clock_rate;
        lines.push(style::faint(&format!("Recorded with time running {rate} times as fast.")));
    } else if !report.session.clock_synchronised
        && report.session.started.unix_time_second.is_some()
    {
        lines.push(style::open("The clock was not synchronised: the dates may be wrong."));
    }
    lines.join("\n")
}

/// The phases, one a line.
pub fn phases(phases: &[Phase]) -> String {
    let head = [
        ("phase", Side::Left),
        ("from", Side::Right),
        ("lasted", Side::Right),
        ("Ah", Side::Right),
        ("Wh", Side::Right),
        ("mean A", Side::Right),
        ("V", Side::Right),
        ("ended", Side::Left),
    ];
    let rows: Vec<Vec<String>> = phases.iter().map(phase_row).collect();
    table(&head, &rows)
}

fn phase_row(phase: &Phase) -> Vec<String> {
    let bare = |value: Option<f64>, unit| value.map_or("-".to_owned(), |v| numbers::bare(v, unit));
    let volts = match (phase.first_voltage_volt, phase.last_voltage_volt) {
        (None, None) => "-".to_owned(),
        (first, last) => format!("{} to {}", bare(first, Unit::Volt), bare(last, Unit::Volt)),
    };
    vec![
        sentences::phase_kind(phase.kind).to_owned(),
        dates::stopwatch(phase.start.test_time_second),
        dates::duration(phase.end.test_time_second - phase.start.test_time_second),
        bare(phase.charge_ah, Unit::AmpereHour),
        bare(phase.energy_wh, Unit::WattHour),
        bare(phase.mean_current_ampere, Unit::Ampere),
        volts,
        phase.end_reason.map_or("", sentences::ending).to_owned(),
    ]
}

fn results(results: &Results) -> String {
    let named: [(&str, &Figure, Unit); 9] = [
        ("main discharge", &results.main_discharge_ah, Unit::AmpereHour),
        ("", &results.main_discharge_wh, Unit::WattHour),
        ("to cut-off voltage", &results.capacity_to_cutoff_ah, Unit::AmpereHour),
        ("", &results.energy_to_cutoff_wh, Unit::WattHour),
        ("all discharges", &results.discharging_capacity_ah, Unit::AmpereHour),
        ("", &results.discharging_energy_wh, Unit::WattHour),
        ("all charges", &results.charging_capacity_ah, Unit::AmpereHour),
        ("", &results.charging_energy_wh, Unit::WattHour),
        ("rests, net", &results.rest_net_ah, Unit::AmpereHour),
    ];
    let mut shared: Vec<&str> = Vec::new();
    let mut lines = Vec::new();
    for (name, figure, unit) in named {
        let standing = match figure.status {
            Status::Proven => style::good("proven"),
            Status::Provisional => style::open("provisional"),
            Status::Undetermined => style::bad("undetermined"),
        };
        let reasons = figure.reasons.iter().map(|reason| note(&mut shared, reason));
        let notes: Vec<String> = reasons.collect();
        let value = numbers::figure(figure, unit);
        let line = format!("  {name:<20} {value:>18}  {standing} {}", notes.join(" "));
        lines.push(line.trim_end().to_owned());
    }
    if results.capacity_to_cutoff_ah.value.is_some() {
        let how = format!("  cut-off: {}", results.capacity_to_cutoff_ah.method);
        lines.push(style::faint(&how));
    }
    for (number, reason) in shared.iter().enumerate() {
        lines.push(style::faint(&format!("  [{}] {reason}", number + 1)));
    }
    lines.join("\n")
}

/// The same reason often holds for several figures: it is told once, with a
/// number.
fn note<'a>(shared: &mut Vec<&'a str>, reason: &'a str) -> String {
    let known = shared.iter().position(|other| *other == reason);
    let place = known.unwrap_or_else(|| {
        shared.push(reason);
        shared.len() - 1
    });
    format!("[{}]", place + 1)
}

fn anomaly(anomaly: &Anomaly) -> String {
    let mut text = format!("  {}", anomaly.text);
    let first = anomaly.times.iter().take(5).map(|time| dates::stopwatch(*time));
    let times: Vec<String> = first.collect();
    if !times.is_empty() {
        let more = if anomaly.count > times.len() as u64 { ", …" } else { "" };
        text.push_str(&style::faint(&format!(" (at {}{more})", times.join(", "))));
    }
    let lines: Vec<String> = anomaly.lines.iter().take(5).map(u64::to_string).collect();
    if !lines.is_empty() {
        let more = if anomaly.lines.len() > lines.len() { ", …" } else { "" };
        text.push_str(&style::faint(&format!(" (line {}{more})", lines.join(", "))));
    }
    text
}

fn marker(dated: &DatedMarker) -> String {
    let when = dated.moment.map_or("?".to_owned(), |at| dates::stopwatch(at.test_time_second));
    let DatedMarker { marker, .. } = dated;
    let source = marker.source.as_ref().map_or(String::new(), |name| format!("{name}: "));
    let often = if marker.count > 1 { format!(" ({} times)", marker.count) } else { String::new() };
    format!("  {} {source}{}{often}", style::faint(&format!("{when:>9}")), marker.text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_that_holds_for_several_figures_is_told_once() {
        let why = || vec!["no proof yet that it was full".to_owned()];
        let figure = |unit| Figure::provisional(57.41, unit, "trapezoid", why());
        let nothing = Figure::undetermined(Unit::AmpereHour, "", vec!["not reached".to_owned()]);
        let all = Results {
            discharging_capacity_ah: figure(Unit::AmpereHour),
            discharging_energy_wh: figure(Unit::WattHour),
            charging_capacity_ah: figure(Unit::AmpereHour),
            charging_energy_wh: figure(Unit::WattHour),
            capacity_to_cutoff_ah: nothing,
            energy_to_cutoff_wh: figure(Unit::WattHour),
            main_discharge_ah: figure(Unit::AmpereHour),
            main_discharge_wh: figure(Unit::WattHour),
            rest_net_ah: figure(Unit::AmpereHour),
        };
        let text = anstream::adapter::strip_str(&results(&all)).to_string();
        assert_eq!(text.matches("no proof yet").count(), 1, "{text}");
        assert_eq!(text.matches("provisional [1]").count(), 8, "{text}");
        assert!(text.contains("unknown  undetermined [2]"), "{text}");
    }
}
