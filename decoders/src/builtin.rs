//! The built-in decoders: one file each, and one line each in this list.

use crate::decoder::Descriptor;

pub mod bthome;
pub mod frames;
pub mod gatt;
pub mod json_lines;
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
    &json_lines::DESCRIPTOR,
    &scpi::DESCRIPTOR,
    &text_lines::DESCRIPTOR,
];

/// The built-in decoder of that name.
pub fn find(name: &str) -> Option<&'static Descriptor> {
    BUILTIN.iter().copied().find(|d| d.name == name)
}
