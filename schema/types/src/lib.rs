//! The words of Ampledger as plain types: what is measured, by what, when,
//! and what came out of it. This crate knows no other crate of the workspace,
//! does no I/O and reads no clock.
//!
//! Sign convention everywhere: **positive current charges the pack, negative
//! current discharges it** (that of the Battery Data Format).

pub mod alarm;
pub mod api;
pub mod calibration;
pub mod figure;
pub mod frame;
pub mod further;
pub mod maintenance;
pub mod pack;
pub mod pack_view;
pub mod quantity;
pub mod result;
pub mod sample;
pub mod session;
pub mod source;
pub mod time;
pub mod unit;
pub mod verdict;

pub use calibration::{Calibrated, Calibration};
pub use frame::{Frame, FrameKind};
pub use pack::{Chemistry, Pack, Rating, RatingBasis};
pub use quantity::Quantity;
pub use sample::{Channel, Group, LineMark, Sample, Seq};
pub use session::{Bound, CutoffRule, Marker, MarkerKind, OpenedBy, Session, Tag};
pub use source::{DecodeSet, Instrument};
pub use time::{ClockMap, ClockObservation, Run, RunId};
pub use unit::Unit;
