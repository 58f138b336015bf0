//! A bar for what takes long, on a terminal; nothing elsewhere.

use std::io::IsTerminal;
use std::ops::ControlFlow;

use indicatif::{ProgressBar, ProgressStyle};

/// A bar of bytes; hidden where a program reads.
pub fn bar(json: bool) -> ProgressBar {
    if json || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(0);
    let form = "{wide_bar} {bytes} of {total_bytes}, {eta} to go";
    if let Ok(style) = ProgressStyle::with_template(form) {
        bar.set_style(style);
    }
    bar
}

/// A bar of what a job counts in; hidden where a program reads.
pub fn of_job(json: bool, unit: &str) -> ProgressBar {
    let bar = bar(json);
    let form = format!("{{wide_bar}} {{pos}} of {{len}} {unit}, {{eta}} to go");
    if let (false, Ok(style)) = (unit == "bytes", ProgressStyle::with_template(&form)) {
        bar.set_style(style);
    }
    bar
}

/// Shows how far it is.
pub fn show(bar: &ProgressBar, done: u64, all: u64) -> ControlFlow<()> {
    bar.set_length(all);
    bar.set_position(done);
    ControlFlow::Continue(())
}
