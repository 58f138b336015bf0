//! The record on disk: one SQLite file, one writer, short readers.
//!
//! What is called recorded survives a killed process and a power cut. How
//! samples lie on disk is known to this crate alone; `docs/store-format.md`
//! describes it.

mod again;
mod append;
mod aside;
mod backup;
mod ballast;
mod calibrations;
mod check;
mod chunk;
mod columns;
mod compact;
mod error;
mod frame_log;
mod frame_seal;
mod frames;
mod head;
mod holder;
mod intern;
mod lent;
mod lock;
mod log_index;
mod merge;
mod migrations;
mod open;
mod outline;
mod overview;
mod packed;
mod path;
mod pin;
mod read;
mod reader;
mod readings;
mod records;
mod redecode;
mod runs;
mod salvage;
mod seal;
mod summary;
mod thin;
mod varint;
mod walk;
mod working;

pub use append::{Batch, FrameChunk, NumberedSample};
pub use aside::beside_newer;
pub use backup::restore;
pub use ballast::Ballast;
pub use check::Checked;
pub use columns::Block;
pub use error::{OpenError, Refusal, StoreError};
pub use frame_log::{ChunkHead, DamagedFrames, DroppedFrames};
pub use head::DamagedChunk;
pub use open::Store;
pub use outline::Outline;
pub use overview::{Overview, overview_width_us};
pub use read::Range;
pub use reader::Reader;
pub use records::NewSession;
pub use redecode::{Redecoder, Redecoding, Stretch};
pub use runs::NewRun;
pub use salvage::{Salvaged, salvage};
pub use summary::Summary;
pub use thin::Thinning;
