//! `ampledger decode`: what a decoder makes of a captured file.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::PathBuf;

use ampledger_decoders::config::{FieldConfig, never_read};
use ampledger_decoders::{Command, Driver, Input, Output};
use ampledger_types::{Frame, FrameKind};
use clap::Args;

use crate::capture::{frames_of, read_source, source_text};
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::render::decode::{Decoded, Lines, Rows, Said};

/// Try a decoder's configuration on captured bytes
///
/// Prints the readings that the source's decoder makes of the file, what it could
/// not read, and a count of both. No daemon and no store is needed, and nothing is
/// recorded. The configuration is the daemon's own file, or a file with one
/// `[sources.NAME]`.
///
/// FILE is a frame log (`.frames.jsonl`, as `ampledger capture` writes it), bytes
/// in hexadecimal (`.hex`, a piece a line), or the bytes themselves; `-` is a frame
/// log on standard input. Only a frame log knows when something arrived.
#[derive(Args, Debug)]
pub struct Decode {
    /// The captured file
    pub file: PathBuf,
    /// The configuration with the source
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
    /// Which of its sources; may be left out where there is only one
    #[arg(long, value_name = "NAME")]
    pub source: Option<String>,
}

impl Decode {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let text = source_text(&self.config)?;
        let source = read_source(&text, &self.config, self.source.as_deref())?;
        let (descriptor, decoder) =
            source.table.build().map_err(|error| Failure::Usage(error.to_string()))?;
        let integrity = (descriptor.integrity)(&source.table.config());
        let mut out = std::io::BufWriter::new(anstream::stdout().lock());
        let decoded = Decoded::new(descriptor.name, integrity);
        let (config, driver) = (source.table.config(), Driver::new(decoder));
        let decoded = match context.json {
            true => play(&self.file, &config.fields, driver, decoded, &mut Lines(&mut out))?,
            false => play(&self.file, &config.fields, driver, decoded, &mut Rows::new(&mut out))?,
        };
        out.flush()?;
        Ok(if decoded.samples == 0 { Exit::Found } else { Exit::Good })
    }
}

/// Gives the file to the decoder and what it says to whoever shows it.
fn play(
    file: &std::path::Path,
    fields: &BTreeMap<String, FieldConfig>,
    mut driver: Driver,
    mut decoded: Decoded,
    said: &mut dyn Said,
) -> Result<Decoded, Failure> {
    let mut first_us = None;
    frames_of(file, &mut |frame: Frame| {
        let begun_us = *first_us.get_or_insert_with(|| {
            decoded.first_us = frame.t_us;
            frame.t_us
        });
        decoded.count(&frame);
        // A capture may begin half-way.
        if frame.t_us == begun_us && decoded.frames == 1 && frame.kind != FrameKind::Opened {
            driver.give(frame.t_us, Input::Opened { record: false }).1.for_each(drop);
        }
        let mut command: Option<Command> = None;
        let Ok(input) = Input::from_frame(&frame, &mut command) else { return Ok(()) };
        for output in driver.give(frame.t_us, input).1 {
            match output {
                Output::Sample(sample) => {
                    decoded.sampled(&sample);
                    said.sample(&decoded, sample)?;
                }
                Output::Complaint(complaint) => {
                    let is_shown = decoded.complained(&complaint);
                    said.complaint(&decoded, frame.t_us, &complaint, is_shown)?;
                }
                Output::Identity { text, .. } => said.identity(&decoded, frame.t_us, &text)?,
                // What was sent then is in the file.
                _ => {}
            }
        }
        Ok(())
    })?;
    decoded.never_read = never_read(fields, |channel| decoded.is_heard(channel));
    said.end(&decoded)?;
    Ok(decoded)
}
