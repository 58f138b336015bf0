//! The boundary between a decoder in a process of its own and whoever uses it.
//! `wire` is what travels; `process` starts one host and talks with it under a
//! deadline; `remote` drives it as a driver does, starts it again when it ends,
//! and gives again what was not acknowledged. No library is ever loaded here.

pub mod find;
pub mod history;
pub mod pipe;
pub mod process;
pub mod record;
pub mod remote;
pub mod wire;

pub use process::{Fault, FaultKind, Launch, Process, Reply};
pub use record::FailureRecord;
pub use remote::{RemoteDriver, Turn};
pub use wire::Described;
