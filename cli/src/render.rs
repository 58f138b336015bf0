//! Turns what is known into text for a terminal. Pure: it computes no figure,
//! reads no clock and prints nothing. Sentences come from the report crate.

pub mod decode;
pub mod grounds;
pub mod limits;
pub mod packs;
pub mod plugin;
pub mod probe;
pub mod redecode;
pub mod reload;
pub mod report;
pub mod sessions;
pub mod sources;
pub mod status;
pub mod style;
pub mod suggestions;
pub mod table;
