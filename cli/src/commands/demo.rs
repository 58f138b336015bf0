//! `ampledger demo`: the boat yard's scenario from the serial line to the
//! exported file, in scaled time, with a daemon and a folder of its own. It
//! touches nothing else and leaves nothing running.

mod line;
mod model;
mod narrator;
mod place;
mod play;
mod scenario;

use std::path::PathBuf;

use ampledger_types::api::StopRequest;
use ampledger_types::result::SessionReport;
use clap::Args;
use serde::Serialize;

use super::{export, start};
use crate::client::{Client, Limits};
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::origin::Origin;
use crate::own_daemon::Daemon;
use crate::pack_fields::{ChemistryName, PackFields};
use crate::render::{report, style};
use crate::screen;
use crate::stop::Stop;
use line::SerialLine;
use narrator::Narrator;
use place::Place;

/// Real seconds are multiplied by this: half a day passes in 20 s.
const CLOCK_RATE: f64 = 2000.0;

/// Play a whole test in half a minute, with a made-up pack
///
/// A pack of a canal-boat yard, GAL-07 (24 V, 8 lithium iron phosphate cells
/// in series, rated 60 Ah), is charged full, rests, is emptied through an
/// inverter until its protection trips and the sensor that it powers goes
/// dark, and is charged again. A pseudo-terminal is the serial line; everything
/// else is as on a real bench, only faster.
///
/// The demo has a daemon and a folder of its own, touches no other store, and
/// leaves nothing running. Its files stay, so that you can look at them.
#[derive(Args, Debug)]
pub struct Demo {
    /// A new or empty folder for its files [default: a new one among the
    /// temporary files]
    #[arg(long, value_name = "DIR")]
    pub dir: Option<PathBuf>,
}

/// What a program is told in the end.
#[derive(Serialize)]
struct Told {
    folder: PathBuf,
    store: PathBuf,
    #[serde(flatten)]
    written: export::Written,
    report: SessionReport,
}

impl Demo {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let place = Place::make(self.dir)?;
        let narrator = Narrator::new(context.json);
        let told = play_in(&place, context, &narrator)?;
        match context.json {
            true => screen::json(&told)?,
            false => screen::say(&last_words(&told))?,
        }
        Ok(Exit::Good)
    }
}

fn play_in(place: &Place, context: &Context, narrator: &Narrator) -> Result<Told, Failure> {
    let stop = Stop::on_signals()?;
    let line = SerialLine::new().map_err(Failure::io("a pseudo-terminal cannot be made"))?;
    let config = place.file("ampledger.toml");
    std::fs::write(&config, config_text(place, &line)?)
        .map_err(Failure::io(format!("{} cannot be written", config.display())))?;
    let limits = Limits { answer: std::time::Duration::from_secs(20), ..Limits::default() };
    let own = Context::new(Client::new(place.socket()).with_limits(limits), context.json);

    let rate = CLOCK_RATE.to_string();
    let arguments =
        ["--config".as_ref(), config.as_os_str(), "--clock-rate".as_ref(), rate.as_ref()];
    let mut daemon = Daemon::start("the demo's", &arguments, &place.file("ampledgerd.log"))?;
    daemon.wait_ready(&own.client)?;
    narrator.say(&format!(
        "A daemon of its own records into {}; an hour passes in {:.1} s.",
        place.file(STORE).display(),
        3600.0 / CLOCK_RATE
    ))?;
    narrator.command(&format!("ampledger start {START_WORDS}"))?;
    let session = start_words().begin(&own)?.session.id;
    let lines = scenario::lines();
    play::play(&lines, &line, &own.client, &stop, narrator)?;

    narrator.command("ampledger stop")?;
    let path = format!("/v1/sessions/{session}/stop");
    let report: SessionReport = own.client.post(&path, &StopRequest::default())?;
    narrator.command("ampledger export last --format bdf-csv --output gal-07.bdf.csv")?;
    let origin = Origin::Daemon(&own.client);
    let written = export::write(&origin, session, &place.file("gal-07.bdf.csv"), false)?;
    daemon.stop();
    Ok(Told { folder: place.folder().to_owned(), store: place.file(STORE), written, report })
}

const STORE: &str = "ampledger.db";

/// The words of the command that `start_words` stands for.
const START_WORDS: &str = "--pack GAL-07 --rated-ah 60 --chemistry lithium-iron-phosphate \
     --cells 8 --charge-voltage 29.2 --cutoff-voltage 20.0 --source bench-shunt --tag demo";

fn start_words() -> start::Start {
    start::Start {
        pack: Some("GAL-07".to_owned()),
        sources: vec!["bench-shunt".to_owned()],
        cutoff_voltage: Some(20.0),
        tags: vec!["demo".to_owned()],
        fields: PackFields {
            rated_ah: Some(60.0),
            chemistry: Some(ChemistryName::LithiumIronPhosphate),
            cells: Some(8),
            charge_voltage: Some(scenario::CHARGE_VOLTAGE),
            ..PackFields::default()
        },
        ..start::Start::default()
    }
}

fn config_text(place: &Place, line: &SerialLine) -> Result<String, Failure> {
    let quoted = |path: &std::path::Path| {
        let text = path.to_str().ok_or_else(|| {
            Failure::Usage(format!("{} is not UTF-8; choose another folder", path.display()))
        })?;
        // A JSON string is a basic string of TOML too.
        serde_json::to_string(text).map_err(|error| Failure::Output(error.into()))
    };
    Ok(include_str!("demo/config.toml")
        .replace("@STORE@", &quoted(&place.file(STORE))?)
        .replace("@SOCKET@", &quoted(&place.socket())?)
        .replace("@DEVICE@", &quoted(line.path())?))
}

fn last_words(told: &Told) -> String {
    let store = told.store.display();
    let lines = [
        String::new(),
        style::strong(&told.report.claim),
        String::new(),
        report::phases(&told.report.phases),
        format!("Rows of the Battery Data Format: {}", told.written.file.display()),
        format!("What the rows cannot hold:       {}", told.written.metadata.display()),
        String::new(),
        "Nothing is left running. Look further with".to_owned(),
        format!("  ampledger show --store {store}"),
        format!("  ampledger export last --store {store} --output -"),
        style::faint(
            "The pack, its readings and their dates are made up; all else is as on a bench.",
        ),
    ];
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use clap::Parser as _;

    use super::*;
    use crate::commands::{Cli, Command};

    #[test]
    fn the_command_that_is_shown_is_the_one_that_is_done() {
        let words = ["ampledger", "start"].into_iter().chain(START_WORDS.split_whitespace());
        let Command::Start(shown) = Cli::try_parse_from(words).unwrap().command else {
            panic!("not start")
        };
        assert_eq!(format!("{shown:?}"), format!("{:?}", start_words()));
    }
}
