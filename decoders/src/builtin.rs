//! The built-in decoders: one file each, and one line each in this list.

use crate::decoder::Descriptor;

pub mod bthome;
pub mod frames;
pub mod gatt;
pub mod iec62056_21;
pub mod json_lines;
pub mod modbus_rtu;
pub mod raw;
mod readings;
pub mod scpi;
#[cfg(test)]
mod template;
pub mod text_lines;

/// Every built-in decoder.
pub static BUILTIN: &[&Descriptor] = &[
    &bthome::DESCRIPTOR,
    &frames::DESCRIPTOR,
    &gatt::DESCRIPTOR,
    &iec62056_21::DESCRIPTOR,
    &json_lines::DESCRIPTOR,
    &modbus_rtu::DESCRIPTOR,
    &raw::DESCRIPTOR,
    &scpi::DESCRIPTOR,
    &text_lines::DESCRIPTOR,
];

/// The built-in decoder of that name.
pub fn find(name: &str) -> Option<&'static Descriptor> {
    BUILTIN.iter().copied().find(|d| d.name == name)
}
