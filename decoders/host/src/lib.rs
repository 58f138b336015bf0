//! Runs one decoder that is a plugin. The program is a loop round this: it
//! fences itself in, loads one library, and answers batches. The library here
//! serves that program and the measurements; nothing else may use it, because
//! what is loaded can do anything to the process it is in.

pub mod adapter;
mod callbacks;
mod collector;
pub mod fence;
mod fields;
pub mod library;
pub mod serve;
pub mod trust;
