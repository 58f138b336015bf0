//! The kinds of connection a source can have, one file each.

pub mod ble;
pub mod replay;
pub mod serial;
pub mod usb;

use std::sync::Arc;

use ampledger_decoders::builtin;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::config::SourceConfig;
use crate::intake::Intake;
use crate::source::{Maker, Source};
use crate::supervise::supervise;

/// Starts a source's task; `None` where the configuration was not checked.
pub fn start(
    name: &str,
    config: SourceConfig,
    intake: &Arc<Intake>,
    tasks: &TaskTracker,
    stop: &CancellationToken,
) -> Option<Arc<Source>> {
    let maker = match (builtin::find(&config.decoder), &config.plugin) {
        (Some(descriptor), _) => Maker::BuiltIn(descriptor),
        (None, Some(plugin)) => Maker::Plugin(plugin.clone()),
        (None, None) => return None,
    };
    let make = |connection| {
        Arc::new(Source::new(name, connection, config.clone(), maker.clone(), intake.clone()))
    };
    let stop = stop.clone();
    if let Some(serial) = &config.serial {
        let source = make(serial::describe(serial));
        let opener = serial::SerialOpener::new(serial.clone());
        tasks.spawn_local(supervise(source.clone(), opener, stop));
        Some(source)
    } else if let Some(ble) = &config.ble {
        let plan = ble.plan(&config.options).ok()?;
        let source = make(ble::describe(ble));
        source.health.not_dark_before(ble::DARK);
        let opener = ble::BleOpener::new(ble.clone(), plan);
        tasks.spawn_local(supervise(source.clone(), opener, stop));
        Some(source)
    } else if let Some(replay) = &config.replay {
        let source = make(format!("replay of {}", replay.file.display()));
        let opener = replay::ReplayOpener::new(replay.clone());
        tasks.spawn_local(supervise(source.clone(), opener, stop));
        Some(source)
    } else {
        None
    }
}
