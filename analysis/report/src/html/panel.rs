//! Draws one panel as SVG without a script: bands, grid, curves, words. It
//! takes any width: places are shares of it, and letters keep their size.

use super::axis::Axis;
use super::markup::Html;
use super::thin::{Curve, Point};

/// Units of the box that the curves are drawn in, each way.
const BOX: f64 = 1000.0;
/// Width in pixels of a panel on a phone and on paper, for what fits in it.
const NARROW: f64 = 270.0;
const WIDE: f64 = 620.0;
/// Width of a letter of a band's name, pixels.
const LETTER: f64 = 6.6;

/// A stretch of the horizontal axis with a name.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Band {
    pub from: f64,
    pub to: f64,
    pub class: &'static str,
    pub name: &'static str,
    /// Its number in the table, for where the name does not fit.
    pub number: usize,
}

/// A value that is marked across the panel.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Level {
    pub at: f64,
    pub words: String,
}

/// A panel.
pub(super) struct Panel<'a> {
    pub class: &'static str,
    /// What it shows, for those who cannot see it.
    pub described: &'a str,
    pub x: &'a Axis,
    pub y: &'a Axis,
    /// Whether the horizontal axis has its words below this panel.
    pub x_words: bool,
    pub bands: &'a [Band],
    pub band_names: bool,
    /// Where readings are missing.
    pub silences: &'a [(f64, f64)],
    pub levels: &'a [Level],
    /// Class and curve.
    pub curves: &'a [(&'static str, &'a Curve)],
}

impl Panel<'_> {
    /// Draws it.
    pub(super) fn draw(&self, out: &mut Html) {
        let attributes = [("class", self.class), ("role", "img"), ("aria-label", self.described)];
        out.tag("svg", &attributes, |svg| {
            self.bands.iter().for_each(|band| self.band(svg, band));
            self.grid(svg);
            for ends in self.silences {
                self.stretch(svg, "silence", *ends, "no readings");
            }
            self.levels.iter().for_each(|level| self.level(svg, level));
            self.lines(svg);
            if self.band_names {
                self.bands.iter().for_each(|band| self.band_name(svg, band));
            }
        });
    }

    fn stretch(&self, svg: &mut Html, class: &str, (from, to): (f64, f64), title: &str) {
        let (left, right) = (self.across(from), self.across(to));
        let (x, width) = (percent(left), percent((right - left).max(0.0)));
        let attributes =
            [("class", class), ("x", &x), ("y", "0"), ("width", &width), ("height", "100%")];
        svg.tag("rect", &attributes, |rect| rect.said("title", &[], title));
    }

    fn band(&self, svg: &mut Html, band: &Band) {
        self.stretch(svg, band.class, (band.from, band.to), band.name);
    }

    /// The name where it fits, else the number.
    fn band_name(&self, svg: &mut Html, band: &Band) {
        let (left, right) = (self.across(band.from), self.across(band.to));
        let x = percent((left + right) / 2.0);
        let (name, number) = (band.name.to_owned(), band.number.to_string());
        let fits = |text: &str, panel: f64| {
            (right - left) * panel > text.chars().count() as f64 * LETTER + 4.0
        };
        let mut put = |class: &str, text: &str| {
            let attributes = [("class", class), ("x", &x), ("y", "0"), ("dy", "1.25em")];
            svg.said("text", &attributes, text);
        };
        match (fits(&name, NARROW), fits(&name, WIDE), fits(&number, NARROW)) {
            (true, _, _) => put("band", &name),
            (false, true, narrow) => {
                put("band wide", &name);
                if narrow {
                    put("band narrow", &number);
                }
            }
            (false, false, true) => put("band", &number),
            (false, false, false) if fits(&number, WIDE) => put("band wide", &number),
            _ => {}
        }
    }

    fn grid(&self, svg: &mut Html) {
        for (at, words) in &self.y.ticks {
            let y = percent(1.0 - self.y.share(*at));
            line(svg, if *at == 0.0 { "zero" } else { "grid" }, ["0", "100%"], [&y, &y]);
            let attributes = [("class", "y"), ("x", "-8"), ("y", &y), ("dy", ".35em")];
            svg.said("text", &attributes, words);
        }
        for (at, words) in &self.x.ticks {
            let x = percent(self.x.share(*at));
            line(svg, "grid", [&x, &x], ["0", "100%"]);
            if self.x_words {
                let attributes = [("class", "x"), ("x", &x), ("y", "100%"), ("dy", "1.5em")];
                svg.said("text", &attributes, words);
            }
        }
    }

    fn level(&self, svg: &mut Html, level: &Level) {
        if !self.y.shows(level.at) {
            return;
        }
        let share = 1.0 - self.y.share(level.at);
        let y = percent(share);
        line(svg, "level", ["0", "100%"], [&y, &y]);
        // Below the line only where there is no room above it.
        let dy = if share < 0.2 { "1.2em" } else { "-.4em" };
        let attributes = [("class", "level"), ("x", "4"), ("y", &y), ("dy", dy)];
        svg.said("text", &attributes, &level.words);
    }

    fn lines(&self, svg: &mut Html) {
        let attributes = [
            ("viewBox", "0 0 1000 1000"),
            ("preserveAspectRatio", "none"),
            ("width", "100%"),
            ("height", "100%"),
        ];
        svg.tag("svg", &attributes, |inner| {
            for (class, curve) in self.curves {
                let path = path(curve, self.x, self.y);
                inner.shape("path", &[("class", class), ("d", &path)]);
            }
        });
    }

    fn across(&self, x: f64) -> f64 {
        self.x.share(x).clamp(0.0, 1.0)
    }
}

fn line(svg: &mut Html, class: &str, [x1, x2]: [&str; 2], [y1, y2]: [&str; 2]) {
    svg.shape("line", &[("class", class), ("x1", x1), ("x2", x2), ("y1", y1), ("y2", y2)]);
}

/// A share as a percentage for SVG.
pub(super) fn percent(share: f64) -> String {
    format!("{:.2}%", share * 100.0 + 0.0)
}

/// The path of a curve. A stroke of one point is a dot: with round ends a
/// line of no length is one.
fn path(curve: &Curve, x: &Axis, y: &Axis) -> String {
    let mut path = String::new();
    for stroke in curve.strokes() {
        for (at, Point { x: along, y: up }) in stroke.iter().enumerate() {
            let letter = if at == 0 { 'M' } else { 'L' };
            let (across, down) = (x.share(*along) * BOX, (1.0 - y.share(*up)) * BOX);
            path.push_str(&format!("{letter}{across:.1} {down:.1}"));
        }
        if stroke.len() == 1 {
            path.push_str("h0");
        }
    }
    path
}

#[cfg(test)]
mod tests {
    use ampledger_types::Unit;

    use super::*;

    #[test]
    fn a_gap_breaks_the_path_and_a_lone_reading_is_a_dot() {
        let mut curve = Curve::new(0.0, 100.0);
        let push = |curve: &mut Curve, x, y| curve.push(Point { x, y });
        push(&mut curve, 0.0, 20.0);
        push(&mut curve, 20.0, 22.0);
        curve.gap();
        push(&mut curve, 50.0, 21.0);
        curve.gap();
        push(&mut curve, 80.0, 24.0);
        push(&mut curve, 100.0, 24.0);
        let y = Axis::amount(40.0, Unit::Volt);
        assert_eq!(
            path(&curve, &Axis::amount(100.0, Unit::AmpereHour), &y),
            "M0.0 500.0L200.0 450.0M500.0 475.0h0M800.0 400.0L1000.0 400.0"
        );
    }
}
