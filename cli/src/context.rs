//! What every command works with.

use jiff::tz::TimeZone;

use crate::client::Client;

/// What a command works with.
pub struct Context {
    /// The way to the daemon.
    pub client: Client,
    /// Whether a program reads the answer.
    pub json: bool,
    /// The zone of the person's clock.
    pub zone: TimeZone,
}
