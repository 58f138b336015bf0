//! The other end of the cable, played by the tests or by programs that nobody
//! here wrote: nothing here knows the daemon, only the wire.

mod bluetooth;
mod cable;
mod modbus;
mod relay;
mod scpi;
mod sensor;

pub use bluetooth::Bluetooth;
pub use cable::Cable;
pub use modbus::{Maker, ModbusServer};
pub use relay::{Relay, Trouble};
pub use scpi::{Manners, Scpi};
pub use sensor::{Sensor, line};
