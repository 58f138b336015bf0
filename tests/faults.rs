//! What goes wrong on a bench, each on the real binaries: one module a place
//! where it goes wrong.

mod bluetooth;
mod cable;
mod configuration;
mod disk;
mod end;
mod line;
mod modbus;
mod plugin;
mod reload;
mod scpi;
mod store;
