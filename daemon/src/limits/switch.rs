//! Asks an instrument to switch off. There is no way here to switch anything
//! on.

use std::time::Duration;

use crate::api::Daemon;
use crate::config::SwitchConfig;

/// Switches it off; done once the instrument has been told.
pub async fn off(daemon: &Daemon, switch: &SwitchConfig, limit: Duration) -> Result<(), String> {
    let source = daemon.roster.find(&switch.source);
    let source = source.ok_or_else(|| format!("{} is not in use", switch.source))?;
    let (name, arguments) = switch.command();
    source.commands.ask(name, arguments, limit).await.map(|_| ())
}
