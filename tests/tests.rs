//! Ampledger end to end: the real binaries over pseudo-terminals, sockets and
//! files. This file is the table of contents; nothing here needs a sensor, a
//! fixed port or a network.

// Clippy lets tests panic, but does not know that all of this is one.
#![allow(clippy::expect_used, clippy::unwrap_used)]

// How a test gets a bench of its own.
mod util;
// Sensors and cables, played by the tests.
mod peers;
// The bench with one meter that many of them use.
mod yard;

// The main job.
mod attended;
mod discharge;
mod limits;
mod redecode;
mod replay;
mod sessions;

// Decoders of others.
mod plugins;

// What people and programs see.
mod api;
mod calibration;
mod capture;
mod claims;
mod cli;
mod demo;
mod export;
mod import;
mod inverter;
mod maintenance;
mod report;

// What programs that are not ours make of the same data.
mod encodings;
mod outside;
mod store_format;

// What the record costs.
mod footprint;

// What goes wrong, and what it costs.
mod faults;
mod regression;
mod soak;

// The tree itself: crates, lints, documents, packaging.
mod packaging;
mod workspace;
