//! What every command works with.

use std::sync::LazyLock;

use jiff::tz::TimeZone;

use crate::client::Client;

/// What a command works with.
pub struct Context {
    /// The way to the daemon.
    pub client: Client,
    /// Whether a program reads the answer.
    pub json: bool,
    /// The zone of the person's clock. Looked up when it is wanted: all zones that
    /// the system has are listed for it.
    pub zone: LazyLock<TimeZone>,
}

impl Context {
    /// With the system's zone.
    pub fn new(client: Client, json: bool) -> Context {
        Context { client, json, zone: LazyLock::new(TimeZone::system) }
    }
}
