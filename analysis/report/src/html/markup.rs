//! Builds HTML and SVG. Tag and attribute names are literals of this program;
//! whatever else goes in is escaped here, so nothing from outside is markup.

/// Attributes of an element: a literal name, a value that is escaped.
pub(super) type Attributes<'a> = &'a [(&'static str, &'a str)];

/// A piece of a page.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Html(String);

impl Html {
    /// A piece with nothing in it.
    pub(super) fn new() -> Html {
        Html::default()
    }

    /// Markup of our own, as it stands.
    pub(super) fn literal(&mut self, markup: &'static str) {
        self.0.push_str(markup);
    }

    /// Words or figures, escaped. A figure, its uncertainty and its unit stay
    /// on one line.
    pub(super) fn text(&mut self, text: &str) {
        for (at, c) in text.char_indices() {
            let joins = c == ' ' && is_inside_figure(&text[..at], &text[at + 1..]);
            push_escaped(&mut self.0, if joins { NO_BREAK } else { c });
        }
    }

    /// An element with something in it.
    pub(super) fn tag(
        &mut self,
        name: &'static str,
        attributes: Attributes,
        inside: impl FnOnce(&mut Html),
    ) {
        self.open(name, attributes);
        inside(self);
        self.0.push_str("</");
        self.0.push_str(name);
        self.0.push('>');
    }

    /// An element with nothing but text in it.
    pub(super) fn said(&mut self, name: &'static str, attributes: Attributes, text: &str) {
        self.tag(name, attributes, |inside| inside.text(text));
    }

    /// An element that has no inside and no end.
    pub(super) fn void(&mut self, name: &'static str, attributes: Attributes) {
        self.open(name, attributes);
    }

    /// An SVG element with nothing in it.
    pub(super) fn shape(&mut self, name: &'static str, attributes: Attributes) {
        self.tag(name, attributes, |_| ());
    }

    /// The page as text.
    pub(super) fn into_text(self) -> String {
        self.0
    }

    fn open(&mut self, name: &'static str, attributes: Attributes) {
        self.0.push('<');
        self.0.push_str(name);
        for (key, value) in attributes {
            self.0.push(' ');
            self.0.push_str(key);
            self.0.push_str("=\"");
            value.chars().for_each(|c| push_escaped(&mut self.0, c));
            self.0.push('"');
        }
        self.0.push('>');
    }
}

/// A blank at which no line is broken.
const NO_BREAK: char = '\u{A0}';

/// What follows a figure in our sentences.
const UNITS: [&str; 14] =
    ["V", "A", "W", "Ah", "Wh", "C", "%", "°C", "Ω", "Hz", "s", "min", "h", "d"];

fn is_inside_figure(before: &str, after: &str) -> bool {
    before.ends_with('±') || after.starts_with('±') || is_before_unit(before, after)
}

fn is_before_unit(before: &str, after: &str) -> bool {
    let word = after.split(|c: char| !c.is_alphabetic() && c != '%' && c != '°').next();
    before.ends_with(|c: char| c.is_ascii_digit()) && word.is_some_and(|w| UNITS.contains(&w))
}

/// Beside what HTML gives a meaning to (HTML standard, 13.3), characters that
/// turn the direction of writing or that print nothing are shown as U+FFFD:
/// with them a label could look like another.
fn push_escaped(out: &mut String, c: char) {
    match c {
        '&' => out.push_str("&amp;"),
        '<' => out.push_str("&lt;"),
        '>' => out.push_str("&gt;"),
        '"' => out.push_str("&quot;"),
        '\'' => out.push_str("&#39;"),
        '\n' | '\t' => out.push(c),
        '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{200E}' | '\u{200F}' => {
            out.push('\u{FFFD}');
        }
        c if c.is_control() => out.push('\u{FFFD}'),
        c => out.push(c),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn escaped(text: &str) -> String {
        let mut html = Html::new();
        html.text(text);
        html.into_text()
    }

    #[test]
    fn a_label_that_is_markup_comes_out_as_text() {
        assert_eq!(
            escaped("<script>alert('GAL-07')</script> & \"more\""),
            "&lt;script&gt;alert(&#39;GAL-07&#39;)&lt;/script&gt; &amp; &quot;more&quot;"
        );
    }

    #[test]
    fn a_figure_and_its_unit_stay_together() {
        assert_eq!(
            escaped("57.4 Ah (95.7 % of 60 Ah), 4 h 41 min at 2 sources"),
            "57.4\u{A0}Ah (95.7\u{A0}% of 60\u{A0}Ah), 4\u{A0}h 41\u{A0}min at 2 sources"
        );
        assert_eq!(
            escaped("Delivered 55.06 ± 0.20 Ah to 24.0 V"),
            "Delivered 55.06\u{A0}±\u{A0}0.20\u{A0}Ah to 24.0\u{A0}V"
        );
    }

    #[test]
    fn an_attribute_cannot_be_left() {
        let mut html = Html::new();
        html.said("p", &[("title", "\" onload=\"x")], "a < b");
        assert_eq!(html.into_text(), "<p title=\"&quot; onload=&quot;x\">a &lt; b</p>");
    }

    #[test]
    fn what_turns_the_writing_or_prints_nothing_is_made_visible() {
        assert_eq!(escaped("GAL\u{202E}70-\0\u{7}"), "GAL\u{FFFD}70-\u{FFFD}\u{FFFD}");
        assert_eq!(escaped("two\nlines, Ω, −1"), "two\nlines, Ω, −1");
    }

    proptest! {
        #[test]
        fn no_text_becomes_markup(text in "\\PC{0,40}") {
            let html = escaped(&text);
            prop_assert!(!html.contains(['<', '>', '"', '\'']));
        }
    }
}
