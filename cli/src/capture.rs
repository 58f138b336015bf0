//! Captures: a source's frame log out of a store or from a daemon, and files of
//! captured bytes. Frames always come out of a record: where there is none, a
//! daemon of the command's own makes one and throws it away.

mod count;
mod private;
mod read;
mod take;

pub use count::Kept;
pub use private::{read_source, source_text};
pub use read::frames_of;
pub use take::{TakeOptions, Waiting, boot_clock_us, take};
