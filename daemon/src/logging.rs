//! The log: to standard error, for people or as JSON lines.

use std::io::{IsTerminal, Write, stderr};

use tracing_subscriber::EnvFilter;
use tracing_subscriber::filter::ParseError;

use crate::config::{LogConfig, LogFormat};

/// Standard error, of which nobody need be left to read: what cannot be written
/// is lost, and stops nothing.
struct Unread;

impl Write for Unread {
    fn write(&mut self, text: &[u8]) -> std::io::Result<usize> {
        let _ = stderr().write_all(text);
        Ok(text.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Begins to log; a panic is logged too, so that it is never silent.
pub fn start(config: &LogConfig) -> Result<(), ParseError> {
    let filter = EnvFilter::try_new(&config.filter)?;
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(|| Unread);
    match config.format {
        LogFormat::Json => log.json().flatten_event(true).init(),
        // The service manager's journal stamps the time itself.
        LogFormat::Human if std::env::var_os("JOURNAL_STREAM").is_some() => {
            log.with_target(false).without_time().with_ansi(false).init();
        }
        LogFormat::Human => log.with_target(false).with_ansi(stderr().is_terminal()).init(),
    }
    std::panic::set_hook(Box::new(|panic| {
        // The Bluetooth library fails in tasks of its own where the bus is gone.
        // That costs nothing, and its source tells the loss.
        let is_known = panic.location().is_some_and(|at| at.file().contains("bluez-async"));
        match is_known {
            true => tracing::debug!("the Bluetooth library gave something up: {panic}"),
            false => tracing::error!("a part of the program failed: {panic}"),
        }
    }));
    Ok(())
}
