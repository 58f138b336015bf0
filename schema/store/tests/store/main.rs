//! What the store promises, checked through its public calls only.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on may stop there")]

mod shed;

mod blocks;
mod calibrations;
mod damage;
mod faults;
mod frame_log;
mod model;
mod opening;
mod overview;
mod reading;
mod redecoding;
mod round_trip;
mod sealing;
mod upkeep;
