//! `ampledger probe`: hints about an instrument that nobody has described.

use std::io::{BufRead, IsTerminal};
use std::path::Path;
use std::sync::{Arc, Mutex};

use ampledger_decoders::probe::{self, Content, Findings};
use clap::Args;
use serde::Serialize;

use super::capture::nothing_came;
use crate::capture::{TakeOptions, Waiting, boot_clock_us, frames_of, take};
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::stop::Stop;
use crate::{render, screen};

/// Look at what an unknown instrument sends, and guess how to read it
///
/// Tells how much arrives and how it is parted into packets or lines, what in them
/// never changes, what counts up, which checksum fits all of them, and which
/// numbers move with a load that you switch on and off: press Enter each time you
/// switch it, or give the times with --switched. At the end stands a table for the
/// configuration to go on from; `ampledger decode` tries it.
///
/// What it says are hints, each with its figure. Switch the load at least twice on
/// and twice off, and leave it for ten seconds or more each time: once proves
/// little, since whatever drifts is different afterwards too.
///
/// SOURCE is a source of the running daemon, or of --config or --store, as for
/// `ampledger capture`; or a captured file.
#[derive(Args, Debug)]
pub struct Probe {
    /// Name of the source, or a captured file (with a `.` or `/` in its name)
    pub source: String,
    /// Where from, and which.
    #[command(flatten)]
    pub from: TakeOptions,
    /// When the load was switched, seconds from the capture's beginning, as in
    /// 20,40,60,80; the first switches it on
    #[arg(long, value_name = "S,S,…", value_delimiter = ',')]
    pub switched: Vec<f64>,
}

#[derive(Serialize)]
struct Told {
    #[serde(flatten)]
    findings: Findings,
    /// A table to go on from.
    guess: String,
}

impl Probe {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        if self.switched.iter().any(|second| !second.is_finite()) {
            return Err(Failure::Usage("--switched takes seconds, as in 20,40,60,80".to_owned()));
        }
        let (mut probe, mut first_us) = (probe::Probe::default(), None);
        let mut look = |path: &Path| {
            frames_of(path, &mut |frame| {
                first_us.get_or_insert(frame.t_us);
                probe.frame(&frame);
                Ok(())
            })
        };
        // A source has neither in its name.
        let is_file = self.source.contains(['.', '/']);
        let mut switched_us = Vec::new();
        if is_file {
            look(Path::new(&self.source))?;
        } else {
            let file = tempfile::Builder::new().suffix(".frames.jsonl").tempfile();
            let mut file = file.map_err(Failure::io("a file for the capture cannot be made"))?;
            switched_us = self.capture(context, file.as_file_mut())?;
            look(file.path())?;
        }
        let begun_us = first_us.unwrap_or(0);
        switched_us.extend(self.switched.iter().map(|s| begun_us + (s * 1e6) as i64));
        let findings = probe.findings(&switched_us);
        let name = render::probe::source_name(&self.source);
        let is_nothing = matches!(findings.content, Content::Nothing);
        let guess = probe::guess::table(&findings, &name);
        match context.json {
            true => screen::json(&Told { findings, guess })?,
            false => screen::say(&render::probe::probe(&findings, &name, &guess))?,
        }
        if is_nothing && !is_file {
            screen::remark(&nothing_came(&self.from));
        }
        Ok(if is_nothing { Exit::Found } else { Exit::Good })
    }

    /// Takes the source's frames and notes when the person says that the load was
    /// switched.
    fn capture(&self, context: &Context, out: &mut std::fs::File) -> Result<Vec<i64>, Failure> {
        let stop = Stop::on_signals()?;
        let pressed = Arc::new(Mutex::new(Vec::new()));
        if self.from.is_live() {
            let on_terminal = std::io::stdin().is_terminal() && self.switched.is_empty();
            if on_terminal {
                listen(pressed.clone());
            }
            screen::remark(how_to_go_on(on_terminal, self.from.length.is_some()));
        }
        let (mut told, noted) = (0, pressed.clone());
        let mut tick = || {
            let count =
                noted.lock().map_or(0, |times: std::sync::MutexGuard<'_, Vec<i64>>| times.len());
            while told < count {
                told += 1;
                screen::remark(&format!("{told}: {}", if told % 2 == 1 { "on" } else { "off" }));
            }
        };
        let mut waiting = Waiting { stop: &stop, tick: &mut tick };
        let mut out = std::io::BufWriter::new(out);
        take(&self.source, &self.from, context, &mut waiting, &mut out)?;
        Ok(pressed.lock().map(|times| times.clone()).unwrap_or_default())
    }
}

fn how_to_go_on(on_terminal: bool, has_length: bool) -> &'static str {
    match (on_terminal, has_length) {
        (true, true) => "Begin with the load off. Press Enter each time you switch it.",
        (true, false) => {
            "Begin with the load off. Press Enter each time you switch it; Ctrl-C when you are done."
        }
        (false, true) => "Looking.",
        (false, false) => "Looking; Ctrl-C ends it.",
    }
}

/// Notes the time of each line that is entered. The thread ends with the process.
fn listen(pressed: Arc<Mutex<Vec<i64>>>) {
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines() {
            let now_us = boot_clock_us();
            match (line, pressed.lock()) {
                (Ok(_), Ok(mut times)) => times.push(now_us),
                _ => return,
            }
        }
    });
}
