//! The other end of the cable, played by the tests or by programs that nobody
//! here wrote: nothing here knows the daemon, only the wire.

mod bluetooth;
mod cable;
mod chance;
mod modbus;
mod numbered;
mod relay;
mod scpi;
mod sensor;

pub use bluetooth::Bluetooth;
pub use cable::Cable;
pub use chance::Chance;
pub use modbus::{Maker, ModbusServer};
pub use numbered::numbered;
pub use relay::{Relay, Trouble};
pub use scpi::{Manners, Scpi};
pub use sensor::{Sensor, line};
