//! The bar of the rating: what was delivered against what the pack is rated
//! at, with a whisker where an uncertainty is stated and only there.

use ampledger_types::Unit;
use ampledger_types::result::{Figure, SessionReport, Status};

use super::markup::Html;
use super::panel::percent;
use crate::numbers;
use crate::sentences::claimed;
use crate::setting::rated_ah;

/// Draws it; says why there is none where a figure or the rating is lacking.
pub(super) fn bar(out: &mut Html, report: &SessionReport) {
    let figure = claimed(report);
    let rated = rated_ah(report.pack.as_ref());
    match (report.main_discharge, figure.value, rated) {
        (Some(_), Some(ah), Some(rated)) => draw(out, figure, ah, rated),
        (Some(_), Some(_), None) => {
            let words = "No rating of the pack is known, so nothing to measure this against.";
            out.said("p", &[("class", "none")], words);
        }
        _ => {}
    }
}

fn draw(out: &mut Html, figure: &Figure, ah: f64, rated: f64) {
    let spread = figure.expanded_uncertainty.filter(|u| *u > 0.0 && u.is_finite());
    let whole = rated.max(ah + spread.unwrap_or(0.0));
    let share = |ah: f64| (ah / whole).clamp(0.0, 1.0);
    let delivered = numbers::figure(figure, Unit::AmpereHour);
    let rating = numbers::given(rated, Unit::AmpereHour);
    let described = format!("{delivered} delivered of {rating} rated");
    let attributes = [("class", "bar"), ("role", "img"), ("aria-label", described.as_str())];
    out.tag("svg", &attributes, |svg| {
        rectangle(svg, "whole", 1.0);
        let class = if figure.status == Status::Proven { "proven" } else { "unproven" };
        rectangle(svg, class, share(ah));
        upright(svg, "rated", share(rated), ["16", "52"]);
        if let Some(spread) = spread {
            whisker(svg, share(ah - spread), share(ah + spread));
        }
        words(svg, share(ah), "12", &format!("{delivered} delivered"));
        words(svg, share(rated), "66", &format!("{rating} rated"));
    });
}

fn rectangle(svg: &mut Html, class: &str, share: f64) {
    let width = percent(share);
    let places = [("x", "0"), ("y", "20"), ("width", &width), ("height", "28")];
    svg.shape("rect", &[&[("class", class)][..], &places[..]].concat());
}

fn upright(svg: &mut Html, class: &str, share: f64, [y1, y2]: [&str; 2]) {
    let x = percent(share);
    svg.shape("line", &[("class", class), ("x1", &x), ("x2", &x), ("y1", y1), ("y2", y2)]);
}

fn whisker(svg: &mut Html, low: f64, high: f64) {
    let (x1, x2) = (percent(low), percent(high));
    svg.shape(
        "line",
        &[("class", "whisker"), ("x1", &x1), ("x2", &x2), ("y1", "34"), ("y2", "34")],
    );
    upright(svg, "whisker", low, ["27", "41"]);
    upright(svg, "whisker", high, ["27", "41"]);
}

/// Words at a place, on the side of it that has room.
fn words(svg: &mut Html, share: f64, y: &str, words: &str) {
    let class = if share > 0.5 { "end" } else { "start" };
    svg.said("text", &[("class", class), ("x", &percent(share)), ("y", y)], words);
}
