//! Finding frames in a stream, apart from what they mean. Every framer has a
//! length bound, and its state can be saved.

pub mod lines;

pub use lines::{Line, Lines};
