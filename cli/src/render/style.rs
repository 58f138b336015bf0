//! The few styles of the output. Whoever prints drops them where the output is
//! no terminal; no meaning hangs on colour alone.

use anstyle::{AnsiColor, Style};

const STRONG: Style = Style::new().bold();
const FAINT: Style = Style::new().dimmed();
const GOOD: Style = AnsiColor::Green.on_default();
const OPEN: Style = AnsiColor::Yellow.on_default();
const BAD: Style = AnsiColor::Red.on_default().bold();

/// What is to be read first.
pub fn strong(text: &str) -> String {
    painted(STRONG, text)
}

/// What is beside the point.
pub fn faint(text: &str) -> String {
    painted(FAINT, text)
}

/// As it should be.
pub fn good(text: &str) -> String {
    painted(GOOD, text)
}

/// Not known yet, or worth a look.
pub fn open(text: &str) -> String {
    painted(OPEN, text)
}

/// Wrong.
pub fn bad(text: &str) -> String {
    painted(BAD, text)
}

fn painted(style: Style, text: &str) -> String {
    format!("{style}{text}{style:#}")
}
