//! What goes wrong on a bench, each on the real binaries: one module a place
//! where it goes wrong.

mod bluetooth;
mod cable;
mod clock;
mod configuration;
mod dark;
mod disk;
mod end;
mod full;
mod line;
mod log;
mod modbus;
mod plugin;
mod reader;
mod reload;
mod scpi;
mod store;
