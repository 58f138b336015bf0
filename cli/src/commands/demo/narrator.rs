//! Tells how the demo goes: a bar on a terminal, plain lines elsewhere, and on
//! standard error where a program reads the answer.

use std::io::IsTerminal as _;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};

use crate::exit::Failure;
use crate::render::style;
use crate::screen;

/// Whoever listens.
pub struct Narrator {
    json: bool,
    bar: Option<ProgressBar>,
}

impl Narrator {
    /// For a person, or for one who only sees standard error.
    pub fn new(json: bool) -> Self {
        let on_terminal = std::io::stdout().is_terminal() && std::io::stderr().is_terminal();
        let bar = (on_terminal && !json).then(|| {
            let form = ProgressStyle::with_template("{bar:30} {percent:>3} %  {wide_msg}");
            let bar = ProgressBar::new(1000);
            bar.set_style(form.unwrap_or_else(|_| ProgressStyle::default_bar()));
            bar
        });
        Narrator { json, bar }
    }

    /// A line that stays.
    pub fn say(&self, text: &str) -> Result<(), Failure> {
        match (&self.bar, self.json) {
            (Some(bar), _) => bar.suspend(|| screen::say(text)),
            (None, false) => screen::say(text),
            (None, true) => {
                screen::remark(text);
                Ok(())
            }
        }
    }

    /// What a person would type here.
    pub fn command(&self, words: &str) -> Result<(), Failure> {
        self.say(&style::strong(&format!("$ {words}")))
    }

    /// How far it is, and how things stand.
    pub fn progress(&self, share: f64, sentence: &str) -> Result<(), Failure> {
        match &self.bar {
            Some(bar) => {
                bar.set_position((share * 1000.0) as u64);
                bar.set_message(sentence.to_owned());
                bar.tick();
                Ok(())
            }
            None => self.say(&style::faint(&format!("  {:>3.0} %  {sentence}", share * 100.0))),
        }
    }

    /// How often it is worth telling.
    pub fn interval(&self) -> Duration {
        match self.bar {
            Some(_) => Duration::from_millis(250),
            None => Duration::from_millis(1500),
        }
    }

    /// The lines are through.
    pub fn through(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
