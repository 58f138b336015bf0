//! `ampledger plugin check`: loads one plugin apart and runs it over a capture.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use ampledger_boundary::{Described, Launch, find};
use ampledger_decoders::config::FieldConfig;
use ampledger_decoders::{DecoderConfig, Output};
use ampledger_types::quantity::UnknownQuantity;
use ampledger_types::{Frame, Quantity};
use clap::Args;
use serde::Serialize;

use super::{inputs, ways};
use crate::capture::{read_source, source_text};
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::render::plugin;
use crate::screen;

/// Load a plugin apart and run it over a capture
///
/// The library is loaded in a process of its own, as the daemon does it. Prints
/// who it says it is, its readings, what it could not read, and what it took for
/// each piece of the capture. It is also given the capture byte by byte, and in
/// two halves with its state saved between them: the readings must be the same.
///
/// A capture is a frame log (`.frames.jsonl`), bytes in hexadecimal (`.hex`, a
/// piece a line), or the bytes themselves. What the plugin's fields are is said by
/// --config or --field, as in the daemon's configuration.
///
/// Ends with 1 if the plugin cannot be used, fails, or reads nothing in the
/// capture.
#[derive(Args, Debug)]
pub struct Check {
    /// The plugin's library
    pub file: PathBuf,
    /// What to give it [default: a connection on which nothing arrives]
    #[arg(long, value_name = "CAPTURE")]
    pub capture: Option<PathBuf>,
    /// A file with its `[sources.NAME]`, as in the daemon's configuration
    #[arg(long, value_name = "CONFIG")]
    pub config: Option<PathBuf>,
    /// Which source of that file, if it has several
    #[arg(long, value_name = "NAME", requires = "config")]
    pub source: Option<String>,
    /// Its options, as a JSON object
    #[arg(long, value_name = "JSON", conflicts_with = "config")]
    pub options: Option<String>,
    /// What a field of it measures, as in U=voltage_volt; may be given again
    #[arg(long = "field", value_name = "FIELD=QUANTITY")]
    pub fields: Vec<String>,
}

/// What came of it.
#[derive(Debug, Serialize)]
pub struct Checked {
    /// The library.
    pub file: PathBuf,
    /// Who it says it is; missing where it cannot be used.
    pub plugin: Option<Described>,
    /// Pieces of the capture.
    pub inputs: usize,
    /// Samples it made of them.
    pub samples: usize,
    /// Its channels.
    pub channels: Vec<ChannelSeen>,
    /// What it could not read, by kind.
    pub complaints: BTreeMap<String, u64>,
    /// The first of them, in its words.
    pub first_complaint: Option<String>,
    /// Requests it would have sent.
    pub requests: usize,
    /// What it took for a piece, microseconds: median.
    pub median_us: f64,
    /// The longest, microseconds.
    pub longest_us: f64,
    /// Whether the readings are the same byte by byte; missing where that
    /// cannot be.
    pub same_byte_by_byte: Option<bool>,
    /// Whether they are the same with its state saved in the middle.
    pub same_with_saved_state: Option<bool>,
    /// Why it cannot be used, or what went wrong.
    pub failure: Option<String>,
}

/// One channel's values.
#[derive(Debug, Serialize)]
pub struct ChannelSeen {
    /// Its name.
    pub channel: String,
    /// What it measures.
    pub quantity: Quantity,
    /// How many readings.
    pub readings: u64,
    /// The first, in the quantity's unit.
    pub first: f64,
    /// The lowest.
    pub lowest: f64,
    /// The highest.
    pub highest: f64,
}

impl Check {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let config = self.decoder_config()?;
        let frames = match &self.capture {
            Some(capture) => inputs::read(capture)?,
            None => inputs::nothing(),
        };
        let file = std::path::absolute(&self.file)
            .map_err(Failure::io(format!("where {} lies", self.file.display())))?;
        let program_missing = |message| Failure::Refused { code: "no_host", message };
        let launch = Launch {
            host: find::host().map_err(program_missing)?,
            file,
            config,
            memory_bytes: 256 << 20,
            reply_limit: Duration::from_secs(2),
            called_off: Arc::default(),
        };
        let checked = check(&launch, &frames);
        match context.json {
            true => screen::json(&checked)?,
            false => screen::say(&plugin::checked(&checked))?,
        }
        let reads_nothing = self.capture.is_some() && checked.samples == 0;
        let is_wrong = |same: Option<bool>| same == Some(false);
        let found = checked.failure.is_some()
            || reads_nothing
            || is_wrong(checked.same_byte_by_byte)
            || is_wrong(checked.same_with_saved_state);
        Ok(if found { Exit::Found } else { Exit::Good })
    }

    fn decoder_config(&self) -> Result<DecoderConfig, Failure> {
        let mut config = match &self.config {
            Some(file) => {
                let text = source_text(file)?;
                read_source(&text, file, self.source.as_deref())?.table.config()
            }
            None => DecoderConfig::default(),
        };
        if let Some(options) = &self.options {
            config.options = serde_json::from_str(options)
                .map_err(|why| Failure::Usage(format!("--options is no JSON object: {why}")))?;
        }
        for field in &self.fields {
            let wrong = |why: String| Failure::Usage(format!("--field {field}: {why}"));
            let (name, quantity) =
                field.split_once('=').ok_or_else(|| wrong("write FIELD=QUANTITY".to_owned()))?;
            let quantity: Quantity =
                quantity.parse().map_err(|why: UnknownQuantity| wrong(why.to_string()))?;
            config.fields.insert(name.to_owned(), FieldConfig::of(quantity));
        }
        Ok(config)
    }
}

fn check(launch: &Launch, frames: &[Frame]) -> Checked {
    let mut checked = Checked {
        file: launch.file.clone(),
        plugin: None,
        inputs: frames.len(),
        samples: 0,
        channels: Vec::new(),
        complaints: BTreeMap::new(),
        first_complaint: None,
        requests: 0,
        median_us: 0.0,
        longest_us: 0.0,
        same_byte_by_byte: None,
        same_with_saved_state: None,
        failure: None,
    };
    checked.failure = checked.run(launch, frames).err();
    checked
}

impl Checked {
    fn run(&mut self, launch: &Launch, frames: &[Frame]) -> Result<(), String> {
        let (mut process, described) = ways::start(launch)?;
        let saves = described.saves;
        self.plugin = Some(described);
        let run = ways::as_it_is(&mut process, frames)?;
        drop(process);
        run.outputs.iter().for_each(|(_, output)| self.take(output));
        self.times(&run.spent);
        if self.samples == 0 {
            return Ok(());
        }
        if frames.iter().all(|frame| frame.endpoint == 0) {
            let split = ways::byte_by_byte(launch, frames)?;
            self.same_byte_by_byte = Some(split.readings() == run.readings());
        }
        if saves {
            let halves = ways::in_two_halves(launch, frames)?;
            self.same_with_saved_state = Some(halves.readings() == run.readings());
        }
        Ok(())
    }

    fn take(&mut self, output: &Output) {
        match output {
            Output::Sample(sample) => {
                self.samples += 1;
                for (channel, value) in sample.group.channels.iter().zip(&sample.values) {
                    if !value.is_nan() {
                        self.value(&channel.name, channel.quantity, *value);
                    }
                }
            }
            Output::Complaint(complaint) => {
                *self.complaints.entry(complaint.kind.word().to_owned()).or_default() += 1;
                self.first_complaint.get_or_insert_with(|| complaint.detail.clone());
            }
            Output::Send { .. } => self.requests += 1,
            _ => {}
        }
    }

    fn value(&mut self, channel: &str, quantity: Quantity, value: f64) {
        match self.channels.iter_mut().find(|seen| seen.channel == channel) {
            Some(seen) => {
                seen.readings += 1;
                (seen.lowest, seen.highest) = (seen.lowest.min(value), seen.highest.max(value));
            }
            None => self.channels.push(ChannelSeen {
                channel: channel.to_owned(),
                quantity,
                readings: 1,
                first: value,
                lowest: value,
                highest: value,
            }),
        }
    }

    fn times(&mut self, spent: &[Duration]) {
        let mut sorted: Vec<f64> = spent.iter().map(|d| d.as_nanos() as f64 / 1000.0).collect();
        sorted.sort_by(f64::total_cmp);
        self.median_us = sorted.get(sorted.len() / 2).copied().unwrap_or_default();
        self.longest_us = sorted.last().copied().unwrap_or_default();
    }
}
