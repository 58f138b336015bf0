//! The kinds of connection a source can have, one file each.

pub mod replay;
pub mod serial;
pub mod usb;

use std::sync::Arc;

use ampledger_decoders::builtin;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::config::SourceConfig;
use crate::intake::Intake;
use crate::source::Source;
use crate::supervise::supervise;

/// Starts a source's task; `None` where the configuration was not checked.
pub fn start(
    name: &str,
    config: SourceConfig,
    intake: &Arc<Intake>,
    tasks: &TaskTracker,
    stop: &CancellationToken,
) -> Option<Arc<Source>> {
    let descriptor = builtin::find(&config.decoder)?;
    let make = |connection| {
        Arc::new(Source::new(name, connection, config.clone(), descriptor, intake.clone()))
    };
    let stop = stop.clone();
    match (&config.serial, &config.replay) {
        (Some(serial), _) => {
            let source = make(serial::describe(serial));
            let opener = serial::SerialOpener::new(serial.clone());
            tasks.spawn_local(supervise(source.clone(), opener, stop));
            Some(source)
        }
        (None, Some(config)) => {
            let source = make(format!("replay of {}", config.file.display()));
            let opener = replay::ReplayOpener::new(config.clone());
            tasks.spawn_local(supervise(source.clone(), opener, stop));
            Some(source)
        }
        (None, None) => None,
    }
}
