//! `ampledger thin`: old record that nothing needs shrinks to its minutes.

use ampledger_types::api::{ThinRequest, ThinResponse};
use clap::Args;

use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::screen;

/// Thin old record that no session needs to its minutes
///
/// For a disk that fills up. Samples older than so many days go; what each
/// channel read in each minute and hour stays: count, least, mean, greatest,
/// first, last. Sessions are never thinned, nor the three days before one, nor
/// what a result cites as evidence, nor what was recorded while the clock was
/// not synchronised. A session that began by rule and that nobody took up keeps
/// nothing. Frames have their own bound.
///
/// What would go is shown; nothing goes until the command is given with --apply.
#[derive(Args, Debug)]
pub struct Thin {
    /// Age from which samples may go, days
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..))]
    pub older_than: u32,
    /// Do it
    #[arg(long)]
    pub apply: bool,
}

impl Thin {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let (older_than_day, apply) = (f64::from(self.older_than), self.apply);
        let request = ThinRequest { older_than_day, apply };
        let told: ThinResponse = context.client.post("/v1/thin", &request)?;
        match context.json {
            true => screen::json(&told)?,
            false => screen::say(&self.told(&told))?,
        }
        Ok(Exit::Good)
    }

    fn told(&self, told: &ThinResponse) -> String {
        let days = self.older_than;
        if told.sources.is_empty() {
            return format!(
                "Nothing that is known to be older than {days} {} may go. Sessions stay, and so \
                 does what has no trusted date.",
                if days == 1 { "day" } else { "days" }
            );
        }
        let verb = if told.applied { "went" } else { "would go" };
        let line = |source: &ampledger_types::api::ThinnedSource| {
            let megabytes = source.bytes as f64 / 1e6;
            format!("{}: {} samples {verb}, {megabytes:.1} MB", source.source, source.samples)
        };
        let mut lines: Vec<String> = told.sources.iter().map(line).collect();
        lines.push(match (told.applied, told.is_more) {
            (false, _) => format!(
                "Their minutes stay. Do it with `ampledger thin --older-than {days} --apply`."
            ),
            (true, true) => "There is more: give the command again.".to_owned(),
            (true, false) => "Their minutes stay. The file shrinks in the next hours.".to_owned(),
        });
        lines.join("\n")
    }
}
