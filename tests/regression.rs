//! Faults that somebody met, each kept from coming back.
//!
//! The convention: one test a fault, named after what must hold, with the
//! number of its issue in the line above and, in a sentence, what was seen.
//! A regression that belongs to a module of its own goes there and is listed
//! here as a comment, so that this file is the whole list.
//!
//! ```text
//! // Issue 17: the session's end was booked one sample late after a restart.
//! #[test]
//! fn a_session_ends_at_its_last_sample_after_a_restart() { … }
//! ```
