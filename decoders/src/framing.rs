//! Finding frames in a stream, apart from what they mean. Every framer has a
//! length bound, and its state can be saved.

pub mod checksum;
pub mod cobs;
pub mod counted;
pub mod delimited;
pub mod lines;
pub mod slip;

pub use counted::{Counted, Length};
pub use delimited::{Delimited, Piece};
pub use lines::{Line, Lines};
