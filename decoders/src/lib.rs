//! Bytes to samples. A decoder is given what happened on a connection and
//! says what it makes of it; it does no I/O and reads no clock, so one decoder
//! serves a serial line, a Bluetooth characteristic, a replay file and a
//! fuzzer alike.

pub mod builtin;
pub mod config;
#[cfg(any(test, feature = "conformance"))]
pub mod conformance;
pub mod decoder;
pub mod driver;
pub mod framing;
pub mod identities;
pub mod instrument_time;
pub mod layout;
pub mod mapping;
pub mod number;
pub mod probe;
#[cfg(test)]
mod vectors;

pub use config::{ConfigProblem, DecoderConfig};
pub use decoder::{
    At, BadSnapshot, Command, Complaint, ComplaintKind, Decoder, Descriptor, Input, Integrity,
    Outlet, Output,
};
pub use driver::Driver;
pub use identities::Identities;
