//! The kinds of connection a source can have, one file each.

pub mod ble;
pub mod replay;
pub mod serial;
pub mod usb;

use std::sync::Arc;

use ampledger_decoders::builtin;
use futures_util::FutureExt;
use futures_util::future::LocalBoxFuture;
use tokio_util::sync::CancellationToken;

use crate::config::SourceConfig;
use crate::intake::Intake;
use crate::source::{Maker, Source};
use crate::supervise::supervise;

/// What keeps a source going until it is told to stop.
pub type Task = LocalBoxFuture<'static, ()>;

/// A source with its task, which is not begun yet; `None` where the
/// configuration was not checked.
pub fn prepare(
    name: &str,
    config: SourceConfig,
    intake: &Arc<Intake>,
    stop: CancellationToken,
) -> Option<(Arc<Source>, Task)> {
    let maker = match (builtin::find(&config.decoder), &config.plugin) {
        (Some(descriptor), _) => Maker::BuiltIn(descriptor),
        (None, Some(plugin)) => Maker::Plugin(plugin.clone()),
        (None, None) => return None,
    };
    let make = |connection| {
        Arc::new(Source::new(name, connection, config.clone(), maker.clone(), intake.clone()))
    };
    if let Some(serial) = &config.serial {
        let source = make(serial::describe(serial));
        let opener = serial::SerialOpener::new(serial.clone());
        let task = supervise(source.clone(), opener, stop).boxed_local();
        Some((source, task))
    } else if let Some(ble) = &config.ble {
        let plan = ble.plan(&config.options).ok()?;
        let source = make(ble::describe(ble));
        source.health.not_dark_before(ble::DARK);
        let opener = ble::BleOpener::new(ble.clone(), plan);
        let task = supervise(source.clone(), opener, stop).boxed_local();
        Some((source, task))
    } else if let Some(replay) = &config.replay {
        let source = make(format!("replay of {}", replay.file.display()));
        let opener = replay::ReplayOpener::new(replay.clone());
        let task = supervise(source.clone(), opener, stop).boxed_local();
        Some((source, task))
    } else {
        None
    }
}
