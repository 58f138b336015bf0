//! `ampledger import`: finished logs from elsewhere become sessions.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::time::Duration;

use ampledger_store::Reader;
use ampledger_types::{Instrument, Pack};
use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::import::{Hints, Imported, Plan, Progress, import};
use crate::meter_fields::MeterFields;
use crate::pack_fields::{CutoffRuleName, PackFields, positive};
use crate::{render, screen};

/// Make sessions of finished logs
///
/// Each file becomes a session in a store file, with no daemon, and its figures
/// are shown. Battery Data Format (CSV and Parquet) and headings that carry a
/// quantity and a unit, as in `time_s`, `current_A`, `voltage (V)`, need no
/// more; other tables and JSON lines are explained with --map. Files may be
/// packed with gzip or Zstandard.
///
/// A figure is proven only if the meter that wrote the file is described: how
/// good it is and how it is wired, by the options about the meter or a file.
///
/// What is wrong with a file is counted and named by line, never integrated as
/// if it were right. A file that is not understood leaves the store as it was.
#[derive(Args, Debug)]
pub struct Import {
    /// The files
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// The store file that they go into; made if it is not there
    #[arg(long, value_name = "DB")]
    pub store: PathBuf,
    /// Label of the pack, as in GAL-07
    #[arg(long, value_name = "LABEL")]
    pub pack: Option<String>,
    /// End voltage of the discharge, V
    #[arg(long, value_name = "V", value_parser = positive)]
    pub cutoff_voltage: Option<f64>,
    /// Which moment counts as reaching it
    #[arg(long, value_enum, default_value_t)]
    pub cutoff_rule: CutoffRuleName,
    /// What a positive current means in the files
    #[arg(long, value_enum, default_value_t)]
    pub current_sign: CurrentSign,
    /// What a column is: COLUMN=quantity, COLUMN=quantity:unit, COLUMN=time,
    /// COLUMN=time:unit; may be given again
    #[arg(long, value_name = "COLUMN=WHAT")]
    pub map: Vec<String>,
    /// What parts the cells [default: what the lines use]
    #[arg(long, value_parser = ["comma", "semicolon", "tab", "space"])]
    pub delimiter: Option<String>,
    /// The decimal mark [default: what the numbers use]
    #[arg(long, value_parser = ["point", "comma"])]
    pub decimal: Option<String>,
    /// Zone of dates that name none, as in Europe/Amsterdam or +01:00
    #[arg(long, value_name = "ZONE")]
    pub zone: Option<String>,
    /// Read them as this [default: what they look like]
    #[arg(long, value_parser = ["text-lines", "json-lines"])]
    pub decoder: Option<String>,
    /// How the meter is described, as in `[sources.NAME.instrument]` (TOML)
    #[arg(long, value_name = "FILE")]
    pub instrument: Option<PathBuf>,
    /// What else is known about the meter.
    #[command(flatten)]
    pub meter: MeterFields,
    /// What is known about the pack.
    #[command(flatten)]
    pub fields: PackFields,
}

/// What a positive current means.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum CurrentSign {
    /// The pack is being charged, as in the Battery Data Format
    #[default]
    ChargingPositive,
    /// The pack is being discharged
    DischargingPositive,
}

impl Import {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let plan = self.plan()?;
        let mut reports = Vec::new();
        for file in &self.files {
            let imported = with_progress(file, &plan, context)?;
            if !context.json {
                screen::say(&told(&imported, &plan, context))?;
            }
            reports.push(imported.report);
        }
        match (context.json, reports.as_slice()) {
            (false, _) => {}
            (true, [one]) => screen::json(one)?,
            (true, several) => screen::json(&several)?,
        }
        Ok(Exit::Good)
    }

    fn plan(&self) -> Result<Plan, Failure> {
        Ok(Plan {
            store: self.store.clone(),
            hints: Hints {
                decoder: self.decoder.clone(),
                delimiter: self.delimiter.clone(),
                decimal: self.decimal.clone(),
                zone: self.zone.clone(),
                discharging_positive: self.current_sign == CurrentSign::DischargingPositive,
                map: self.map.clone(),
            },
            pack: self.pack()?,
            cutoff_voltage_volt: self.cutoff_voltage,
            cutoff_rule: self.cutoff_rule.into(),
            instrument: self.instrument()?,
        })
    }

    /// The pack as the store knows it, with what was said now.
    fn pack(&self) -> Result<Option<Pack>, Failure> {
        let first = self.files.first().and_then(|file| file.file_stem());
        let stem = || first.map(|name| name.to_string_lossy().into_owned());
        let label = self.pack.clone().or_else(|| stem().filter(|_| !self.fields.is_empty()));
        let Some(label) = label else { return Ok(None) };
        let known = match self.store.exists() {
            true => Reader::open(&self.store)?.pack(&label)?,
            false => None,
        };
        let known = known.unwrap_or(Pack { label, ..Pack::default() });
        let mut pack = self.fields.apply(known).map_err(Failure::Usage)?;
        pack.cutoff_voltage_volt = pack.cutoff_voltage_volt.or(self.cutoff_voltage);
        Ok(Some(pack))
    }

    fn instrument(&self) -> Result<Instrument, Failure> {
        let Some(path) = &self.instrument else {
            return Ok(self.meter.apply(Instrument::default()));
        };
        let cannot = Failure::io(format!("{} cannot be read", path.display()));
        let text = std::fs::read_to_string(path).map_err(cannot)?;
        let read = toml_edit::de::from_str(&text);
        let meter = read.map_err(|error: toml_edit::de::Error| {
            Failure::Usage(format!("{}: {error}", path.display()))
        })?;
        Ok(self.meter.apply(meter))
    }
}

/// Imports a file, with a bar on a terminal.
fn with_progress(file: &Path, plan: &Plan, context: &Context) -> Result<Imported, Failure> {
    let progress = Progress::default();
    let size = std::fs::metadata(file).map(|m| m.len()).unwrap_or(0);
    if context.json || !std::io::stderr().is_terminal() {
        return import(file, plan, &progress);
    }
    let bar = ProgressBar::new(size);
    let form = "{wide_bar} {bytes} of {total_bytes}, {eta} to go";
    if let Ok(style) = ProgressStyle::with_template(form) {
        bar.set_style(style);
    }
    std::thread::scope(|scope| {
        let (over, is_over) = std::sync::mpsc::channel::<()>();
        let (shown, read) = (&bar, progress.clone());
        scope.spawn(move || {
            let wait = Duration::from_millis(100);
            while let Err(std::sync::mpsc::RecvTimeoutError::Timeout) = is_over.recv_timeout(wait) {
                shown.set_position(read.load(std::sync::atomic::Ordering::Relaxed));
            }
            shown.finish_and_clear();
        });
        let imported = import(file, plan, &progress);
        drop(over);
        imported
    })
}

fn told(imported: &Imported, plan: &Plan, context: &Context) -> String {
    let (report, store) = (&imported.report, plan.store.display());
    let report = render::report::report(report, &context.zone);
    let session = imported.session;
    format!(
        "{report}\n\nIt is session {session} in {store}. Look again with `ampledger show {session} \
         --store {store}`."
    )
}
