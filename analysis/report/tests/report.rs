//! Reports and exports of sessions that a real store holds, against closed
//! forms and against each other.

#![allow(clippy::unwrap_used, reason = "a test that panics has failed, as it should")]

#[path = "report/before.rs"]
mod before;
#[path = "report/bench.rs"]
mod bench;
#[path = "report/beside.rs"]
mod beside;
#[path = "report/calibration.rs"]
mod calibration;
#[path = "report/calibration_terms.rs"]
mod calibration_terms;
#[path = "report/claims.rs"]
mod claims;
#[path = "report/export.rs"]
mod export;
#[path = "report/figures.rs"]
mod figures;
#[path = "report/further.rs"]
mod further;
#[path = "report/live.rs"]
mod live;
#[path = "report/page.rs"]
mod page;
#[path = "report/pins.rs"]
mod pins;
#[path = "report/unknown.rs"]
mod unknown;
#[path = "report/verdict.rs"]
mod verdict;
