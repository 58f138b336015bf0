//! `ampledger capture`: a source's bytes with their times, in a file.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use crate::capture::{Kept, TakeOptions, Waiting, take};
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::stop::Stop;
use crate::{files, screen};

/// Write what a source sends to a file, as it came
///
/// The file is the source's frame log: everything that arrived and was sent, a
/// JSON object a line, with times. `ampledger decode` reads it, `ampledger probe`
/// looks at it, and a source can play it (`replay`). Give it a name that ends in
/// `.frames.jsonl`; `-` is standard output.
///
/// From the running daemon come the frames that arrive from now on, until Ctrl-C
/// or for so long as --for says, or, with --from, --to or --session, what was
/// recorded. --store takes them out of a store file. With --config no daemon is
/// needed: the device is opened for as long as this runs.
///
/// The file appears whole or not at all, and none is overwritten without --force.
#[derive(Args, Debug)]
pub struct Capture {
    /// Name of the source
    pub source: String,
    /// The file, or `-` for standard output
    pub file: PathBuf,
    /// Overwrite a file that is there
    #[arg(long)]
    pub force: bool,
    /// Where from, and which.
    #[command(flatten)]
    pub from: TakeOptions,
}

#[derive(Serialize)]
struct Written {
    file: PathBuf,
    #[serde(flatten)]
    kept: Kept,
}

impl Capture {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let stop = Stop::on_signals()?;
        let mut waiting = Waiting { stop: &stop, tick: &mut || {} };
        let to_screen = self.file == Path::new("-");
        if !to_screen {
            files::refuse_taken(&self.file, self.force)?;
        }
        if self.from.is_live() && self.from.length.is_none() {
            screen::remark("Capturing; Ctrl-C ends it.");
        }
        let kept = if to_screen {
            let mut out = std::io::stdout().lock();
            let kept = take(&self.source, &self.from, context, &mut waiting, &mut out)?;
            out.flush()?;
            kept
        } else {
            let (ready, kept) = files::prepare(&self.file, |out| {
                take(&self.source, &self.from, context, &mut waiting, out)
            })?;
            // An empty file helps nobody.
            if kept.frames > 0 {
                ready.put(self.force)?;
            }
            kept
        };
        screen::remark(&told(&kept));
        if context.json && !to_screen {
            screen::json(&Written { file: self.file, kept })?;
        }
        if kept.received == 0 {
            screen::remark(&nothing_came(&self.from));
            return Ok(Exit::Found);
        }
        Ok(Exit::Good)
    }
}

fn told(kept: &Kept) -> String {
    format!(
        "Kept {} frames: {} bytes arrived in {} pieces.",
        kept.frames, kept.bytes, kept.received
    )
}

/// What to check where nothing arrived.
pub fn nothing_came(from: &TakeOptions) -> String {
    match from.is_live() {
        true => {
            "Nothing arrived. Check that the instrument is on, that it is this device and this \
                 baud rate, that the transmit and receive lines are not swapped, and whether it \
                 only answers when asked (decoder `raw` can send `requests`)."
                .to_owned()
        }
        false => "Nothing arrived in that stretch of the record. Check the name and the times; \
                  `ampledger sources` shows how many bytes each source has had."
            .to_owned(),
    }
}
