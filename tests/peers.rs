//! The other end of the cable, played by the tests: nothing here knows the
//! daemon, only the wire.

mod cable;
mod scpi;
mod sensor;

pub use cable::Cable;
pub use scpi::{Manners, Scpi};
pub use sensor::{Sensor, line};
