//! On what the claimed figures rest, for people: the evidence finding by
//! finding, the uncertainty term by term.

use ampledger_report::{dates, numbers, sentences};
use ampledger_types::Unit;
use ampledger_types::result::{Figure, Finding, SessionReport, Term};
use jiff::tz::TimeZone;

use super::style;
use super::table::{Side, table};

/// What the record holds for the claim and against it.
pub fn evidence(report: &SessionReport, zone: &TimeZone) -> String {
    let figure = sentences::claimed(report);
    if figure.evidence.is_empty() {
        return "There is no discharge to hold evidence for.".to_owned();
    }
    let rows: Vec<Vec<String>> = figure.evidence.iter().map(|f| finding(f, zone)).collect();
    let head = [
        ("rule", Side::Left),
        ("", Side::Left),
        ("at", Side::Left),
        ("what the record shows", Side::Left),
    ];
    table(&head, &rows).trim_end().to_owned()
}

fn finding(finding: &Finding, zone: &TimeZone) -> Vec<String> {
    let at = finding.moment.map(|at| match at.unix_time_second {
        Some(second) => dates::local(dates::unix_us(second), zone),
        None => dates::stopwatch(at.test_time_second),
    });
    let standing = sentences::finding_standing(finding).to_owned();
    vec![finding.rule.clone(), standing, at.unwrap_or_default(), finding.says.clone()]
}

/// What the uncertainty of the claimed charge and energy is made of.
pub fn budget(report: &SessionReport) -> String {
    let charge = (sentences::claimed(report), Unit::AmpereHour);
    let energy = (sentences::claimed_energy(report), Unit::WattHour);
    let parts: Vec<String> = [charge, energy].into_iter().map(|(f, unit)| of(f, unit)).collect();
    parts.join("\n\n")
}

fn of(figure: &Figure, unit: Unit) -> String {
    let mut lines = vec![style::strong(&numbers::figure(figure, unit))];
    let Some(budget) = &figure.budget else {
        lines.push(format!("  no budget: {}", figure.reasons.join("; ")));
        return lines.join("\n");
    };
    let head = [
        ("term", Side::Left),
        ("up to", Side::Right),
        ("shape", Side::Left),
        ("u", Side::Right),
        ("because", Side::Left),
    ];
    let rows: Vec<Vec<String>> = budget.terms.iter().map(term).collect();
    lines.push(table(&head, &rows).trim_end().to_owned());
    let u = numbers::plain_to(budget.standard, 2);
    lines.push(match figure.expanded_uncertainty {
        Some(expanded) => format!(
            "together u = {u} {}, ± {} with k = {}",
            unit.symbol(),
            numbers::spread(expanded),
            numbers::plain_to(budget.coverage, 2)
        ),
        None => format!(
            "together u = {u} {} as far as it is known; no uncertainty can be stated: {}",
            unit.symbol(),
            figure.uncertainty_lacking.join("; ")
        ),
    });
    lines.join("\n")
}

fn term(term: &Term) -> Vec<String> {
    vec![
        term.name.clone(),
        numbers::plain_to(term.half_width, 2),
        term.shape.clone(),
        numbers::plain_to(term.standard, 2),
        term.says.clone(),
    ]
}
