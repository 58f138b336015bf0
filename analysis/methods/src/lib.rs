//! Samples to figures: pure functions without clock or I/O. The same code runs
//! over a live stream and over a stored session and gives the same digits.
//!
//! The way: [`axis`] turns samples into rows on one time axis, `feed` turns
//! rows into intervals (or says why not), [`session`] books each interval to a
//! phase, `discharge` says how a discharge ended.

pub mod axis;
pub mod budget;
pub mod calibration;
mod clipped;
pub mod connect;
pub mod counters;
pub mod cumulative;
mod discharge;
pub mod distributions;
pub mod efficiency;
pub mod evidence;
mod feed;
pub mod findings;
pub mod first_minute;
mod flow;
pub mod full;
mod full_evidence;
pub mod full_search;
mod gap;
pub mod grounds;
pub mod incremental;
pub mod integrate;
pub mod inverter;
mod knee;
pub mod limit;
pub mod line_fit;
pub mod offset;
mod pending;
pub mod peukert;
mod phases;
pub mod rating;
pub mod resistance;
pub mod ripple;
pub mod rules;
pub mod self_discharge;
pub mod session;
pub mod shunt;
mod snapshot;
pub mod standing;
mod steps;
mod stuck;
mod tally;
pub mod temperature;
pub mod temperature_record;
mod threshold;
pub mod to_empty;
pub mod uncertainty;
pub mod verdict;
mod voltage_steps;
mod window;

pub use axis::{Axis, Break, Placed, Row, RunOffset};
pub use connect::{PackEvent, PackRule, PackWatch};
pub use cumulative::{Cumulative, RunningTotals};
pub use findings::{Analysis, Cutoff, FoundAnomaly, FoundEnd, FoundGap, FoundPhase, Now, Totals};
pub use limit::{LimitChange, LimitRule, LimitWatch, Rise, Side};
pub use rules::{CutoffRule, Rules, Setting};
pub use session::SessionAnalysis;
pub use window::Cadence;
