//! `ampledger calibrate`: corrects a meter by two points or by a reference meter.

use ampledger_report::sentences;
use ampledger_types::calibration::{
    CalibrateRequest, Calibrated, CalibrationLine, CalibrationResponse, Point, Reference,
};
use clap::{Args, ValueEnum};

use crate::client::segment;
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::meter_fields::not_negative;
use crate::render::sessions::date;
use crate::render::style;
use crate::screen;

/// Correct a meter by two points, or by a reference meter
///
/// Two points: what the meter read, and what it should have read, at a low and at
/// a high value; as in `--point 0.140=0 --point 40.100=40.000`. A reference meter:
/// name its source, and since when both carried the same; a line is laid through
/// what they read together, so let the load vary. Say with --uncertainty how well
/// the true values are known: it takes the place of the meter's stated gain.
///
/// From its date on readings are corrected as they are read; what is recorded
/// stays as it is. With --back it also holds since a time; ended sessions in that
/// stretch get a new revision. Without points or a reference the zeros and
/// calibrations of the source are listed.
#[derive(Args, Debug)]
pub struct Calibrate {
    /// The source, as in bench-shunt
    pub source: String,
    /// Which channel
    #[arg(value_enum, default_value_t)]
    pub channel: ChannelName,
    /// What the meter read and what it should have read; give two
    #[arg(long = "point", value_name = "READ=TRUE", value_parser = point)]
    #[arg(allow_hyphen_values = true, conflicts_with = "reference")]
    pub points: Vec<Point>,
    /// Source of the meter to compare with, as in clamp
    #[arg(long, value_name = "SOURCE", requires = "since")]
    pub reference: Option<String>,
    /// Since when both read the same: "10 min ago", 09:12, or RFC 3339
    #[arg(long, value_name = "TIME", requires = "reference")]
    pub since: Option<String>,
    /// Standard uncertainty of the true values, A or V
    #[arg(long, value_name = "U", value_parser = not_negative, default_value_t = 0.0)]
    pub uncertainty: f64,
    /// It also holds since this time
    #[arg(long, value_name = "TIME")]
    pub back: Option<String>,
}

/// A channel by its name.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum ChannelName {
    /// The current
    #[default]
    Current,
    /// The voltage
    Voltage,
}

impl Calibrate {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let path = format!("/v1/sources/{}/calibrations", segment(&self.source));
        if self.points.is_empty() && self.reference.is_none() {
            if self.back.is_some() {
                let message = "--back needs two points or a reference meter";
                return Err(Failure::Usage(message.to_owned()));
            }
            return list(&context.client.get::<Vec<CalibrationLine>>(&path)?, context);
        }
        let is_back = self.back.is_some();
        let answer: CalibrationResponse = context.client.post(&path, &self.request())?;
        match context.json {
            true => screen::json(&answer)?,
            false => screen::say(&told(&answer, is_back))?,
        }
        Ok(Exit::Good)
    }

    fn request(self) -> CalibrateRequest {
        let standard = self.uncertainty;
        CalibrateRequest {
            channel: match self.channel {
                ChannelName::Current => Calibrated::Current,
                ChannelName::Voltage => Calibrated::Voltage,
            },
            points: self.points.into_iter().map(|point| Point { standard, ..point }).collect(),
            reference: self.reference.zip(self.since).map(|(source, since)| Reference {
                source,
                since,
                standard,
            }),
            back: self.back,
        }
    }
}

fn point(text: &str) -> Result<Point, String> {
    let parts = text.split_once('=').and_then(|(raw, truth)| {
        let number = |text: &str| text.trim().parse::<f64>().ok().filter(|x| x.is_finite());
        Some((number(raw)?, number(truth)?))
    });
    let (raw, truth) = parts.ok_or("write READ=TRUE, as in 40.1=40")?;
    Ok(Point { raw, truth, standard: 0.0 })
}

fn list(records: &[CalibrationLine], context: &Context) -> Result<Exit, Failure> {
    if context.json {
        screen::json(&records)?;
        return Ok(Exit::Good);
    }
    if records.is_empty() {
        screen::say("No zero and no calibration of this source is kept.")?;
        return Ok(Exit::Good);
    }
    let line = |line: &CalibrationLine| {
        let record = &line.record;
        let mut text = format!("{}: {}", record.id, sentences::calibration(record));
        let [taken, from] = [line.taken_unix_time_second, line.from_unix_time_second];
        let [taken, from] = [taken, from].map(|at| date(at, &context.zone));
        text += &format!("\n   taken {taken}, holds since {from}");
        text
    };
    screen::say(&records.iter().map(line).collect::<Vec<String>>().join("\n"))?;
    Ok(Exit::Good)
}

/// What came of it, for people; whether it was to hold back too.
pub fn told(answer: &CalibrationResponse, is_back: bool) -> String {
    let mut lines = vec![style::strong(&first_up(&answer.says))];
    lines.push(match &answer.applied {
        Some(applied) => {
            let since = if is_back { "Since the time given" } else { "From now on" };
            let id = applied.id;
            format!(
                "{since} every reading is corrected by it; what is recorded stays. Record {id}."
            )
        }
        None => "Nothing is applied.".to_owned(),
    });
    if !answer.sessions.is_empty() {
        let ids: Vec<String> = answer.sessions.iter().map(i64::to_string).collect();
        lines.push(format!("A new revision: session {}.", ids.join(", ")));
    }
    lines.join("\n")
}

fn first_up(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}.", letters.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_point_is_what_was_read_and_what_is_true() {
        let read = point("40.1=40").unwrap();
        assert_eq!((read.raw, read.truth), (40.1, 40.0));
        assert_eq!(point("-40.1=-40").unwrap().raw, -40.1);
        for text in ["40", "a=1", "1=NaN", "="] {
            assert!(point(text).is_err(), "{text}");
        }
    }
}
