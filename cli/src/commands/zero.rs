//! `ampledger zero`: measures the offset of a meter's current.

use ampledger_types::calibration::{CalibrationResponse, ZeroRequest};
use clap::Args;

use super::calibrate::told;
use crate::client::segment;
use crate::context::Context;
use crate::exit::{Exit, Failure};
use crate::pack_fields::positive;
use crate::screen;

/// Measure the offset of a meter's current
///
/// Disconnect the lead that carries the current (or open its contactor), wait
/// three minutes, then give this command: what the meter read in that time is
/// looked at, the first minute left to settle. Mean, spread, number and drift are
/// told. It is refused where a current flows or the readings drift.
///
/// From its date on the offset is taken off every reading; what is recorded stays
/// as it is. With --back it also holds for what was read since a time; ended
/// sessions in that stretch get a new revision. Take another zero after the run
/// with --back to before it: the mean of both is taken off, and half their
/// difference is what remains uncertain.
///
/// With the lead connected and the pack at rest, give --connected: the same figure
/// is then what is drawn, never an offset, and nothing is applied.
#[derive(Args, Debug)]
pub struct Zero {
    /// The source, as in bench-shunt
    pub source: String,
    /// The lead is connected and the pack rests: tell what it draws
    #[arg(long)]
    pub connected: bool,
    /// Look so far back, s [default: 180]
    #[arg(long, value_name = "SECONDS", value_parser = positive)]
    pub over: Option<f64>,
    /// It also holds since this time: "6 h ago", 09:12, or RFC 3339
    #[arg(long, value_name = "TIME", conflicts_with = "connected")]
    pub back: Option<String>,
}

impl Zero {
    /// Runs the command.
    pub fn run(self, context: &Context) -> Result<Exit, Failure> {
        let is_back = self.back.is_some();
        let request =
            ZeroRequest { connected: self.connected, over_second: self.over, back: self.back };
        let path = format!("/v1/sources/{}/zero", segment(&self.source));
        let answer: CalibrationResponse = context.client.post(&path, &request)?;
        match context.json {
            true => screen::json(&answer)?,
            false => screen::say(&told(&answer, is_back))?,
        }
        Ok(Exit::Good)
    }
}
