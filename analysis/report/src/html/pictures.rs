//! The pictures of a session: voltage over what was delivered, voltage and
//! current over time. What each shows is said above it.

use ampledger_types::Unit;
use ampledger_types::result::{Phase, PhaseKind, SessionReport};

use super::axis::Axis;
use super::curves::{Curves, Delivered, SERIES, Series};
use super::markup::Html;
use super::panel::{Band, Level, Panel};
use super::thin::Curve;
use crate::setting::{cutoff_volt, rated_ah};
use crate::{numbers, sentences};

/// Bands that are drawn; a session of more phases has bands too thin to see.
const BANDS: usize = 400;
const VOLTAGE_CLASSES: [&str; SERIES] = ["v s0", "v s1", "v s2", "v s3"];
const CURRENT_CLASSES: [&str; SERIES] = ["i s0", "i s1", "i s2", "i s3"];

/// All pictures of a session.
pub(super) fn pictures(out: &mut Html, report: &SessionReport, curves: &Curves) {
    if let Some(delivered) = &curves.delivered {
        over_delivered(out, report, delivered);
    }
    if curves.voltages.is_empty() && curves.currents.is_empty() {
        out.said("p", &[("class", "none")], "There is no reading of voltage or current to draw.");
        return;
    }
    over_time(out, report, curves);
}

fn over_delivered(out: &mut Html, report: &SessionReport, delivered: &Delivered) {
    let Some((low, high)) = delivered.curve.extremes() else { return };
    let rated = rated_ah(report.pack.as_ref()).filter(|rated| *rated <= 2.0 * delivered.ah);
    let cutoff = cutoff(report).filter(|level| level.at >= low * 0.8 && level.at <= high);
    let low = cutoff.as_ref().map_or(low, |level| low.min(level.at));
    let x =
        Axis::amount(rated.map_or(delivered.ah, |rated| rated.max(delivered.ah)), Unit::AmpereHour);
    let silences = delivered.silences.all();
    titled(out, "Voltage over charge delivered", "In the main discharge, under load.", |figure| {
        Panel {
            class: "panel tall",
            described: "Curve of the voltage over the charge delivered in the main discharge",
            x: &x,
            y: &Axis::around(low, high, Unit::Volt),
            x_words: true,
            bands: &[],
            band_names: false,
            silences: &silences,
            levels: cutoff.as_slice(),
            curves: &[("v s0", &delivered.curve)],
        }
        .draw(figure);
        let words = match silences.is_empty() {
            true => "",
            false => "Hatched: no readings; the charge of a gap is an estimate.",
        };
        legend(figure, &[], words);
    });
}

fn over_time(out: &mut Html, report: &SessionReport, curves: &Curves) {
    let x = Axis::time(curves.until_second);
    let bands: Vec<Band> = report.phases.iter().take(BANDS).enumerate().map(band).collect();
    let silences = curves.silences.all();
    let has_both = !curves.voltages.is_empty() && !curves.currents.is_empty();
    let levels: Vec<Level> = cutoff(report).into_iter().collect();
    let panel = |figure: &mut Html, series: &[Series], kind: &Kind, last: bool| {
        let drawn: Vec<(&'static str, &Curve)> =
            kind.classes.iter().copied().zip(series.iter().map(|s| &s.curve)).collect();
        let (low, mut high) = kind.extremes(series);
        let band_names = kind.unit == Unit::Volt || !has_both;
        if band_names {
            // Room for the names above the curve.
            high += (high - low) * 0.12;
        }
        figure.said("h3", &[], kind.words);
        Panel {
            class: "panel",
            described: kind.described,
            x: &x,
            y: &Axis::around(low, high, kind.unit),
            x_words: last,
            bands: &bands,
            band_names,
            silences: &silences,
            levels: if kind.unit == Unit::Volt { &levels } else { &[] },
            curves: &drawn,
        }
        .draw(figure);
    };
    titled(out, "Over time", &sentences::started(report, &jiff::tz::TimeZone::UTC), |figure| {
        if !curves.voltages.is_empty() {
            panel(figure, &curves.voltages, &VOLTAGE, curves.currents.is_empty());
        }
        if !curves.currents.is_empty() {
            panel(figure, &curves.currents, &CURRENT, true);
        }
        let names = if curves.voltages.len() > curves.currents.len() {
            (&curves.voltages, VOLTAGE_CLASSES)
        } else {
            (&curves.currents, CURRENT_CLASSES)
        };
        let named: Vec<(&'static str, &str)> =
            names.1.into_iter().zip(names.0.iter().map(|s| s.name.as_str())).collect();
        legend(figure, if named.len() > 1 { &named } else { &[] }, &remarks(curves, &silences));
    });
}

/// A panel's quantity.
struct Kind {
    words: &'static str,
    described: &'static str,
    unit: Unit,
    classes: [&'static str; SERIES],
}

const VOLTAGE: Kind = Kind {
    words: "Voltage",
    described: "Curve of the voltage over the time since the session began",
    unit: Unit::Volt,
    classes: VOLTAGE_CLASSES,
};

const CURRENT: Kind = Kind {
    words: "Current: above 0 charges the pack, below 0 discharges it",
    described: "Curve of the current over the time since the session began",
    unit: Unit::Ampere,
    classes: CURRENT_CLASSES,
};

impl Kind {
    /// The lowest and the highest reading; a current's picture has its zero.
    fn extremes(&self, series: &[Series]) -> (f64, f64) {
        let all = series.iter().filter_map(|s| s.curve.extremes());
        let ends = all.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1))).unwrap_or((0.0, 0.0));
        match self.unit {
            Unit::Ampere => (ends.0.min(0.0), ends.1.max(0.0)),
            _ => ends,
        }
    }
}

fn band((at, phase): (usize, &Phase)) -> Band {
    Band {
        from: phase.start.test_time_second,
        to: phase.end.test_time_second,
        class: match phase.kind {
            PhaseKind::Rest => "rest",
            PhaseKind::Discharge => "discharge",
            PhaseKind::Charge => "charge",
        },
        name: sentences::phase_kind(phase.kind),
        number: at + 1,
    }
}

fn cutoff(report: &SessionReport) -> Option<Level> {
    let at = cutoff_volt(&report.session.session, report.pack.as_ref())?;
    Some(Level { at, words: format!("cut-off {}", numbers::given(at, Unit::Volt)) })
}

fn remarks(curves: &Curves, silences: &[(f64, f64)]) -> String {
    let mut words = Vec::new();
    if !silences.is_empty() {
        words.push("Hatched: no readings.".to_owned());
    }
    if curves.left_out > 0 {
        let streams = if curves.left_out == 1 { "stream is" } else { "streams are" };
        words.push(format!("{} more {streams} recorded and not drawn.", curves.left_out));
    }
    words.join(" ")
}

fn titled(out: &mut Html, title: &str, beneath: &str, inside: impl FnOnce(&mut Html)) {
    out.tag("figure", &[], |figure| {
        figure.tag("figcaption", &[], |caption| {
            caption.said("h2", &[], title);
            caption.said("p", &[("class", "note")], beneath);
        });
        inside(figure);
    });
}

/// Which line is whose, and what else to know.
fn legend(out: &mut Html, names: &[(&'static str, &str)], words: &str) {
    if names.is_empty() && words.is_empty() {
        return;
    }
    out.tag("p", &[("class", "legend")], |legend| {
        for (class, name) in names {
            legend.tag("svg", &[("class", "key"), ("aria-hidden", "true")], |key| {
                let places = [("x1", "1"), ("x2", "31"), ("y1", "5"), ("y2", "5")];
                key.shape("line", &[&[("class", *class)][..], &places[..]].concat());
            });
            legend.text(name);
            legend.text("   ");
        }
        legend.text(words);
    });
}
