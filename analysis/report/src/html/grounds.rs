//! On what the claimed figures rest: finding by finding, and the uncertainty
//! term by term.

use ampledger_types::result::{Budget, Figure, Finding, SessionReport};

use super::markup::Html;
use super::table::{Column, figures, folded, prose, section, table, words};
use crate::{dates, numbers, sentences};

/// All of it; nothing where nothing was claimed.
pub(super) fn grounds(out: &mut Html, report: &SessionReport) {
    let (charge, energy) = (sentences::claimed(report), sentences::claimed_energy(report));
    if let Some(verdict) = &report.verdict {
        section(out, "Verdict", |section| {
            section.said("p", &[("class", "verdict")], &sentences::verdict(verdict));
        });
    }
    if !charge.evidence.is_empty() {
        section(out, "What it rests on", |section| evidence(section, &charge.evidence));
    }
    if charge.budget.is_some() {
        section(out, "Uncertainty", |section| {
            lacking(section, charge);
            for (name, figure) in [("Charge", charge), ("Energy", energy)] {
                if let Some(known) = &figure.budget {
                    folded(section, &summary(name, figure, known), |inside| budget(inside, known));
                }
            }
        });
    }
}

/// Resistance, efficiency and the like; nothing where there is none.
pub(super) fn beside(out: &mut Html, report: &SessionReport) {
    let said = sentences::further(&report.further);
    if said.is_empty() {
        return;
    }
    section(out, "Beside it", |section| {
        section.tag("ul", &[], |list| said.iter().for_each(|line| list.said("li", &[], line)));
    });
}

const FINDING_COLUMNS: [Column; 4] =
    [words("rule"), words("standing"), figures("at"), prose("what the record shows")];

fn evidence(out: &mut Html, findings: &[Finding]) {
    let row = |finding: &Finding| {
        let at = finding.moment.map(|moment| dates::stopwatch(moment.test_time_second));
        vec![
            finding.rule.clone(),
            sentences::finding_standing(finding).to_owned(),
            at.unwrap_or_default(),
            finding.says.clone(),
        ]
    };
    let rows: Vec<Vec<String>> = findings.iter().map(row).collect();
    table(out, &FINDING_COLUMNS, &rows);
}

fn lacking(out: &mut Html, figure: &Figure) {
    if !figure.uncertainty_lacking.is_empty() {
        let lacking = figure.uncertainty_lacking.join("; ");
        out.said("p", &[("class", "note")], &format!("None can be stated: {lacking}."));
    }
}

fn summary(name: &str, figure: &Figure, budget: &Budget) -> String {
    let unit = &figure.unit;
    match figure.expanded_uncertainty {
        Some(expanded) => format!(
            "{name}: ± {} {unit} (k = {})",
            numbers::spread(expanded),
            numbers::plain_to(budget.coverage, 2)
        ),
        None => format!("{name}: as far as it is known"),
    }
}

const TERM_COLUMNS: [Column; 5] =
    [words("term"), figures("up to"), words("shape"), figures("u"), prose("because")];

fn budget(out: &mut Html, budget: &Budget) {
    let rows: Vec<Vec<String>> = budget
        .terms
        .iter()
        .map(|term| {
            vec![
                term.name.clone(),
                numbers::plain_to(term.half_width, 2),
                term.shape.clone(),
                numbers::plain_to(term.standard, 2),
                term.says.clone(),
            ]
        })
        .collect();
    table(out, &TERM_COLUMNS, &rows);
    let together = numbers::plain_to(budget.standard, 2);
    out.said("p", &[("class", "note")], &format!("Together u = {together}."));
}
